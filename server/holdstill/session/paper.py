"""The rig on paper: what a described rig will see, how sharp, how exactly; and which lens for a field.

Pure: a `Rig` in, a `PaperRig` out.  Every formula is one of ``measure.optics``; what was not said
is filled in from ``geometry.nominal`` and named in `PaperRig.assumed`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from holdstill.geometry.nominal import (
    FOCAL_MM,
    PLATE_SHARE,
    SENSOR_PX,
    SENSOR_WIDTH_MM,
    STAND_OFF_MM,
    STEREO_ANGLE_DEG,
    nominal_poses_cam_from_rig,
)
from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.records import CameraDescription, Nothing, Plate, PlateKind, Rig, Say
from holdstill.target import parse
from holdstill.target.drawing import drawn_diameter_mm

from .common_volume import CommonVolume, Sight, common_field_mm, common_volume
from .paper_notes import notes

F_NUMBER = 8.0
"""Aperture taken when none was said: middle apertures, f/5.6 to f/11, are customary."""
USUAL_LENSES_MM = (4.0, 6.0, 8.0, 12.0, 16.0, 25.0, 35.0, 50.0, 75.0, 100.0)
"""Focal lengths that are commonly made for such cameras (common practice)."""
_CAMERA_KEYS = ("width_px", "height_px", "pixel_um", "f_number")


@dataclass(frozen=True, slots=True)
class CameraOnPaper:
    """One camera: what it sees at the stand-off, and how sharp.

    field_mm: width and height. sharp, usable: depth of field at `paper_sharp_px` and at
    `plan_blur_px` of blur circle. airy_um, airy_px: Airy disc at the working f-number;
    smallest_aperture: largest f-number whose disc stays within `paper_airy_px`.
    longest_exposure_ms: until a plate held in the hands blurs by `still_blur_px`.
    """

    name: str
    size_px: tuple[int, int]
    pixel_um: float
    focal_mm: float
    f_number: float
    exposure_ms: float | None
    field_mm: tuple[float, float]
    image_scale_um_per_px: float
    sharp: optics.DepthOfField
    usable: optics.DepthOfField
    working_f_number: float
    airy_um: float
    airy_px: float
    smallest_aperture: float
    longest_exposure_ms: float


@dataclass(frozen=True, slots=True)
class TargetOnPaper:
    """A target at the crossing point, square to the middle of the axes.

    size_mm: span of its points. share: of the fields' common width and height that it spans.
    dot_px: dot diameter in the picture (None for boards). tilt_sharp_deg, tilt_usable_deg:
    largest tilt (about the upright axis, about the level axis) with every point inside the depth
    of field of every camera, at `paper_sharp_px` and at `plan_blur_px`; 0 when it does not fit
    even when held square.
    """

    plate: Plate
    said: bool
    size_mm: tuple[float, float]
    share: tuple[float, float]
    dot_px: float | None
    tilt_sharp_deg: tuple[float, float]
    tilt_usable_deg: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PairOnPaper:
    """Neighbouring cameras.

    baseline_mm: between the entrance pupils. square_stand_off_mm: from the middle of the baseline
    to the crossing point (the stand-off itself runs along the axes). in_plane_um,
    out_of_plane_um: noise of a displacement, one sigma; strain_noise: of a two-point gauge of
    `gauge_mm`, one sigma, dimensionless; all for a matching noise of `match_sigma_px`.
    """

    stereo_angle_deg: float
    baseline_mm: float
    square_stand_off_mm: float
    out_of_plane_ratio: float
    match_sigma_px: float
    in_plane_um: float
    out_of_plane_um: float
    gauge_mm: float
    strain_noise: float


@dataclass(frozen=True, slots=True)
class FieldWanted:
    """Back from a field of view: the lens that sees it at the stand-off, the stand-off at which
    the lens sees it (both exactly), and (lens, stand-off) for each usual lens; mm."""

    field_mm: float
    exact_focal_mm: float
    exact_stand_off_mm: float
    stand_offs_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class PaperRig:
    """The rig on paper; see the parts. `rig`: with everything filled in.

    assumed: what was not said, by the rig file's names. common_field_mm: rectangle inside every
    picture at the crossing point. common, common_usable: seen sharp by all, at `paper_sharp_px`
    and `plan_blur_px`. target_sizes_mm: smallest and largest target to use (width, height).
    """

    rig: Rig
    assumed: tuple[str, ...]
    stand_off_mm: float
    cameras: tuple[CameraOnPaper, ...]
    sights: tuple[Sight, ...]
    pair: PairOnPaper | None
    common_field_mm: tuple[float, float]
    common: CommonVolume
    common_usable: CommonVolume
    target_sizes_mm: tuple[tuple[float, float], tuple[float, float]]
    target: TargetOnPaper
    wanted: FieldWanted | None
    notes: tuple[Say, ...]


def on_paper(rig: Rig, *, field_mm: float | None = None) -> PaperRig | Nothing:
    """What `rig` will do, before anything is built.

    rig
        As described; anything may be None.  Without cameras, two are taken (left and right).
    field_mm
        Wanted width of the first camera's field at the stand-off, mm.  A lens or stand-off that
        was not said is chosen for it: with a stand-off alone the longest usual lens that sees that
        much, give or take `paper_field_off`, else the stand-off that suits the lens (25 mm if not
        said).  When both were said they stand, and `wanted` tells what would suit.  Without it, a
        target that was said is made to cover 75 % of the width.

    Returns `PaperRig`, or Nothing("nearer than the focal length") / Nothing("parallel axes").  A
    thin lens stands for the real one, focused at the stand-off: about a percent from ten focal
    lengths on; not for macro work or telecentric lenses.  Raises ValueError for values that are
    not positive (a rig file's reader refuses them before).
    """
    full, assumed, wanted = _filled(rig, field_mm)
    stand_off, angle = _had(full.stand_off_mm), _had(full.stereo_angle_deg)
    for camera in full.cameras:
        if stand_off <= _had(camera.focal_mm):
            return Nothing(
                "nearer than the focal length",
                {"stand_off_mm": stand_off, "focal_mm": _had(camera.focal_mm)},
            )
    if len(full.cameras) > 1 and angle <= 0:
        return Nothing("parallel axes", {"stereo_angle_deg": angle})
    cameras = tuple(_camera(camera, stand_off) for camera in full.cameras)
    angles = _angles_deg(full)
    sights = tuple(_sight(c, a, stand_off, c.sharp) for c, a in zip(cameras, angles, strict=True))
    usable = tuple(_sight(c, a, stand_off, c.usable) for c, a in zip(cameras, angles, strict=True))
    common = common_field_mm(sights)
    sizes = tuple(
        (limit(name) * common[0], limit(name) * common[1])
        for name in ("paper_target_least", "paper_target_most")
    )
    plate = full.plate or _suggested(sizes[1])
    result = PaperRig(
        rig=full,
        assumed=assumed,
        stand_off_mm=stand_off,
        cameras=cameras,
        sights=sights,
        pair=_pair(cameras, stand_off, angle) if len(cameras) > 1 else None,
        common_field_mm=common,
        common=common_volume(sights),
        common_usable=common_volume(usable),
        target_sizes_mm=(sizes[0], sizes[1]),
        target=_target(plate, full.plate is not None, common, cameras, sights, usable),
        wanted=wanted,
        notes=(),
    )
    return replace(result, notes=notes(result))


def _filled(rig: Rig, field_mm: float | None) -> tuple[Rig, tuple[str, ...], FieldWanted | None]:
    """The rig with nothing left open but exposure, volume and plate; what was assumed; the way back."""
    assumed = [] if rig.cameras else ["cameras"]
    cameras = []
    for described in rig.cameras or (CameraDescription("left"), CameraDescription("right")):
        assumed += [key for key in _CAMERA_KEYS if getattr(described, key) is None]
        cameras.append(_completed(described))
    if len(cameras) > 1 and rig.stereo_angle_deg is None:
        assumed.append("stereo_angle_deg")
    angle = STEREO_ANGLE_DEG if rig.stereo_angle_deg is None else rig.stereo_angle_deg
    first = cameras[0]
    pixels, pixel_um = int(_had(first.width_px)), _had(first.pixel_um)
    aim = field_mm
    if aim is None and rig.plate is not None and (rig.stand_off_mm is None or first.focal_mm is None):
        aim = max(_outer_mm(rig.plate)) / PLATE_SHARE
    focal, stand_off = first.focal_mm, rig.stand_off_mm
    if focal is None:
        assumed.append("focal_mm")
        focal = FOCAL_MM
        if aim is not None and stand_off is not None:
            exact = optics.lens_for(aim, pixels, pixel_um, stand_off)
            longest = exact * (1.0 + limit("paper_field_off"))
            focal = max((lens for lens in USUAL_LENSES_MM if lens <= longest), default=exact)
    if stand_off is None:
        assumed.append("stand_off_mm")
        stand_off = STAND_OFF_MM
        if aim is not None:
            stand_off = round(optics.stand_off_for(aim, pixels, pixel_um, focal), 1)
    cameras = [replace(c, focal_mm=c.focal_mm or focal) for c in cameras]
    full = replace(rig, cameras=tuple(cameras), stand_off_mm=stand_off, stereo_angle_deg=angle)
    wanted = None
    if field_mm is not None:
        wanted = FieldWanted(
            field_mm,
            optics.lens_for(field_mm, pixels, pixel_um, stand_off),
            optics.stand_off_for(field_mm, pixels, pixel_um, focal),
            tuple((f, optics.stand_off_for(field_mm, pixels, pixel_um, f)) for f in USUAL_LENSES_MM),
        )
    return full, tuple(dict.fromkeys(assumed)), wanted


def _completed(described: CameraDescription) -> CameraDescription:
    """The camera with size, pixel and aperture filled in."""
    width = described.width_px or SENSOR_PX[0]
    return replace(
        described,
        width_px=width,
        height_px=described.height_px or round(width * SENSOR_PX[1] / SENSOR_PX[0]),
        pixel_um=described.pixel_um or round(1000.0 * SENSOR_WIDTH_MM / width, 2),
        f_number=described.f_number or F_NUMBER,
    )


def _camera(c: CameraDescription, stand_off_mm: float) -> CameraOnPaper:
    size = (int(_had(c.width_px)), int(_had(c.height_px)))
    pixel_um, focal_mm, f_number = _had(c.pixel_um), _had(c.focal_mm), _had(c.f_number)
    scale = optics.image_scale_um_per_px(focal_mm, stand_off_mm, pixel_um)
    working = optics.working_f_number(f_number, focal_mm, stand_off_mm)
    airy = optics.airy_diameter_um(working)
    most = optics.diffraction_limited_f_number(pixel_um, disc_px=limit("paper_airy_px"))
    depth = {
        name: optics.depth_of_field(focal_mm, f_number, stand_off_mm, limit(name) * pixel_um / 1000.0)
        for name in ("paper_sharp_px", "plan_blur_px")
    }
    return CameraOnPaper(
        name=c.name,
        size_px=size,
        pixel_um=pixel_um,
        focal_mm=focal_mm,
        f_number=f_number,
        exposure_ms=c.exposure_ms,
        field_mm=optics.field_of_view_mm(size, focal_mm, stand_off_mm, pixel_um),
        image_scale_um_per_px=scale,
        sharp=depth["paper_sharp_px"],
        usable=depth["plan_blur_px"],
        working_f_number=working,
        airy_um=airy,
        airy_px=airy / pixel_um,
        smallest_aperture=most * f_number / working,
        longest_exposure_ms=optics.longest_exposure_ms(
            limit("paper_tremor_mm_per_s"), scale, limit("still_blur_px")
        ),
    )


def _had(value: float | None) -> float:
    """A value that `_filled` has filled in."""
    assert value is not None
    return value


def _angles_deg(rig: Rig) -> list[float]:
    """Where each camera stands, degrees to the right of the middle, in the nominal order."""
    poses = nominal_poses_cam_from_rig(rig, [c.name for c in rig.cameras])
    angles = [math.degrees(pose.rotation_vector_rad[1]) for pose in poses.values()]
    return [angle - sum(angles) / len(angles) for angle in angles]


def _sight(camera: CameraOnPaper, angle_deg: float, stand_off_mm: float, depth: optics.DepthOfField) -> Sight:
    return Sight(
        angle_deg,
        stand_off_mm,
        camera.field_mm[0] / 2.0 / stand_off_mm,
        camera.field_mm[1] / 2.0 / stand_off_mm,
        depth.near_mm,
        depth.far_mm,
    )


def _pair(cameras: Sequence[CameraOnPaper], stand_off_mm: float, angle_deg: float) -> PairOnPaper:
    square = stand_off_mm * math.cos(math.radians(angle_deg) / 2.0)
    scale = max(camera.image_scale_um_per_px for camera in cameras)
    sigma = limit("paper_match_sigma_px")
    noise = optics.stereo_noise(sigma, scale, angle_deg)
    gauge = limit("paper_gauge_px") * scale / 1000.0
    return PairOnPaper(
        stereo_angle_deg=angle_deg,
        baseline_mm=optics.baseline_mm(square, angle_deg),
        square_stand_off_mm=square,
        out_of_plane_ratio=optics.out_of_plane_ratio(angle_deg),
        match_sigma_px=sigma,
        in_plane_um=noise.in_plane_um,
        out_of_plane_um=noise.out_of_plane_um,
        gauge_mm=gauge,
        strain_noise=optics.strain_noise(noise.in_plane_um, gauge),
    )


def _outer_mm(plate: Plate) -> tuple[float, float]:
    """Width and height of a plate's points, and for a board of its squares (mm)."""
    border = 2.0 if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO) else 0.0
    wide, high = plate.size_mm()
    return wide + border * plate.pitch_mm, high + border * plate.pitch_mm


def _suggested(most_mm: tuple[float, float]) -> Plate:
    """A coded plate of 14 x 10 dots, as large as fits into `most_mm`, its pitch a handy number."""
    pitch = min(most_mm[0] / 13.0, most_mm[1] / 9.0)
    step = 10.0 ** math.floor(math.log10(pitch)) / 20.0
    handy = math.floor(pitch / step) * step
    return parse(f"coded-dots 14x10 {handy:.6f}mm")


def _target(
    plate: Plate,
    said: bool,
    common_mm: tuple[float, float],
    cameras: Sequence[CameraOnPaper],
    sharp: Sequence[Sight],
    usable: Sequence[Sight],
) -> TargetOnPaper:
    size = _outer_mm(plate)
    scale = max(camera.image_scale_um_per_px for camera in cameras)
    board = plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    dot = None if board else drawn_diameter_mm(plate)
    return TargetOnPaper(
        plate=plate,
        said=said,
        size_mm=size,
        share=(size[0] / common_mm[0], size[1] / common_mm[1]),
        dot_px=None if dot is None else dot * 1000.0 / scale,
        tilt_sharp_deg=_tilts_deg(size, sharp),
        tilt_usable_deg=_tilts_deg(size, usable),
    )


def _tilts_deg(size_mm: tuple[float, float], sights: Sequence[Sight]) -> tuple[float, float]:
    """Largest tilt about the upright and about the level axis, degrees, 0..90.

    A camera that stands ``a`` off the middle sees a plate turned by t about the upright axis turned
    by ``t + a``; one turned about the level axis has a corner ``x sin(a) + y cos(a) sin(t)`` nearer
    than the crossing point (geometry).
    """
    upright, level = 90.0, 90.0
    for sight in sights:
        depth = optics.DepthOfField(sight.near_mm, sight.far_mm, math.inf)
        aside = math.radians(abs(sight.angle_deg))
        half_width, half_height = size_mm[0] / 2.0, size_mm[1] / 2.0
        most = optics.sharp_tilt_deg(depth, sight.stand_off_mm, half_width)
        if most < 90.0:
            upright = min(upright, most - abs(sight.angle_deg))
        lost = half_width * math.sin(aside)
        rest = replace(depth, near_mm=depth.near_mm + lost, far_mm=depth.far_mm - lost)
        level = min(level, optics.sharp_tilt_deg(rest, sight.stand_off_mm, half_height * math.cos(aside)))
    return max(upright, 0.0), max(level, 0.0)
