"""The sample frames: a good set of stereo shots, and one of each trouble, drawn by the exact path."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from holdstill.records import FloatArray, Picture, Plate, PlateKind

from .backdrop import Level, backdrop
from .hand import holding, laid_over
from .held import Held, pose_of
from .light import GLARING, OBLIQUE
from .optics import SimCamera, SimRig, binned, demo_rig
from .render import Blur, exact, true_points_px
from .scene import PlateBody, body
from .sensor import Sensor, exposed
from .setting import Setting

GOOD, TROUBLE = "good", "trouble"
SENSOR = Sensor(full_well_e=24000.0, read_noise_e=6.0)
"""8 bits from a sensor with a deep well, so that the noise costs few bytes in a PNG."""
USUAL_EXPOSURE = 1.08
"""Puts the dots of the plate just at clipping where the light is strongest."""


@dataclass(frozen=True, slots=True)
class Spoil:
    """What is wrong with a shot; all at rest: a good one."""

    kind: str = ""
    cameras: tuple[str, ...] = ("left", "right")
    """Cameras of which there is a file."""
    glare: bool = False
    finger: bool = False
    defocus_mm: float = 0.0
    f_number: float | None = None
    motion_px: tuple[float, float] = (0.0, 0.0)
    right_later: Held | None = None
    """How far the plate had moved on when the right camera's picture was taken."""
    exposure: float = 1.0
    plate: Plate | None = None
    covered: str = ""
    """Camera before whose lens something dark and out of focus hangs."""
    cut: bool = False
    """The left camera's file ends half way."""


@dataclass(frozen=True, slots=True)
class SampleShot:
    """One shot: folder, number in the file names, how the plate is held, what is wrong."""

    folder: str
    number: int
    held: Held
    spoil: Spoil = field(default_factory=Spoil)


@dataclass(frozen=True, slots=True, eq=False)
class SampleFrame:
    """One file: folder, name, picture, and whether it ends half way."""

    shot: SampleShot
    camera: str
    picture: Picture

    @property
    def file_name(self) -> str:
        """``fork_left_001.png``."""
        return f"fork_{self.camera}_{self.shot.number:03d}.png"


def sample_plate() -> Plate:
    """``dots 14x10 12mm d6mm bright``."""
    return Plate(PlateKind.DOTS, 14, 10, 12.0, 6.0, dark_dots=False)


def sample_rig() -> SimRig:
    """The demo's rig read out with 2 x 2 pixels as one: 640 x 512 of 9.6 um."""
    rig = demo_rig()
    return replace(rig, cameras=tuple(binned(c, 2) for c in rig.cameras))


def until_the_edge(
    held: Held, toward: tuple[float, float], thing: PlateBody, rig: SimRig, room_px: float = 18.0
) -> Held:
    """The plate pushed (right, down) until its dots almost touch the edge of the first picture.

    room_px: how near the outermost dots' centres come to the border of any camera's picture.
    Raises ValueError when the plate does not fit into the pictures even before it is pushed.
    """
    way = np.array(toward) / np.hypot(*toward)
    low, high = 0.0, 150.0
    if _room_px(held, thing, rig) < room_px:
        raise ValueError(f"{held} does not fit the pictures: {_room_px(held, thing, rig):.1f} px of room")
    for _ in range(30):
        middle = (low + high) / 2
        pushed = replace(held, x_mm=held.x_mm + middle * way[0], y_mm=held.y_mm + middle * way[1])
        low, high = (middle, high) if _room_px(pushed, thing, rig) >= room_px else (low, middle)
    return replace(held, x_mm=held.x_mm + low * way[0], y_mm=held.y_mm + low * way[1])


def _room_px(held: Held, thing: PlateBody, rig: SimRig) -> float:
    """Distance of the outermost point from the nearest border, over all cameras, px."""
    setting = Setting(rig, thing, pose_of(held, thing, rig))
    rooms = []
    for camera in rig.cameras:
        px = true_points_px(setting, camera)
        size = np.array(camera.lens.size_px) - 1
        rooms.append(float(np.minimum(px, size - px).min()))
    return min(rooms)


def good_shots(rig: SimRig, thing: PlateBody) -> tuple[SampleShot, ...]:
    """Fourteen views: leaned by 20-30 degrees every way, pushed to borders and corners, nearer and
    farther, lying and upright."""
    plans: tuple[tuple[Held, tuple[float, float] | None], ...] = (
        (Held(3, -2, 1, 0, 0, 0), None),
        (Held(-25, 2, -2, 0, 0, 8), (-1.0, -0.6)),
        (Held(26, -3, 2, 0, 0, 8), (1.0, 0.7)),
        (Held(2, 24, 1, 0, 0, 12), (-0.8, 1.0)),
        (Held(-2, -25, -3, 0, 0, 12), (0.9, -1.0)),
        (Held(-20, 19, 4, 0, 0, 14), (1.0, -0.8)),
        (Held(21, 18, -4, 0, 0, 14), (-1.0, 0.8)),
        (Held(13, -27, 3, 0, 0, 16), (-1.0, -0.9)),
        (Held(-12, -27, -5, 0, 0, 16), (0.9, 1.0)),
        (Held(24, 4, 91, 0, 0, 85), (0.8, -1.0)),
        (Held(-24, 6, 88, 0, 0, 85), (-0.9, 1.0)),
        (Held(4, -22, 90, 0, 0, 85), (1.0, 0.5)),
        (Held(12, 9, 2, 0, 0, -28), None),
        (Held(-11, 14, -1, 0, 0, 44), (1.0, 1.0)),
    )
    shots = []
    for number, (held, toward) in enumerate(plans, 1):
        placed = held if toward is None else until_the_edge(held, toward, thing, rig)
        shots.append(SampleShot(GOOD, number, placed))
    return tuple(shots)


def trouble_shots(rig: SimRig, thing: PlateBody) -> tuple[SampleShot, ...]:
    """Two good shots, then one of each trouble."""
    wrong = Plate(PlateKind.DOTS, 18, 13, 9.5, 4.5, dark_dots=False)
    kinds = (
        (Held(8, -6, 1, 2, 1, 4), Spoil()),
        (Held(-18, 9, -2, -6, 4, 10), Spoil()),
        (Held(2, 1, 0, 1, 3, 2), Spoil("glare", glare=True)),
        (Held(9, 11, 2, 4, -3, 6), Spoil("finger over dots", finger=True)),
        (Held(-10, -8, 1, 2, 2, 4), Spoil("out of focus, aperture open", defocus_mm=-250.0, f_number=2.8)),
        (Held(13, 4, 0, -3, 0, 6), Spoil("moved while exposing", motion_px=(7.0, 3.0))),
        (
            Held(-6, 15, 1, 3, 2, 8),
            Spoil("cameras not at one instant", right_later=Held(2.5, -1.5, 0, 6, 4, 0)),
        ),
        (Held(10, -12, 2, 1, -2, 6), Spoil("too dark", exposure=0.06)),
        (Held(-12, 6, -1, 2, 3, 6), Spoil("too bright", exposure=14.0)),
        (Held(3, -5, 1, -16, 3, -110), Spoil("half out of the right picture")),
        (Held(7, 7, 1, 0, 0, 6), Spoil("wrong plate", plate=wrong)),
        (Held(-8, 12, 0, -2, 1, 6), Spoil("left file cut off", cut=True)),
        (Held(14, -5, 0, 3, 2, 6), Spoil("no right file", cameras=("left",))),
        (Held(-4, 3, 0, 2, 0, 5), Spoil("left lens covered by a sleeve", covered="left")),
    )
    return tuple(SampleShot(TROUBLE, 1 + n, held, spoil) for n, (held, spoil) in enumerate(kinds))


def frames(seed: int) -> Iterator[SampleFrame]:
    """Every sample frame, in order. Each has a generator of its own, made from the seed, its folder,
    number and camera: the same seed and versions give the same pictures, in any order."""
    rig = sample_rig()
    thing = body(sample_plate())
    behind = {c.name: backdrop(c, rig.pose_rig_from_bench) for c in rig.cameras}
    for shot in (*good_shots(rig, thing), *trouble_shots(rig, thing)):
        for camera in rig.cameras:
            if camera.name in shot.spoil.cameras:
                yield frame(seed, shot, camera, rig, behind[camera.name])


def frame(seed: int, shot: SampleShot, camera: SimCamera, rig: SimRig, behind: Level) -> SampleFrame:
    """One sample frame; `behind`: the view without plate (`backdrop.backdrop`)."""
    place = [
        (GOOD, TROUBLE).index(shot.folder),
        shot.number,
        [c.name for c in rig.cameras].index(camera.name),
    ]
    rng = np.random.default_rng([seed, *place])
    return SampleFrame(shot, camera.name, _picture(shot, camera, rig, behind, rng))


def _picture(
    shot: SampleShot, camera: SimCamera, rig: SimRig, behind: Level, rng: np.random.Generator
) -> Picture:
    spoil = shot.spoil
    if spoil.covered == camera.name:
        return exposed(_sleeve(camera), SENSOR, rng)
    thing = body(spoil.plate or sample_plate())
    held = shot.held
    if spoil.right_later is not None and camera.name == "right":
        held = Held.of(held.array() + spoil.right_later.array())
    limbs = holding(thing, turn_deg=held.turn_deg, rest=float(np.sin(2.4 * shot.number)))
    if spoil.finger:
        plate = thing.plate
        limbs = (*limbs, laid_over(thing, plate.columns * 0.62, plate.rows * 0.40))
    lamps = (*OBLIQUE, GLARING) if spoil.glare else OBLIQUE
    setting = Setting(
        rig, thing, pose_of(held, thing, rig), lamps, limbs, exposure=USUAL_EXPOSURE * spoil.exposure
    )
    eye = replace(
        camera, focus_mm=camera.focus_mm + spoil.defocus_mm, f_number=spoil.f_number or camera.f_number
    )
    return exact(setting, eye, SENSOR, rng, blur=Blur(motion_px=spoil.motion_px), behind=behind)


def _sleeve(camera: SimCamera) -> FloatArray:
    """Level of a lens covered by dark cloth: a dull slope without any edge."""
    width, height = camera.lens.size_px
    across, down = np.linspace(0.6, 1.4, width), np.linspace(1.2, 0.8, height)
    return np.asarray(0.045 * down[:, None] * across)


def truth(rig: SimRig, thing: PlateBody) -> dict[str, object]:
    """The true calibration and the true poses, as plain data; units and frames in the names."""
    shots = (*good_shots(rig, thing), *trouble_shots(rig, thing))
    return {
        "about": "true values behind the sample frames; pose_a_from_b: x_a = R x_b + t",
        "cameras": [_camera_truth(c) for c in rig.cameras],
        "stand_off_mm": rig.stand_off_mm,
        "shots": [
            {
                "folder": s.folder,
                "number": s.number,
                "trouble": s.spoil.kind,
                "pose_rig_from_plate": _pose_truth(pose_of(s.held, thing, rig).arrays()),
            }
            for s in shots
        ],
    }


def _camera_truth(camera: SimCamera) -> dict[str, object]:
    lens = camera.lens
    return {
        "name": camera.name,
        "size_px": list(lens.size_px),
        "fx": lens.fx,
        "fy": lens.fy,
        "cx": lens.cx,
        "cy": lens.cy,
        "distortion": {"k1": lens.k1, "k2": lens.k2, "p1": lens.p1, "p2": lens.p2, "k3": lens.k3},
        "pose_cam_from_rig": _pose_truth(camera.pose_cam_from_rig.arrays()),
    }


def _pose_truth(pose: tuple[FloatArray, FloatArray]) -> dict[str, list[float]]:
    rotation, translation = ([float(v) for v in part] for part in pose)
    return {"rotation_vector_rad": rotation, "translation_mm": translation}


def png(picture: Picture, *, cut: bool = False) -> bytes:
    """PNG of a picture, strongest compression; `cut`: only its first half, as a broken copy leaves it."""
    done, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    if not done:
        raise RuntimeError("OpenCV could not encode a PNG")
    encoded = data.tobytes()
    return encoded[: len(encoded) // 2] if cut else encoded
