"""What speaks against a rig on paper, and the next step for each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import Say

if TYPE_CHECKING:
    from .paper import CameraOnPaper, PaperRig

_STOPS = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)
"""The full stops of a lens's aperture ring."""


def notes(paper: PaperRig) -> tuple[Say, ...]:
    """Sentences about everything that lies outside what is customary or possible; empty: fine."""
    return (*_cameras(paper), *_pair(paper), *_target(paper), *_wanted(paper))


def _cameras(paper: PaperRig) -> list[Say]:
    """Once for all cameras of which the same is true."""
    names: dict[tuple[str, tuple[tuple[str, float], ...]], list[str]] = {}
    for camera in paper.cameras:
        for key, values in _camera(camera, paper.stand_off_mm):
            names.setdefault((key, tuple(values.items())), []).append(camera.name)
    link = say(Say("paper.and"))
    return [Say(key, {"cameras": link.join(who), **dict(values)}) for (key, values), who in names.items()]


def _camera(c: CameraOnPaper, stand_off_mm: float) -> list[tuple[str, dict[str, float]]]:
    found = []
    least_mm = limit("paper_thin_lens") * c.focal_mm
    if stand_off_mm < least_mm:
        found.append(("paper.note.near", {"least_mm": least_mm}))
    if c.airy_px > limit("paper_airy_px"):
        open_to = max((f for f in _STOPS if f <= c.smallest_aperture), default=_STOPS[0])
        values = {"f_number": c.f_number, "airy_px": c.airy_px, "open_to": open_to}
        found.append(("paper.note.aperture", values))
    if c.exposure_ms is not None and c.exposure_ms > c.longest_exposure_ms:
        found.append(("paper.note.exposure", {"got_ms": c.exposure_ms, "most_ms": c.longest_exposure_ms}))
    return found


def _pair(paper: PaperRig) -> list[Say]:
    pair, rig = paper.pair, paper.rig
    if pair is None:
        return [Say("paper.note.single")]
    found = []
    least, most = limit("paper_angle_least_deg"), limit("paper_angle_most_deg")
    if not least <= pair.stereo_angle_deg <= most:
        key = "paper.note.narrow" if pair.stereo_angle_deg < least else "paper.note.wide"
        values = {
            "angle_deg": pair.stereo_angle_deg, "least_deg": least, "most_deg": most,
            "ratio": pair.out_of_plane_ratio,
        }  # fmt: skip
        found.append(Say(key, values))
    if rig.goal_displacement_um is not None and pair.out_of_plane_um > rig.goal_displacement_um:
        found.append(
            Say("paper.note.goal", {"goal_um": rig.goal_displacement_um, "noise_um": pair.out_of_plane_um})
        )
    if rig.volume_mm is not None:
        for word, wanted, has in zip(
            ("width", "height", "depth"), rig.volume_mm, _room_mm(paper), strict=True
        ):
            if wanted > has:
                found.append(Say(f"paper.note.volume.{word}", {"wanted_mm": wanted, "has_mm": has}))
    return found


def _room_mm(paper: PaperRig) -> tuple[float, float, float]:
    """Width and height of the common field; depth that every camera keeps usable at the crossing."""
    depth = 2.0 * min(
        min(c.usable.far_mm - paper.stand_off_mm, paper.stand_off_mm - c.usable.near_mm)
        / math.cos(math.radians(s.angle_deg))
        for c, s in zip(paper.cameras, paper.sights, strict=True)
    )
    return (*paper.common_field_mm, depth)


def _target(paper: PaperRig) -> list[Say]:
    target, found = paper.target, []
    share = max(target.share)
    values = {"share": 100.0 * share, "least": 100.0 * limit("paper_target_least"),
              "most": 100.0 * limit("paper_target_most")}  # fmt: skip
    if share > limit("plate_most_coverage"):
        found.append(Say("paper.note.target-big", values))
    elif share < limit("plate_least_coverage"):
        found.append(Say("paper.note.target-small", values))
    if target.dot_px is not None and target.dot_px < limit("paper_dot_least_px"):
        found.append(
            Say("paper.note.dots", {"dot_px": target.dot_px, "least_px": limit("paper_dot_least_px")})
        )
    tilt = min(target.tilt_usable_deg)
    if tilt < limit("plan_lean_small_deg"):
        found.append(Say("paper.note.tilt", {"tilt_deg": tilt, "wanted_deg": limit("plan_lean_small_deg")}))
    return found


def _wanted(paper: PaperRig) -> list[Say]:
    if paper.wanted is None:
        return []
    has, wanted = paper.cameras[0].field_mm[0], paper.wanted.field_mm
    if abs(has - wanted) <= limit("paper_field_off") * wanted:
        return []
    values = {
        "has_mm": has,
        "wanted_mm": wanted,
        "focal_mm": paper.wanted.exact_focal_mm,
        "stand_off_mm": paper.wanted.exact_stand_off_mm,
    }
    return [Say("paper.note.field", values)]
