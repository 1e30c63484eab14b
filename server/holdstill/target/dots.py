"""Dots in one picture: search, lattice, numbering, centres."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import (
    DotFlag,
    FloatArray,
    IntArray,
    MarkKind,
    Nothing,
    Picture,
    Plate,
    PlateKind,
    Sighting,
)

from .blobs import Blobs, Level, find_blobs, levels, reduced
from .codes import markers_agree, read_identity
from .compiled import median
from .lattice import Lattice, grow
from .marks import dot_looks, expected_looks, marks_cost, radius_factors
from .outline import outline_of
from .placement import (
    Placement,
    lattice_from_mm,
    lattice_to_plate,
    placement_of,
    placements,
    trimmed,
)
from .refine import measure_dots
from .sites import Sites, look_at_sites
from .tables import tables_of
from .track import follow
from .view import clip_level
from .viewmap import ViewMap, fit_view_map

_TIE = 2.0
_STILL_SEEN = 0.97
"""Share of the dots followed that must come out exact; else the plate is searched anew."""
_NEAR_PX = 0.5
"""Median distance of rough centres from the map through them, up to which the exact step starts there."""


@dataclass(frozen=True, slots=True, eq=False)
class Coarse:
    """A plate located to a fraction of a pixel of a reduced picture."""

    level: Level
    dark: bool
    blobs: Blobs
    lattice: Lattice
    placement: Placement
    ids: IntArray
    ambiguous: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A lattice at one level, not yet numbered."""

    image: Picture
    level: Level
    lattice: Lattice
    blobs: Blobs
    dark: bool
    hint: Sighting | None


def find_dots(
    image: Picture, plate: Plate, *, camera: str, full_scale: int, hint: Sighting | None = None
) -> Sighting | Nothing:
    """A dot plate in one picture; see ``finder.find``."""
    if hint is not None:
        tracked = _tracked(image, plate, hint, camera, full_scale)
        if tracked is not None:
            return tracked
    coarse = _search(image, plate, full_scale, hint)
    if isinstance(coarse, Nothing):
        return coarse
    return _refine(image, plate, coarse, camera, full_scale)


def _tracked(image: Picture, plate: Plate, hint: Sighting, camera: str, full_scale: int) -> Sighting | None:
    """The plate followed from the last sighting; None when a full search is needed."""
    if hint.image_size_px != (image.shape[1], image.shape[0]) or plate.marks:
        return None
    followed = follow(image, plate, hint)
    if followed is None:
        return None
    ids, centres, view = followed
    if plate.kind is PlateKind.CODED_DOTS and not markers_agree(image, view, plate):
        return None
    radius = 0.5 * float(hint.dot_diameter_px or 0.0) / median(view.scales(tables_of(plate).xy[ids]))
    start = _Start(
        ids, centres, view, radius, bool(hint.dark_dots), not hint.absolute, blur_px=hint.blur_px, near=True
    )
    seen = _measured(image, plate, start, camera, full_scale)
    if not isinstance(seen, Sighting) or len(seen.point_ids) < _STILL_SEEN * len(ids):
        return None
    return seen


def least_points(plate: Plate) -> int:
    """Fewest points that count as a sighting of this plate."""
    dots = plate.point_count - len(plate.absent)
    return int(max(limit("target_least_points"), np.ceil(limit("target_least_share") * dots)))


def _search(image: Picture, plate: Plate, full_scale: int, hint: Sighting | None) -> Coarse | Nothing:
    """Try scale after scale until the plate is seen; the best of them if none is complete."""
    height, width = image.shape
    best: Coarse | None = None
    reason: Nothing | None = None
    for factor in levels((width, height)):
        level = reduced(image, factor, full_scale)
        found = _at_level(image, level, plate, hint)
        if isinstance(found, Nothing):
            if reason is None or found.numbers.get("found", 0) > reason.numbers.get("found", 0):  # type: ignore[operator]
                reason = found
            if found.why == "wrong target":
                break
            continue
        if best is None or _worth(found) > _worth(best):
            best = found
        if _complete(found):
            break
    if best is not None:
        return best
    return reason if reason is not None else Nothing("no plate", {"needed": least_points(plate)})


def _worth(found: Coarse) -> float:
    """Dots seen, less what speaks against their numbering."""
    return len(found.ids) - found.placement.cost


def _complete(found: Coarse) -> bool:
    """Nearly every dot expected in the picture was seen, so a finer scale can't bring more."""
    return bool((found.ids >= 0).sum() >= 0.9 * found.placement.expected)


def _at_level(image: Picture, level: Level, plate: Plate, hint: Sighting | None) -> Coarse | Nothing:
    needed = least_points(plate)
    dots = plate.point_count - len(plate.absent)
    size = (level.grey.shape[1], level.grey.shape[0])
    ring = any(m.kind is MarkKind.RING for m in plate.marks)
    best: tuple[Lattice, Blobs, bool] | None = None
    for dark in (True, False) if plate.dark_dots is None else (plate.dark_dots,):
        blobs = find_blobs(level, dark=dark, ring=ring)
        lattice = grow(blobs, size, enough=int(0.6 * dots), at_least=needed)
        if lattice is not None and (best is None or len(lattice) > len(best[0])):
            best = (lattice, blobs, dark)
            if len(lattice) > 0.9 * dots:
                break
    if best is None:
        return Nothing("no plate", {"needed": needed})
    lattice, blobs, dark = best
    whole = trimmed(plate, lattice)
    slim = trimmed(plate, lattice, always=True)
    found = _number(_Seen(image, level, whole, blobs, dark, hint), plate)
    if len(slim) == len(whole) or len(slim) < needed:
        return found
    other = _number(_Seen(image, level, slim, blobs, dark, hint), plate)
    if isinstance(found, Nothing) or (isinstance(other, Coarse) and _worth(other) > _worth(found)):
        return other
    return found


def _number(seen: _Seen, plate: Plate) -> Coarse | Nothing:
    """Number a lattice, or say why it is not this plate."""
    lattice = seen.lattice
    spread = np.ptp(lattice.cells, axis=0) + 1
    longest = max(tables_of(plate).number.shape)
    sites = look_at_sites(seen.level, lattice, max(longest - int(spread.min()), 2))
    needed = least_points(plate)
    numbers: dict[str, float | int | str] = {
        "found": len(lattice), "needed": needed, "columns_seen": int(spread[0]), "rows_seen": int(spread[1]),
        "columns_wanted": plate.columns, "rows_wanted": plate.rows,
    }  # fmt: skip
    if plate.kind is PlateKind.CODED_DOTS:
        identity = read_identity(seen.image, _full_view(seen), _empty_cells(sites, lattice), plate)
        if identity is not None and identity.stranger is not None:
            return Nothing("wrong identity", numbers | {"identity_seen": identity.stranger,
                                                        "identity_wanted": plate.plate_id or 0})  # fmt: skip
        if identity is not None:
            chosen = placement_of(plate, lattice, sites, identity.turn, identity.shift)
            return _judged(seen, plate, chosen, numbers, ambiguous=False)
    ranked = placements(plate, lattice, sites)
    if not ranked:
        return Nothing("wrong target", numbers)
    if plate.marks:
        looks = dot_looks(seen.level, seen.blobs, lattice)
        ranked = sorted(
            (replace(p, cost=p.cost + marks_cost(plate, p, lattice, looks)) for p in ranked[:400]),
            key=lambda p: p.cost,
        )
    best = ranked[0]
    tied = [p for p in ranked if p.cost <= best.cost + _TIE]
    chosen = _nearest_to_hint(plate, seen, tied) or _most_upright(plate, lattice, tied)
    shifted = any(not _is_turn_of(plate, chosen, p) for p in tied)
    ambiguous = shifted or plate.turned_ids() is not None or plate.kind is PlateKind.CODED_DOTS
    return _judged(seen, plate, chosen, numbers, ambiguous=ambiguous)


def _judged(
    seen: _Seen, plate: Plate, chosen: Placement, numbers: dict[str, float | int | str], *, ambiguous: bool
) -> Coarse | Nothing:
    """The numbering, unless it says that this is another target."""
    found = len(seen.lattice)
    if chosen.stray > max(2, 0.06 * found):
        return Nothing("wrong target", numbers | {"stray": chosen.stray})
    if chosen.bare_line or chosen.bare > limit("target_wrong_empty_share") * max(chosen.expected, 1):
        return Nothing("wrong target", numbers | {"bare": chosen.bare})
    if found - chosen.stray < least_points(plate):
        return Nothing("too few points", numbers)
    ids = lattice_to_plate(plate, chosen, seen.lattice.cells)
    return Coarse(seen.level, seen.dark, seen.blobs, seen.lattice, chosen, ids, ambiguous)


def _full_view(seen: _Seen) -> ViewMap:
    """The lattice's map into the full picture."""
    return seen.lattice.view.enlarged(seen.level.factor)


def _empty_cells(sites: Sites, lattice: Lattice) -> IntArray:
    """Cells in the picture without a dot, no farther than two steps from the found ones."""
    low, high = lattice.cells.min(axis=0) - 2, lattice.cells.max(axis=0) + 2
    v, u = np.nonzero(~sites.dot & sites.inside)
    cells = np.stack([u, v], axis=1) + sites.low
    return np.asarray(cells[((cells >= low) & (cells <= high)).all(axis=1)], dtype=np.int32)


def _nearest_to_hint(plate: Plate, seen: _Seen, tied: list[Placement]) -> Placement | None:
    """Of equally good numberings, the one under which the points moved least since the last sighting."""
    if seen.hint is None or len(tied) < 2:
        return None
    hint = seen.hint
    last = np.full((plate.point_count, 2), np.nan)
    last[hint.point_ids] = hint.points_px
    now = seen.level.to_full(seen.blobs.centres[seen.lattice.spots])

    def travel(p: Placement) -> float:
        ids = lattice_to_plate(plate, p, seen.lattice.cells)
        gap = np.hypot(*(last[np.maximum(ids, 0)] - now).T)
        common = (ids >= 0) & np.isfinite(gap)
        return float(np.median(gap[common])) if common.sum() >= 4 else np.inf

    ways = sorted(tied, key=travel)
    return ways[0] if travel(ways[0]) < 0.5 * travel(ways[1]) else None


def _is_turn_of(plate: Plate, a: Placement, b: Placement) -> bool:
    return a is b or (plate.turned_ids() is not None and bool(np.array_equal(a.turn, -b.turn)))


def _most_upright(plate: Plate, lattice: Lattice, tied: list[Placement]) -> Placement:
    """Of equally good numberings, the one whose columns run right and rows run down, then least cost."""
    centre = lattice.cells.mean(axis=0)[None].astype(np.float64)
    jac = lattice.view.jacobians(centre)[0]

    def uprightness(p: Placement) -> float:
        x, y = (jac @ lattice_from_mm(plate, p)[:2, :2]).T
        return float(x[0] / np.hypot(*x) + y[1] / np.hypot(*y))

    if len(tied) == 1:
        return tied[0]
    upright = [uprightness(p) for p in tied]
    top = max(upright)
    return min((p for p, u in zip(tied, upright, strict=True) if u > top - 0.05), key=lambda p: p.cost)


def _refine(image: Picture, plate: Plate, coarse: Coarse, camera: str, full_scale: int) -> Sighting | Nothing:
    """Exact centres of the dots found, and of those expected that the search passed over."""
    height, width = image.shape
    size = (width, height)
    use = coarse.ids >= 0
    ids = coarse.ids[use].astype(np.int64)
    spots = coarse.lattice.spots[use]
    centres = coarse.level.to_full(coarse.blobs.centres[spots])
    mm = tables_of(plate).xy
    view, residuals = fit_view_map(mm[ids], centres, size)
    areas = coarse.blobs.areas[spots] * coarse.level.factor**2
    scales = view.scales(mm[ids])
    radii = np.sqrt(areas / np.pi) / scales
    near = not plate.marks and median(np.hypot(residuals[:, 0], residuals[:, 1])) < _NEAR_PX
    start = _Start(ids, centres, view, median(radii), coarse.dark, coarse.ambiguous, near=near)
    diameter = 2 * start.radius * median(scales)
    if diameter < limit("target_least_dot_px"):
        return Nothing(
            "dots too small", {"diameter_px": round(diameter, 1), "needed_px": limit("target_least_dot_px")}
        )
    if plate.marks:
        looks = dot_looks(coarse.level, coarse.blobs, coarse.lattice)[use]
        start = replace(
            start, factors=radius_factors(plate, ids, looks, radii), rings=expected_looks(plate) == 1
        )
    return _measured(image, plate, start, camera, full_scale)


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    """Rough dots of a view, numbered, from which the exact measurement starts; `near`: the map through
    them is good to a fraction of the blur."""

    ids: NDArray[np.int64]
    centres: FloatArray
    view: ViewMap
    radius: float
    dark: bool
    ambiguous: bool
    factors: FloatArray | None = None
    rings: NDArray[np.bool_] | None = None
    blur_px: float | None = None
    near: bool = False


def _measured(
    image: Picture, plate: Plate, start: _Start, camera: str, full_scale: int
) -> Sighting | Nothing:
    """The sighting of a plate whose dots are roughly known."""
    size = (image.shape[1], image.shape[0])
    mm = tables_of(plate).xy
    dots = measure_dots(
        image, mm, start.ids, start.centres, radius=start.radius, pitch=plate.pitch_mm,
        clip=clip_level(image, full_scale), dark=start.dark,
        others=_expected(plate, start.view, size, start.radius), view=start.view, factors=start.factors,
        rings=start.rings, blur_px=start.blur_px, near=start.near,
    )  # fmt: skip
    needed = least_points(plate)
    if dots is None:
        return Nothing("no plate", {"needed": needed, "spots": len(start.ids)})
    if len(dots.which) < needed:
        return Nothing("too few points", {"found": len(dots.which), "needed": needed})
    ids = dots.which.astype(np.int32)
    scale = median(dots.view.scales(mm[dots.which]))
    growth = None if plate.dot_diameter_mm is None else 2 * dots.radius / plate.dot_diameter_mm
    flags = np.where(dots.clipped, DotFlag.CLIPPED, 0) | np.where(dots.shaded, DotFlag.SHADED, 0)
    flags |= np.where(dots.suspect, DotFlag.SUSPECT, 0)
    reach = 1.5 * dots.radius * scale
    near = (dots.points < reach).any(axis=1) | (dots.points > np.array(size) - 1 - reach).any(axis=1)
    flags |= np.where(near, DotFlag.EDGE, 0)
    return Sighting(
        camera=camera, image_size_px=size, point_ids=ids, points_px=dots.points, sigmas_px=dots.sigmas,
        flags=flags.astype(np.int32), missing_ids=_missing(plate, ids, dots.view, size),
        outline_px=outline_of(plate, dots.view), absolute=not start.ambiguous, blur_px=dots.blur_px,
        dot_growth=growth, dot_diameter_px=2 * dots.radius * scale, dark_dots=start.dark,
        residual_px=float(np.sqrt((dots.residuals**2).mean())),
    )  # fmt: skip


def _expected(plate: Plate, view: ViewMap, size: tuple[int, int], radius_mm: float) -> NDArray[np.int64]:
    """Points of the plate whose whole dot should be in the picture."""
    ids = tables_of(plate).present
    mm = tables_of(plate).xy[ids]
    at = view(mm)
    reach = 1.1 * radius_mm * np.abs(view.jacobians(mm)).sum(axis=2).max(axis=1)
    inside = (at - reach[:, None] > 0).all(axis=1) & (at + reach[:, None] < np.array(size) - 1).all(axis=1)
    return np.asarray(ids[inside], dtype=np.int64)


def _missing(plate: Plate, ids: IntArray, view: ViewMap, size: tuple[int, int]) -> IntArray:
    lost = np.zeros(plate.point_count, bool)
    lost[tables_of(plate).present] = True
    lost[ids] = False
    every = np.flatnonzero(lost)
    if len(every) == 0:
        return every.astype(np.int32)
    at = view(tables_of(plate).xy[every])
    inside = (at >= 0).all(axis=1) & (at[:, 0] <= size[0] - 1) & (at[:, 1] <= size[1] - 1)
    return every[inside].astype(np.int32)
