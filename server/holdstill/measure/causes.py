"""Why points are missing or no plate was found, from the measures of the frame and its sisters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from holdstill.limits import limit
from holdstill.records import FrameMeasures, GlarePatch, HiddenPatch, Nothing, Plate, Sighting, Trouble


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that is wrong with a camera's frame: `trouble`, how much of the plate it costs
    (`weight`, 0..1; 1 for a frame without plate), and the numbers behind it."""

    trouble: Trouble
    camera: str
    weight: float
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)


def causes(
    seen: Sighting | Nothing,
    measures: FrameMeasures,
    *,
    plate: Plate | None = None,
    others: Mapping[str, Sighting | Nothing] | None = None,
) -> tuple[Cause, ...]:
    """What is wrong with a frame, most useful first; empty when nothing is.

    seen, measures: of one camera; `others`: what the other cameras saw in the same shot. Exposure
    comes first (no other remedy helps before it), then what hides points by how many it hides, then
    the picture's border, smear, focus. A frame without plate and without any other sign gives
    ``Trouble.NO_PLATE``, or ``Trouble.ONE_CAMERA`` when another camera saw the plate.
    """
    found = list(_exposure(seen, measures))
    if isinstance(seen, Sighting):
        found += _hidden(seen, measures, plate) + _outside(seen, measures, plate)
        found += _smeared(measures)
        return tuple(found)
    if seen.why in ("wrong target", "wrong identity"):
        found.append(Cause(Trouble.WRONG_PLATE, measures.camera, 1.0, dict(seen.numbers)))
    found += _smeared(measures)
    found += _blobs(measures)
    if not found:
        elsewhere = [name for name, other in (others or {}).items() if isinstance(other, Sighting)]
        if elsewhere:
            found.append(Cause(Trouble.ONE_CAMERA, measures.camera, 1.0, {"seen_by": ", ".join(elsewhere)}))
        else:
            found.append(Cause(Trouble.NO_PLATE, measures.camera, 1.0, dict(seen.numbers)))
    return tuple(found)


def _exposure(seen: Sighting | Nothing, m: FrameMeasures) -> list[Cause]:
    high = m.high_share if m.high_share is not None else m.mean_level / m.clip_level
    if isinstance(seen, Sighting):
        if m.dot_fill is None or m.ground_fill is None:
            return []
        # Brightness first: a plate burnt out has no contrast left either.
        if m.ground_fill > limit("cause_bright_ground"):
            return [
                Cause(
                    Trouble.TOO_BRIGHT,
                    m.camera,
                    0.5,
                    {"ground_fill": m.ground_fill, "saturated_share": m.saturated_share},
                )
            ]
        snr = (m.dot_fill - m.ground_fill) * m.clip_level / max(m.noise_gray, 0.3)
        if m.dot_fill < limit("cause_dark_fill") or snr < limit("cause_least_contrast_noise"):
            stops = float(np.log2(0.9 / max(m.dot_fill, 1e-3)))
            return [
                Cause(
                    Trouble.TOO_DARK,
                    m.camera,
                    0.5,
                    {"dot_fill": m.dot_fill, "contrast_over_noise": snr, "stops_up": stops},
                )
            ]
        return []
    if high < limit("cause_dark_high_share"):
        return [
            Cause(
                Trouble.TOO_DARK,
                m.camera,
                1.0,
                {
                    "high_share": high,
                    "stops_up": float(np.log2(0.8 / max(high, 1e-3))),
                    "covered": int(high <= limit("light_covered_share")),
                },
            )
        ]
    if m.saturated_share > limit("cause_bright_share"):
        return [Cause(Trouble.TOO_BRIGHT, m.camera, 1.0, {"saturated_share": m.saturated_share})]
    return []


_BY_CAUSE = {"glare": Trouble.GLARE, "shadow": Trouble.SHADOW, "finger": Trouble.FINGER}


def _hidden(seen: Sighting, m: FrameMeasures, plate: Plate | None) -> list[Cause]:
    """Missing points by cause, most points first; glare patches count even where dots were found."""
    expected = max(len(seen.point_ids) + len(seen.missing_ids), 1)
    by_cause: dict[Trouble, list[int]] = {}
    for patch in m.hidden:
        if patch.cause in _BY_CAUSE and not _shifted(patch, seen, plate):
            cause = "shadow" if _deep_shadow(patch) else patch.cause
            by_cause.setdefault(_BY_CAUSE[cause], []).extend(patch.point_ids)
    glare = [g for g in m.glare if not _skin(g, m.hidden)]
    glare_share = sum(g.plate_share for g in glare)
    if glare and (glare_share >= limit("cause_glare_share") or Trouble.GLARE in by_cause):
        lost = set(by_cause.get(Trouble.GLARE, [])) | {i for g in glare for i in g.point_ids} & {
            int(i) for i in seen.missing_ids
        }
        by_cause[Trouble.GLARE] = sorted(lost)
    out = []
    for trouble, ids in by_cause.items():
        weight = len(set(ids)) / expected
        if trouble is not Trouble.GLARE and weight < limit("cause_hidden_share"):
            continue
        numbers: dict[str, float | int | str] = {"points_hidden": len(set(ids)), "points_expected": expected}
        if trouble is Trouble.GLARE:
            weight = max(weight, glare_share)
            numbers["plate_share"] = glare_share
            if glare:
                numbers |= {"x_px": glare[0].x_px, "y_px": glare[0].y_px}
        out.append(Cause(trouble, m.camera, min(weight, 1.0), numbers))
    return sorted(out, key=lambda c: -c.weight)


def _skin(patch: GlarePatch, hidden: tuple[HiddenPatch, ...]) -> bool:
    """A bright patch around a finger that hides every dot in it: skin in the light, no mirror image. Glare
    beside a finger whitens dots of its own."""
    fingers = [h for h in hidden if h.cause == "finger"]
    return not patch.point_ids and any(
        np.hypot(patch.x_px - h.x_px, patch.y_px - h.y_px) < patch.radius_px for h in fingers
    )


def _deep_shadow(patch: HiddenPatch) -> bool:
    """A dark patch that no single point shows to be a shadow, but all of its points together do: light that
    is taken away takes level and contrast in equal shares, a dark glove has no contrast at all."""
    if patch.cause != "finger" or len(patch.point_ids) < limit("deep_shadow_points"):
        return False
    dark = patch.level_share < limit("deep_shadow_level")
    return dark and patch.contrast_share > limit("deep_shadow_contrast") * patch.level_share


def _shifted(patch: HiddenPatch, seen: Sighting, plate: Plate | None) -> bool:
    """True where a whole edge of a plate without marks is missing although the pattern runs out of
    the picture elsewhere: then it was numbered from the wrong side, and nothing hides that edge."""
    if plate is None or seen.absolute or not patch.at_edge:
        return False
    if len(patch.point_ids) < 0.8 * min(plate.rows, plate.columns) or len(seen.points_px) < 4:
        return False
    gaps = np.linalg.norm(seen.points_px[:, None, :] - seen.points_px[None, :, :], axis=2)
    np.fill_diagonal(gaps, np.inf)
    pitch = float(np.median(gaps.min(axis=1)))
    width, height = seen.image_size_px
    low, high = seen.points_px.min(axis=0), seen.points_px.max(axis=0)
    return bool(min(low.min(), width - 1 - high[0], height - 1 - high[1]) < pitch)


def _outside(seen: Sighting, m: FrameMeasures, plate: Plate | None) -> list[Cause]:
    """Points whose place lies outside the picture."""
    if plate is None:
        return []
    printed = plate.point_count - len(plate.absent)
    cut = sum(len(p.point_ids) for p in m.hidden if p.cause == "border" or _shifted(p, seen, plate))
    outside = printed - len(seen.point_ids) - len(seen.missing_ids) + cut
    share = outside / max(printed, 1)
    if share < limit("cause_half_out_share"):
        return []
    return [Cause(Trouble.HALF_OUT, m.camera, share, {"points_outside": outside, "points_printed": printed})]


def _smeared(m: FrameMeasures) -> list[Cause]:
    """Smear in one direction, or blur in all."""
    smear, error = m.motion_blur_px, m.motion_blur_error_px
    if smear is not None and smear > limit("cause_smear_px") and smear > 3.0 * (error or 0.0):
        numbers: dict[str, float | int | str] = {"smear_px": smear}
        if m.motion_direction_deg is not None:
            numbers["direction_deg"] = m.motion_direction_deg
        return [Cause(Trouble.BLURRED, m.camera, 0.5, numbers)]
    if m.edge_width_px is not None and m.edge_width_px > limit("cause_edge_width_px"):
        return [Cause(Trouble.DEFOCUSED, m.camera, 0.5, {"edge_width_px": m.edge_width_px})]
    return []


def _blobs(m: FrameMeasures) -> list[Cause]:
    """Large clipped blobs in a frame without plate."""
    if not m.glare:
        return []
    return [
        Cause(
            Trouble.GLARE,
            m.camera,
            0.3,
            {"x_px": m.glare[0].x_px, "y_px": m.glare[0].y_px, "radius_px": m.glare[0].radius_px},
        )
    ]
