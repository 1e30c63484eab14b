"""The proof: what views that the solve did not use say about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from holdstill.geometry.poses import compose, invert
from holdstill.geometry.two_view import epipolar_px, triangulate
from holdstill.limits import limit
from holdstill.records import Estimate, FloatArray, Nothing, Plate, Pose, ProofResult, Rig, View

from .known import Beside, beside, known_points_mm, pictures_of_view
from .observations import BoolArray, IndexArray
from .solver import solve


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What held-out views showed: squared reprojection errors (n,) px^2 and their degrees of
    freedom, epipolar distances (m,) px, length errors (k,) um with their sigmas and views."""

    reprojection: FloatArray
    freedom: int
    epipolar: FloatArray
    length_um: FloatArray
    length_sigma_um: FloatArray
    view_of_length: FloatArray


def prove(plate: Plate, rig: Rig, estimate: Estimate, views: Sequence[View]) -> ProofResult | Nothing:
    """Test a calibration on views it has not used.

    Views kept for the proof are used if there are any (two or more cameras' views count for
    lengths and epipolar errors); otherwise the used ones are held out in folds, each fold tested by
    a solve of the rest. Lengths between dots, several per line and several lines through each view,
    are measured by triangulation and compared with the plate; the largest absolute error is
    reported (after VDI/VDE 2634-1 in spirit, from memory). Passed when reprojection and epipolar
    rms stay within their ratio of the solve's own, and the lengths within their own uncertainty.

    ``Nothing``: ``"no views"``; ``"too few views for folds"``.
    """
    unused = [v for v in views if v.proof or v.view_id not in estimate.used_view_ids]
    unused = [v for v in unused if not _was_set_aside(v, estimate)]
    if unused:
        found = beside(plate, estimate, unused)
        if found is None:
            return Nothing("no views", {"views": len(unused)})
        seen, ids, method = [_look(plate, estimate, found)], [v.view_id for v in found.views], "unused views"
    else:
        ids = [v.view_id for v in views if v.view_id in estimate.used_view_ids]
        folds = min(int(limit("proof_folds")), len(ids) // 2)
        if folds < 2 or len(ids) - len(ids) // folds < limit("solve_fewest_views") + 1:
            return Nothing("too few views for folds", {"found": len(ids), "needed": 5})
        seen, method = _folds(plate, rig, estimate, views, ids, folds), "k-fold"
        if not seen:
            return Nothing("no convergence", {"folds": folds})
    return _verdict(estimate, seen, tuple(ids), method)


def _was_set_aside(view: View, estimate: Estimate) -> bool:
    return not view.proof and any(a.view_id == view.view_id and not a.point_ids for a in estimate.set_aside)


def _folds(
    plate: Plate, rig: Rig, estimate: Estimate, views: Sequence[View], ids: Sequence[int], folds: int
) -> list[Seen]:
    out = []
    cameras = [c.name for c in estimate.cameras]
    for fold in range(folds):
        held = set(ids[fold::folds])
        rest = [v for v in views if v.view_id in ids and v.view_id not in held]
        again = solve(
            plate, rig, rest, cameras=cameras, start=estimate, lens_order=estimate.lens_order
        )
        if isinstance(again, Nothing):
            continue
        found = beside(plate, again, [v for v in views if v.view_id in held])
        if found is not None:
            out.append(_look(plate, again, found))
    return out


def _look(plate: Plate, estimate: Estimate, found: Beside) -> Seen:
    pictures = found.pictures
    used = pictures.weight > 0.0
    norm = np.sqrt((found.residual**2).sum(axis=1)) * pictures.weight
    scale = estimate.sigma0 or 1.0
    used &= norm < limit("proof_point_sigmas") * scale
    squares = (found.residual**2).sum(axis=1)[used]
    epipolar, lengths, sigmas, of_view = [], [], [], []
    pairs = length_pairs(plate)
    points = known_points_mm(plate, estimate)
    for view in range(pictures.views):
        rows = pictures_of_view(pictures, view)
        cameras = sorted(rows)
        for a, b in pairwise(cameras):
            both = used[rows[a]] & used[rows[b]]
            if both.any():
                epipolar.append(epipolar_px(
                    found.lenses[a], found.lenses[b], _relative(found, a, b),
                    pictures.pixels[rows[a]][both], pictures.pixels[rows[b]][both],
                ))
        if len(cameras) < 2:
            continue
        error, sigma = _lengths(found, rows, used, points, pairs, scale)
        lengths.append(error)
        sigmas.append(sigma)
        of_view.append(np.full(len(error), float(view)))
    none = np.zeros(0)
    return Seen(
        squares, int(2 * used.sum() - 6 * pictures.views),
        np.concatenate(epipolar) if epipolar else none,
        np.concatenate(lengths) if lengths else none,
        np.concatenate(sigmas) if sigmas else none,
        np.concatenate(of_view) if of_view else none,
    )


def _relative(found: Beside, a: int, b: int) -> Pose:
    return compose(found.poses[b], invert(found.poses[a]))


def length_pairs(plate: Plate) -> tuple[IndexArray, IndexArray]:
    """Point numbers of the lengths measured: along the first, middle and last rows and columns and
    both diagonals, each in full, in half and in thirds; absent points are left out."""
    columns, rows = plate.columns, plate.rows
    lines = [((0, r), (columns - 1, r)) for r in sorted({0, rows // 2, rows - 1})]
    lines += [((c, 0), (c, rows - 1)) for c in sorted({0, columns // 2, columns - 1})]
    lines += [((0, 0), (columns - 1, rows - 1)), ((0, rows - 1), (columns - 1, 0))]
    pairs = set()
    for (c0, r0), (c1, r1) in lines:
        for low, high in ((0.0, 1.0), (0.0, 0.5), (0.5, 1.0), (0.0, 1 / 3), (1 / 3, 2 / 3), (2 / 3, 1.0)):
            ends = [
                round(r0 + share * (r1 - r0)) * columns + round(c0 + share * (c1 - c0))
                for share in (low, high)
            ]
            if ends[0] != ends[1] and not set(ends) & set(plate.absent):
                pairs.add((min(ends), max(ends)))
    table = np.array(sorted(pairs), dtype=int).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _lengths(
    found: Beside, rows: dict[int, int], used: BoolArray, points: FloatArray,
    pairs: tuple[IndexArray, IndexArray], scale: float,
) -> tuple[FloatArray, FloatArray]:
    """Errors and sigmas (um) of the lengths that both ends of which two cameras saw."""
    cameras = sorted(rows)
    pictures = found.pictures
    pixels = [
        np.where(used[rows[c]][:, None], pictures.pixels[rows[c]], np.nan) for c in cameras
    ]
    sigma = [scale / np.where(used[rows[c]], pictures.weight[rows[c]], 1.0) for c in cameras]
    at, spread = triangulate(
        [found.lenses[c] for c in cameras], [found.poses[c] for c in cameras], pixels, sigma
    )
    return length_errors(at, spread, points, pairs)


def length_errors(
    at: FloatArray, spread: FloatArray, points: FloatArray, pairs: tuple[IndexArray, IndexArray]
) -> tuple[FloatArray, FloatArray]:
    """Errors and sigmas (um) of the lengths between points measured at `at` (P, 3) mm with covariance
    `spread` (P, 3, 3), against those between `points`; only those of which both ends are known."""
    first, second = pairs
    measured = at[second] - at[first]
    length = np.linalg.norm(measured, axis=1)
    known = np.linalg.norm(points[second] - points[first], axis=1)
    along = measured / np.where(length > 0, length, 1.0)[:, None]
    variance = np.einsum("ni,nij,nj->n", along, spread[first] + spread[second], along)
    good = np.isfinite(length) & np.isfinite(variance)
    return 1000.0 * (length - known)[good], 1000.0 * np.sqrt(variance[good])


def _verdict(estimate: Estimate, seen: list[Seen], ids: tuple[int, ...], method: str) -> ProofResult:
    squares = np.concatenate([s.reprojection for s in seen])
    freedom = sum(s.freedom for s in seen)
    epipolar = np.concatenate([s.epipolar for s in seen])
    epipolar = epipolar[np.isfinite(epipolar)]
    lengths = np.concatenate([s.length_um for s in seen])
    sigmas = np.concatenate([s.length_sigma_um for s in seen])
    # Two coordinates a point: rms of dx^2 + dy^2, each view's own pose taken into account.
    reprojection = float(np.sqrt(squares.sum() / max(1, freedom) * 2.0)) if len(squares) else 0.0
    epipolar_rms = float(np.sqrt(np.mean(epipolar**2))) if len(epipolar) else None
    reasons = []
    views = len(ids)
    if views < limit("proof_fewest_views"):
        reasons.append("too few proof views")
    if reprojection > max(limit("proof_ratio") * estimate.rms_px, _too_small_to_matter_px(estimate)):
        reasons.append("reprojection")
    own = [p.epipolar_rms_px for p in estimate.pairs]
    if epipolar_rms is not None and own and epipolar_rms > limit("proof_ratio") * max(own):
        reasons.append("epipolar")
    length = next((q.value for q in estimate.quantities if q.name == "length_um"), 0.0)
    if len(lengths):
        allowed = limit("proof_length_sigmas") * np.sqrt(sigmas**2 + length**2)
        if np.any(np.abs(lengths) > allowed):
            reasons.append("lengths")
    return ProofResult(
        ids, method, reprojection, epipolar_rms, len(lengths),
        float(np.abs(lengths).max()) if len(lengths) else None,
        float(np.sqrt(np.mean(lengths**2))) if len(lengths) else None,
        not reasons, tuple(reasons),
    )


def _too_small_to_matter_px(estimate: Estimate) -> float:
    """Reprojection error (rms, px, both coordinates) that no goal would notice: the epipolar goal, which
    is one coordinate's, in both. Views differ in blur and light, so a very quiet solve may be followed
    by a view of half as much noise again without anything being wrong."""
    goal = next((q.goal for q in estimate.quantities if q.name == "epipolar_px"), 0.0)
    return float(np.sqrt(2.0) * goal)
