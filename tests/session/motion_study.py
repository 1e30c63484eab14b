"""Streams of shots with a hand that moves, trembles, sways, starts and stops, at sighting level.

Each dot is where its image lies on average over the exposure, plus noise; how far it really travelled
during the exposure is known. The session's own ``look`` and ``judge`` decide, as for a person who
presses the pedal at every shot, so that nothing but stillness is in question.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from holdstill import session
from holdstill.geometry import rotation_matrix
from holdstill.limits import limit
from holdstill.loop.offline import opened
from holdstill.records import FloatArray, FrameMeasures, ShotReport, Sighting, Trouble
from holdstill.session import Keep, Live, Refuse, State
from holdstill.simulate import BenchSettings, Held, body, pose_of
from holdstill.simulate.optics import SimRig, moved
from holdstill.simulate.scene import PlateBody

SIGMA_PX = 0.05
WITHIN = 7
"""Instants within an exposure at which the dots are looked at."""
SECONDS = 4.0
TREMOR_BAND = np.array([0.83, 0.91, 0.97, 1.0, 1.04, 1.11, 1.19])
"""Tremor is no pure tone but a narrow band: its lines over its middle frequency."""
CLEARLY_STILL = 0.5
CALM_PX = 0.5
ARRIVED_PX = 1.0
SETTLED_S = 0.5
"""A shot is good when in no exposure from half a second before it until the next shot the dots would have
travelled further than `CLEARLY_STILL` of the limit, nor have moved further than `CALM_PX` from the shot
before or to the next: a plate that is held still, not one caught at a
turning point of its trembling, or just before it moves on."""


@dataclass(frozen=True)
class Hands:
    """One stretch of holding: sway and tremor (rms mm; Hz), moves (start s, seconds, way), knocks."""

    sway_mm: float
    tremor_mm: float
    tremor_hz: float
    phases: FloatArray
    rest: FloatArray
    moves: tuple[tuple[float, float, FloatArray], ...]
    knocks: tuple[tuple[float, FloatArray], ...]

    def at(self, t: FloatArray) -> FloatArray:
        """How the plate is held at times (n,): six numbers each (deg, mm), (n, 6)."""
        hertz = np.array([0.23, 0.41, 0.68, *(self.tremor_hz * TREMOR_BAND)])
        s, q = self.sway_mm, self.tremor_mm
        size = np.array([s, 0.6 * s, 0.3 * s, *[q / np.sqrt(len(TREMOR_BAND))] * len(TREMOR_BAND)])
        wave = np.sqrt(2.0) * np.sin(2 * np.pi * hertz * t[:, None, None] + self.phases) @ size
        wave[:, :3] *= 0.5
        six = self.rest + wave
        for start, seconds, way in self.moves:
            share = np.clip((t - start) / seconds, 0, 1)
            six = six + (share**3 * (10 - 15 * share + 6 * share**2))[:, None] * way
        for start, way in self.knocks:
            after = np.clip(t - start, 0, None)
            swing = np.exp(-after / 0.15) * np.sin(2 * np.pi * 6.0 * after)
            six = six + swing[:, None] * way
        return np.asarray(six)


def hands(rng: np.random.Generator) -> Hands:
    """A stretch drawn at random: from steady to shaky; moves of 0.3 to 60 mm; now and then a knock."""
    moves, at = [], float(rng.uniform(0.3, 1.2))
    while at < SECONDS:
        seconds = float(rng.uniform(0.25, 1.5))
        way = rng.normal(0, 1, 6) * [5, 5, 3, 1, 1, 1]
        way[3:] *= 10.0 ** rng.uniform(-0.5, 1.8)
        moves.append((at, seconds, way * (rng.uniform() if rng.uniform() < 0.5 else 1.0)))
        at += seconds + float(rng.uniform(0.2, 1.6))
    knocks = [(float(rng.uniform(0, SECONDS)), rng.normal(0, 1, 6) * [0.3, 0.3, 0.2, 2, 2, 1])]
    rest = np.array([*rng.uniform(-20, 20, 2), rng.uniform(-5, 5), *rng.uniform(-15, 15, 2), 0.0])
    return Hands(
        float(rng.uniform(0.02, 0.2)),
        10.0 ** float(rng.uniform(-2.3, -0.8)),
        float(rng.uniform(6.5, 12.0)),
        rng.uniform(0, 2 * np.pi, (6, 3 + len(TREMOR_BAND))),
        rest,
        tuple(moves),
        tuple(knocks if rng.uniform() < 0.3 else []),
    )


@dataclass(frozen=True)
class Judged:
    """One shot: how far the dots travelled during the exposure (px, worse camera), whether the plate was
    clearly held still, and what was decided on it (when the next one came)."""

    travel_px: float
    good: bool
    kept: bool
    trouble: Trouble | None


def judged(seed: int, *, exposure_ms: float, fps: float) -> Iterator[Judged]:
    """One stretch of holding before the demo's cameras, every shot but the last judged."""
    rng = np.random.default_rng(seed)
    for _, row in _stretch(hands(rng), rng, exposure_ms, fps):
        yield row


def _stretch(
    held: Hands, rng: np.random.Generator, exposure_ms: float, fps: float
) -> Iterator[tuple[float, Judged]]:
    """Each shot as judged, with the time (ms) at which the next one came and decided it."""
    settings = BenchSettings()
    thing, rig = body(settings.plate), settings.rig
    names = tuple(c.name for c in rig.cameras)
    state = session.step(
        State(),
        opened(settings.plate, rig.described(settings.plate), names, name="", at_ms=0.0, single_shots=False),
    )
    live, before = Live(), None
    points = thing.surface_mm(settings.plate.points_mm()[:, :2])
    few = points[[0, 13, 69, len(points) - 14, len(points) - 1]]

    def paths_of(instants: FloatArray, of: FloatArray) -> dict[str, FloatArray]:
        at = _placed(held.at(instants), of, thing, rig)
        return {c.name: c.project(at.reshape(-1, 3)).reshape(*at.shape[:2], 2) for c in rig.cameras}

    within = np.linspace(-0.5, 0.5, WITHIN) * exposure_ms / 1000.0
    ago = np.arange(-1.0 / fps, SETTLED_S, 0.017)
    times = np.arange(1, int(SECONDS * fps)) / fps + rng.normal(0, 0.001, int(SECONDS * fps) - 1)
    for number, t in enumerate(times, 1):
        paths = paths_of(t + within, points)
        travel = max(_travel_px(path) for path in paths.values())
        report = _report(number, 1000.0 * t, paths, exposure_ms, rng)
        live = replace(session.look(live, state, report), take_now=True)
        decision = session.judge(state, live, report)
        good = travel < CLEARLY_STILL * limit("still_blur_px") and _clearly_still(
            paths_of((t - ago[:, None] + within[[0, 3, 6]]).ravel(), few)
        )
        calm = _between_px(live) < CALM_PX
        if before is not None:
            kept = isinstance(decision, Keep)
            assert not kept or decision.earlier
            said = decision.trouble if isinstance(decision, Refuse) else None
            yield 1000.0 * t, Judged(before[0], before[1] and calm, kept, said)
        before = (travel, good and calm and number > SETTLED_S * fps)


def _clearly_still(paths: dict[str, FloatArray]) -> bool:
    """Whether in none of these exposures, three instants of each (3 E, N, 2), the dots would go far."""
    most = CLEARLY_STILL * limit("still_blur_px")
    each = (one for path in paths.values() for one in path.reshape(-1, 3, *path.shape[1:]))
    return all(_travel_px(one) < most for one in each)


def _placed(six: FloatArray, points: FloatArray, thing: PlateBody, rig: SimRig) -> FloatArray:
    """Plate points (N, 3) in the rig frame, mm, for n ways of holding (n, 6): (n, N, 3)."""
    zero = np.zeros(len(six))
    tilt_x, tilt_y, turn = np.radians(six[:, :3]).T
    turned = (
        rotation_matrix(np.stack([tilt_y, zero, zero], axis=1))
        @ rotation_matrix(np.stack([zero, tilt_x, zero], axis=1))
        @ rotation_matrix(np.stack([zero, zero, turn], axis=1))
    )
    about = points - np.array([*thing.centre_mm(), 0.0])
    in_bench = np.einsum("nij,pj->npi", turned, about) + six[:, None, 3:]
    return moved(in_bench.reshape(-1, 3), rig.pose_rig_from_bench).reshape(in_bench.shape)


def _between_px(live: Live) -> float:
    return max((s.shift_px for s in live.still.values()), default=np.inf)


def _travel_px(path: FloatArray) -> float:
    """Largest distance, rms over the dots, between any two instants of the exposure (WITHIN, N, 2)."""
    apart = path[:, None] - path[None]
    return float(np.sqrt((apart**2).sum(axis=3).mean(axis=2)).max())


def _report(
    number: int, at_ms: float, paths: dict[str, FloatArray], exposure_ms: float, rng: np.random.Generator
) -> ShotReport:
    sightings, measures = {}, {}
    for name, path in paths.items():
        px = path.mean(axis=0) + rng.normal(0, SIGMA_PX, path.shape[1:])
        n = len(px)
        rim = px[[0, 13, n - 1, n - 14]]
        sightings[name] = Sighting(
            name, (1280, 1024), np.arange(n, dtype=np.int32), px, np.full(n, SIGMA_PX),
            np.zeros(n, np.int32), np.zeros(0, np.int32), rim, absolute=True, blur_px=0.7,
        )  # fmt: skip
        measures[name] = FrameMeasures(
            name, 100.0, 1.0, (), (0, 0), None, 0.0, 0.0, 0.0, 255.0, 0.95, 0.1, 0.9, 1.0
        )
    return ShotReport(
        number, f"shot {number}", at_ms, False, sightings, measures, {},
        dict.fromkeys(sightings, (1280, 1024)), {}, exposure_ms=dict.fromkeys(sightings, exposure_ms),
    )  # fmt: skip


@dataclass(frozen=True)
class Tally:
    """Counts over many shots. `worst_kept_px`: the largest travel of a shot that was kept."""

    shots: int
    moving: int
    moving_kept: int
    good: int
    good_refused: int
    worst_kept_px: float


def tally(first_seed: int, stretches: int, *, exposure_ms: float, fps: float = 10.0) -> Tally:
    """Every shot of so many stretches of holding."""
    rows = [
        row
        for seed in range(first_seed, first_seed + stretches)
        for row in judged(seed, exposure_ms=exposure_ms, fps=fps)
    ]
    moving = [r for r in rows if r.travel_px > limit("still_blur_px")]
    good = [r for r in rows if r.good]
    return Tally(
        len(rows),
        len(moving),
        sum(r.kept for r in moving),
        len(good),
        sum(not r.kept for r in good),
        max((r.travel_px for r in rows if r.kept), default=0.0),
    )


def still_to_taken_ms(
    seed: int, *, exposure_ms: float = 2.0, fps: float = 10.0, held_before_s: float = 1.0
) -> float:
    """Simulated time from the plate being still until the shot that takes the view has come, ms.

    A careful hand (sway 0.1 mm, tremor 0.012 mm) carries the plate to its place and holds it, after it
    has held it elsewhere for `held_before_s` and a little (0: the first view of a session). Still:
    from then on the dots move by less than `ARRIVED_PX` from frame to frame and travel less than
    the limit in an exposure. Inf when no view is taken within the stretch.
    """
    rng = np.random.default_rng(seed)
    arrives = held_before_s + float(rng.uniform(1.0, 1.5))
    way = np.array([*rng.normal(0, 8, 2), 0.0, *rng.normal(0, 25, 3)])
    rest = np.array([*rng.uniform(-20, 20, 2), 0.0, *rng.uniform(-12, 12, 2), 0.0]) - way
    held = Hands(
        0.1, 0.012, float(rng.uniform(8, 10)), rng.uniform(0, 2 * np.pi, (6, 3 + len(TREMOR_BAND))),
        rest, ((arrives - 0.9, 0.9, way),), (),
    )  # fmt: skip
    still = 1000.0 * _still_from_s(held, arrives, exposure_ms, fps)
    shots = _stretch(held, rng, exposure_ms, fps)
    return next((float(at - still) for at, row in shots if row.kept and at > still), np.inf)


def _still_from_s(held: Hands, arrives_s: float, exposure_ms: float, fps: float) -> float:
    settings = BenchSettings()
    thing, camera = body(settings.plate), settings.rig.cameras[0]
    points = thing.surface_mm(settings.plate.points_mm()[:, :2])[[0, 13, 69, 126, 139]]

    def px(at: float) -> FloatArray:
        pose = pose_of(Held.of(held.at(np.array([at]))[0]), thing, settings.rig)
        return camera.project(moved(points, pose))

    def far(a: float, b: float) -> float:
        return float(np.sqrt(((px(a) - px(b)) ** 2).sum(axis=1).mean()))

    still = arrives_s
    while (
        still > arrives_s - 0.9
        and far(still, still + 1.0 / fps) < ARRIVED_PX
        and far(still, still + exposure_ms / 1000.0) < limit("still_blur_px")
    ):
        still -= 0.01
    return still
