"""Every trouble that a session tells apart, drawn by the simulator, and what the session says of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from holdstill import session
from holdstill.loop.offline import opened
from holdstill.loop.worker import Eye
from holdstill.records import (
    Cue,
    FloatArray,
    FrameBytes,
    Instruction,
    Lean,
    Mark,
    MarkKind,
    Place,
    Plate,
    Reach,
    Roll,
    Shot,
    Trouble,
    View,
)
from holdstill.records import events as ev
from holdstill.session import Live, Refuse, State
from holdstill.simulate import (
    Grain,
    Held,
    Lamp,
    QuickCamera,
    Sensor,
    Setting,
    body,
    demo_plate,
    demo_rig,
    mirror_point_mm,
    pose_of,
    quick_exposed,
    true_points_px,
)
from holdstill.simulate.backdrop import backdrop
from holdstill.simulate.hand import Limb, holding, laid_over
from holdstill.simulate.light import LEVEL
from holdstill.simulate.optics import about_x, about_y, after, back, moved

EXPOSURE = 1.15
CAMERAS = ("left", "right")


@dataclass(frozen=True)
class Drawn:
    """What is drawn: how the plate is held (None: none), light, hands, and what is spoilt."""

    held: Held | None
    lamps: tuple[Lamp, ...] = LEVEL
    limbs: tuple[Limb, ...] = ()
    stops: float = 0.0
    focus_mm: float | None = None
    f_number: float | None = None
    motion_px: tuple[float, float] = (0.0, 0.0)
    shade: tuple[float, float, float] | None = None
    """A shadow's line (direction deg, place along it as a share of the plate, light left)."""
    covered: str = ""
    """Camera before whose lens a hand lies."""


@dataclass(eq=False)
class Stage:
    """The demo's cameras before a plate."""

    plate: Plate = field(default_factory=demo_plate)
    seed: int = 0

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)
        self.rig = demo_rig()
        self.thing = body(self.plate)
        self.eyes = {
            c.name: QuickCamera(c, self.thing, backdrop(c, self.rig.pose_rig_from_bench))
            for c in self.rig.cameras
        }
        self.grain = {c.name: Grain(c.lens.size_px, self.rng) for c in self.rig.cameras}
        self.eye = Eye(self.plate, previews=False)

    def setting(self, drawn: Drawn) -> Setting:
        pose = None if drawn.held is None else pose_of(drawn.held, self.thing, self.rig)
        limbs = holding(self.thing, turn_deg=drawn.held.turn_deg) if drawn.held is not None else ()
        exposure = EXPOSURE * 2.0**drawn.stops
        return Setting(self.rig, self.thing, pose, drawn.lamps, (*limbs, *drawn.limbs), exposure)

    def shot(self, drawn: Drawn, number: int, at_ms: float, *, single: bool) -> Shot:
        frames = {}
        for name, eye in self.eyes.items():
            camera = self.rig.camera(name)
            eye.focused(drawn.focus_mm or camera.set_focus_mm, drawn.f_number or camera.f_number)
            level = eye.level(self.setting(drawn), drawn.motion_px)
            if drawn.covered == name:
                level = level * np.float32(0.006)
            if drawn.shade is not None and drawn.held is not None:
                level = level * self._shade(drawn, name)
            image = quick_exposed(level, Sensor(), self.grain[name])
            frames[name] = FrameBytes(
                name, f"{name} {number}", at_ms, image=image, full_scale=255, exposure_ms=4.0
            )
        return Shot(number, f"shot {number}", at_ms, frames, single=single)

    def _shade(self, drawn: Drawn, name: str) -> FloatArray:
        assert drawn.shade is not None
        direction, along, left = drawn.shade
        px = true_points_px(self.setting(drawn), self.rig.camera(name))
        way = np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
        low, high = (px @ way).min(), (px @ way).max()
        width, height = self.rig.camera(name).lens.size_px
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        place = (x * way[0] + y * way[1] - low) / (high - low)
        return np.asarray(1 - (1 - left) / (1 + np.exp((place - along) * 60.0)), dtype=np.float32)

    def in_picture(self, held: Held) -> dict[str, float]:
        """Share of the plate's points inside each camera's picture."""
        setting = Setting(self.rig, self.thing, pose_of(held, self.thing, self.rig))
        out = {}
        for camera in self.rig.cameras:
            px, size = true_points_px(setting, camera), np.array(camera.lens.size_px) - 1
            out[camera.name] = float(((px > 12) & (px < size - 12)).all(axis=1).mean())
        return out

    def plain(self, *, tilt_deg: float = 25.0, shift_mm: float = 12.0) -> Held:
        """A pose that every camera sees whole."""
        while True:
            r = self.rng
            held = Held(
                *r.uniform(-tilt_deg, tilt_deg, 2),
                r.uniform(-8, 8),
                *r.uniform(-shift_mm, shift_mm, 2),
                r.uniform(-15, 25),
            )
            if min(self.in_picture(held).values()) == 1.0 and self.glare_free(held):
                return held

    def eyes_bench_mm(self) -> dict[str, FloatArray]:
        """Where the cameras stand in the bench frame."""
        home = back(self.rig.pose_rig_from_bench)
        return {c.name: after(home, back(c.pose_cam_from_rig)).arrays()[1] for c in self.rig.cameras}

    def glare_free(self, held: Held) -> bool:
        """Whether no lamp of the bench itself mirrors from the plate, or near it, into a camera."""
        return not any(
            _patch_inside(self, held, eye, lamp.place_mm(), room_mm=50.0)
            for eye in self.eyes_bench_mm().values()
            for lamp in LEVEL
        )


def _glare(stage: Stage, camera: str) -> tuple[Drawn, set[str]]:
    """A lamp that mirrors from the plate into one camera; which cameras see the patch on the dots."""
    while True:
        held = stage.plain(tilt_deg=18.0)
        pose = after(back(stage.rig.pose_rig_from_bench), pose_of(held, stage.thing, stage.rig))
        plate_mm = stage.plate.points_mm()[:, :2]
        low, high = plate_mm.min(axis=0), plate_mm.max(axis=0)
        at = low + (high - low) * stage.rng.uniform(0.08, 0.92, 2)
        spot = moved(stage.thing.surface_mm(at[None]), pose)[0]
        normal, eyes = _normal(held), stage.eyes_bench_mm()
        sight = eyes[camera] - spot
        sight = sight / np.linalg.norm(sight)
        lamp = spot + stage.rng.uniform(350, 600) * (2 * (normal @ sight) * normal - sight)
        seen = {name for name, eye in eyes.items() if _patch_inside(stage, held, eye, lamp)}
        if lamp[2] < -150 and seen == {camera}:
            lamps = (*LEVEL, Lamp(*(float(v) for v in lamp), 0.30, 2.0))
            return Drawn(held, lamps), seen


def _normal(held: Held) -> FloatArray:
    """The plate's normal toward the cameras, bench frame."""
    return np.asarray(about_x(held.tilt_y_deg) @ about_y(held.tilt_x_deg) @ np.array([0, 0, -1.0]))


def _patch_inside(
    stage: Stage, held: Held, eye: FloatArray, lamp: FloatArray, *, room_mm: float = 25.0
) -> bool:
    """Whether the lamp's mirror point lies on the dots, or within so much of them."""
    normal = _normal(held)
    pose = after(back(stage.rig.pose_rig_from_bench), pose_of(held, stage.thing, stage.rig))
    middle = moved(np.array([[*stage.thing.centre_mm(), 0.0]]), pose)[0]
    if min((eye - middle) @ normal, (lamp - middle) @ normal) <= 0:
        return False
    at = moved(mirror_point_mm(middle, normal, eye, lamp)[None], back(pose))[0, :2]
    points = stage.plate.points_mm()[:, :2]
    return bool(((at > points.min(axis=0) - room_mm) & (at < points.max(axis=0) + room_mm)).all())


def _half_out(stage: Stage, camera: str) -> Drawn:
    while True:
        held = Held(
            *stage.rng.uniform(-15, 15, 2), 0.0, stage.rng.uniform(-110, 110), stage.rng.uniform(-15, 15),
            stage.rng.choice([-1.0, 1.0]) * stage.rng.uniform(60, 150),
        )  # fmt: skip
        share = stage.in_picture(held)
        others = [v for n, v in share.items() if n != camera]
        if 0.4 < share[camera] < 0.8 and min(others) > 0.97 and stage.glare_free(held):
            return Drawn(held)


def _unseen_by(stage: Stage, camera: str) -> Drawn:
    while True:
        held = Held(
            *stage.rng.uniform(-10, 10, 2), 0.0, stage.rng.uniform(-260, 260), stage.rng.uniform(-15, 15),
            stage.rng.uniform(200, 420),
        )  # fmt: skip
        share = stage.in_picture(held)
        others = [v for n, v in share.items() if n != camera]
        if share[camera] < 0.05 and min(others) > 0.95 and stage.glare_free(held):
            return Drawn(held)


def _finger(stage: Stage) -> Drawn:
    c, r = stage.plate.columns, stage.plate.rows
    side = float(stage.rng.choice([-1.0, 1.0]))
    column = stage.rng.uniform(0.5, 0.75) * c
    column = column if side > 0 else c - 1 - column
    over = laid_over(stage.thing, column, stage.rng.uniform(0.25, 0.75) * r, side)
    return Drawn(stage.plain(), limbs=(replace(over, base_radius_mm=11.0, tip_radius_mm=9.0),))


def _shade(stage: Stage) -> Drawn:
    r = stage.rng
    place = (float(r.uniform(0, 360)), float(r.uniform(0.3, 0.45)), float(r.uniform(0.04, 0.055)))
    return Drawn(stage.plain(tilt_deg=15.0), shade=place)


def _smeared(stage: Stage) -> Drawn:
    angle, length = stage.rng.uniform(0, np.pi), stage.rng.uniform(5, 16)
    return Drawn(stage.plain(), motion_px=(length * np.cos(angle), length * np.sin(angle)))


def _defocused(stage: Stage, blur_px: tuple[float, float]) -> Drawn:
    """A ring turned to either side, the aperture half open, until the plate's middle is so blurred."""
    wished, camera = stage.rng.uniform(*blur_px), stage.rig.cameras[0]
    near, far = (0.45, 0.99) if stage.rng.uniform() < 0.5 else (6.0, 1.01)
    for _ in range(40):
        middle = (near * far) ** 0.5
        at = replace(camera, focus_mm=middle * camera.set_focus_mm, f_number=5.6)
        blurred = float(at.blur_sigma_px(np.array([camera.set_focus_mm]))[0]) > wished
        near, far = (middle, far) if blurred else (near, middle)
    return Drawn(stage.plain(tilt_deg=10), focus_mm=near * camera.set_focus_mm, f_number=5.6)


Expected = tuple[Trouble | None, str | None]
"""The trouble and the camera it should name (None: no one camera)."""

SINGLE: Mapping[str, Callable[[Stage], tuple[Drawn, Expected]]] = {
    "nothing wrong": lambda s: (Drawn(s.plain(tilt_deg=35)), (None, None)),
    "blurred by motion": lambda s: (_smeared(s), (Trouble.BLURRED, None)),
    "out of focus, first shot": lambda s: (_defocused(s, (3.3, 4.5)), (Trouble.DEFOCUSED, None)),
    "out of focus, later": lambda s: (_defocused(s, (1.6, 3.0)), (Trouble.DEFOCUSED, None)),
    "a finger": lambda s: (_finger(s), (Trouble.FINGER, None)),
    "a shadow": lambda s: (_shade(s), (Trouble.SHADOW, None)),
    "glare, left": lambda s: (_glare(s, "left")[0], (Trouble.GLARE, "left")),
    "glare, right": lambda s: (_glare(s, "right")[0], (Trouble.GLARE, "right")),
    "half out, left": lambda s: (_half_out(s, "left"), (Trouble.HALF_OUT, "left")),
    "half out, right": lambda s: (_half_out(s, "right"), (Trouble.HALF_OUT, "right")),
    "too dark": lambda s: (Drawn(s.plain(), stops=-s.rng.uniform(3.6, 5.5)), (Trouble.TOO_DARK, None)),
    "too bright": lambda s: (Drawn(s.plain(), stops=s.rng.uniform(3.5, 5.0)), (Trouble.TOO_BRIGHT, None)),
    "out of one camera's sight": lambda s: (_unseen_by(s, "right"), (Trouble.ONE_CAMERA, "right")),
    "one lens covered": lambda s: (Drawn(s.plain(), covered="left"), (Trouble.ONE_CAMERA, "left")),
    "no plate": lambda s: (Drawn(None), (Trouble.NO_PLATE, None)),
}


@dataclass(frozen=True)
class Told:
    """What was said, against what should have been."""

    kind: str
    wanted: Expected
    said: Expected
    headline: str
    drawn: Drawn | None = None


def begun(stage: Stage, *, single: bool) -> State:
    rig = stage.rig.described(stage.plate)
    return session.step(
        State(), opened(stage.plate, rig, CAMERAS, name="", at_ms=0.0, single_shots=single)
    )


def told_of(state: State, live: Live, at_ms: float) -> tuple[Expected, str]:
    from holdstill.phrases import say
    from holdstill.records import Rhythm

    advice = session.advise(state, live, Rhythm("stream", None, 9, proven=True, last_at_ms=at_ms), at_ms)
    found = live.trouble
    return (found.trouble, found.camera) if found is not None else (None, None), say(advice.headline)


def single_told(kind: str, seed: int) -> Told:
    """One shot taken on purpose."""
    stage = Stage(seed=seed)
    drawn, wanted = SINGLE[kind](stage)
    state = begun(stage, single=True)
    if kind == "out of focus, later":
        state = _three_kept(stage, state)
    report = stage.eye.look_at(stage.shot(drawn, 1, 1000.0, single=True))
    live = session.look(Live(), state, report)
    said, headline = told_of(state, live, 1000.0)
    return Told(kind, wanted, said, headline, drawn)


def _three_kept(stage: Stage, state: State) -> State:
    """Three good views, so that the session knows its own sharpness."""
    for number in (1, 2, 3):
        report = stage.eye.look_at(stage.shot(Drawn(stage.plain()), number, 100.0 * number, single=True))
        live = session.look(Live(), state, report)
        view = View(number, "v", 0.0, dict(live.sightings), pose_rig_from_plate=live.pose)
        state = session.step(state, ev.ViewKept(0.0, view, None))
    return state


def _elsewhere(stage: Stage, state: State, at_ms: float) -> State:
    """Another pose is asked for: the plate's top toward the cameras, farther away."""
    wish = Instruction(Lean.TOP, 35.0, Place.UPPER_LEFT, Reach.FARTHER, Roll.LYING)
    pose = pose_of(Held(0.0, 35.0, 0.0, -20.0, -20.0, 60.0), stage.thing, stage.rig)
    return session.step(state, ev.CueSet(at_ms, Cue(2, wish, pose, 0.3, "why.lean", best_gain=0.3)))


def stream_told(kind: str, seed: int) -> Told:
    """What a stream says: the plate moving under the pedal, the same pose again, the plate turned."""
    marks = tuple(Mark(c, r, MarkKind.LARGER) for c, r in ((2, 2), (3, 2), (2, 7)))
    stage = Stage(replace(demo_plate(), marks=marks), seed) if kind == "wrong way up" else Stage(seed=seed)
    state, live = begun(stage, single=False), Live()
    held = stage.plain(tilt_deg=12.0)
    number, at = 0, 1000.0

    def see(how: Held, live: Live, *, press: bool = False) -> Live:
        nonlocal number, at
        number, at = number + 1, at + 100.0
        report = stage.eye.look_at(stage.shot(Drawn(how), number, at, single=False))
        return replace(session.look(live, state, report), take_now=press)

    if kind == "moved":
        way = stage.rng.normal(0, 1, 6)
        way = way / np.linalg.norm(way[3:]) * stage.rng.uniform(1.0, 4.0)
        for step in range(3):
            live = see(Held.of(held.array() + step * way), live, press=step == 2)
        decision = session.judge(state, live, live.report)  # type: ignore[arg-type]
        said = decision.trouble if isinstance(decision, Refuse) else None
        return Told(kind, (Trouble.MOVED, None), (said, None), "")
    for _ in range(3):
        live = see(held, live)
    assert live.report is not None
    view = View(1, "v", at, dict(live.sightings), dict(live.report.measures), pose_rig_from_plate=live.pose)
    state = session.step(state, ev.ViewKept(at, view, None))
    if kind == "same as before":
        state = _elsewhere(stage, state, at - 3000.0)
        live, again, wanted = replace(live, guide=None), held, Trouble.SAME_AS_BEFORE
    else:
        state = _elsewhere(stage, state, at - 3000.0)
        again, wanted = replace(stage.plain(tilt_deg=25.0), turn_deg=held.turn_deg + 180.0), Trouble.TURNED
    for _ in range(14):
        live = see(again, live)
    said, headline = told_of(state, live, at)
    return Told(kind, (wanted, None), said, headline)


STREAM = ("moved", "same as before", "wrong way up")


def confusion(rows: list[Told]) -> dict[str, Counter[str]]:
    """By kind: how often each trouble was said, with the camera it named."""
    out: dict[str, Counter[str]] = {}
    for row in rows:
        trouble, camera = row.said
        word = "nothing" if trouble is None else trouble.value + (f" ({camera})" if camera else "")
        out.setdefault(row.kind, Counter())[word] += 1
    return out


def right(row: Told) -> bool:
    """Whether the trouble and, where it belongs to one camera, the camera were told."""
    return row.said[0] is row.wanted[0] and (row.wanted[1] is None or row.said[1] == row.wanted[1])

