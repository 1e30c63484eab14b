"""Why a view or a point was set aside, traced to a cause where one can be seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry import turn_deg
from holdstill.limits import limit
from holdstill.records import DotFlag, FloatArray, SetAside, Sighting, View

from .bundle import State
from .lighting import contrast_gray, usual_contrast_gray
from .mono import HUBER, rms_px
from .numbering import lattice_shift
from .observations import BoolArray, IndexArray, Pictures
from .prepare import Problem
from .start import resected


@dataclass(frozen=True, slots=True, eq=False)
class Alone:
    """A picture by itself, at the known lens: plate pose in the camera frame, rms (px)."""

    r: FloatArray
    t: FloatArray
    rms_px: float


def traced(
    problem: Problem,
    pictures: Pictures,
    used: Pictures,
    state: State,
    residual: FloatArray,
    turned: BoolArray,
) -> tuple[SetAside, ...]:
    """Everything the fit left out, each with its reason.

    Reasons: ``"wrong index"``, ``"turned"``, ``"cameras swapped"``, ``"moved between cameras"``,
    ``"glare"``, ``"dark"``, ``"blur"``, ``"motion"``, ``"shade"``, ``"edge"``, ``"does not fit"``.
    """
    out = []
    typical = rms_px(residual, used.weight)
    seen = pictures.weight > 0.0
    dropped = seen.any(axis=1) & ~(used.weight > 0.0).any(axis=1)
    whole = np.flatnonzero(dropped)
    alone = _alone(pictures, whole, state)
    for g in whole.tolist():
        view = problem.views[pictures.view[g]]
        camera = problem.cameras[pictures.camera[g]]
        reason, numbers = _view_reason(problem, pictures, g, view, camera, alone, state, typical)
        rms = rms_px(residual[g][None], pictures.weight[g][None])
        out.append(SetAside(view.view_id, view.name, reason, camera, (), {"rms_px": rms, **numbers}))
    ids = problem.plate.turned_ids()
    for g in np.flatnonzero(~dropped).tolist():
        lost = np.flatnonzero(seen[g] & (used.weight[g] == 0.0))
        if len(lost) == 0:
            continue
        view = problem.views[pictures.view[g]]
        camera = problem.cameras[pictures.camera[g]]
        size = np.sqrt((residual[g] ** 2).sum(axis=0))
        spacing = _spacing_px(pictures, g)
        groups: dict[str, list[int]] = {}
        for point in lost:
            own_id = int(ids[point]) if ids is not None and turned[pictures.camera[g], pictures.view[g]] \
                else int(point)
            groups.setdefault(
                _point_reason(view, camera, own_id, float(size[point]), spacing), []).append(own_id)
        for reason, points in groups.items():
            out.append(
                SetAside(view.view_id, view.name, reason, camera, tuple(sorted(points)),
                         {"points": len(points), "largest_px": float(size[lost].max())})
            )
    return tuple(sorted(out, key=lambda item: (item.view_id, item.camera or "", item.reason)))


def _alone(pictures: Pictures, whole: IndexArray, state: State) -> dict[int, Alone]:
    """Own poses of the set-aside pictures and of their partners in the same views."""
    views = set(pictures.view[whole].tolist())
    out: dict[int, Alone] = {}
    for camera in range(pictures.cameras):
        mine = np.flatnonzero((pictures.camera == camera) & np.isin(pictures.view, list(views)))
        if len(mine) == 0:
            continue
        one = pictures.only(np.isin(np.arange(len(pictures.camera)), mine))
        one = replace(
            one, camera=np.zeros(len(mine), dtype=np.int32),
            view=np.arange(len(mine), dtype=np.int32), cameras=1, views=len(mine),
        )
        found, costs = resected(one, state.lenses[camera], huber=HUBER)
        for index, g in enumerate(mine):
            weight = pictures.weight[g]
            used = weight > 0
            rms = float(np.sqrt(costs[index] / used.sum())) / float(np.sqrt(np.mean(weight[used] ** 2)))
            out[int(g)] = Alone(found.view_r[index], found.view_t[index], rms)
    return out


def _view_reason(
    problem: Problem,
    pictures: Pictures,
    g: int,
    view: View,
    camera: str,
    alone: dict[int, Alone],
    state: State,
    typical_px: float,
) -> tuple[str, dict[str, float]]:
    mine = alone[int(g)]
    partners = [p for p in alone if pictures.view[p] == pictures.view[g] and p != g]
    if mine.rms_px <= limit("solve_alone_ratio") * typical_px and partners:
        return _disagreement(problem, pictures, g, partners[0], alone, state)
    sighting, measures = view.sightings[camera], view.measures.get(camera)
    numbers = {"own_rms_px": mine.rms_px}
    if measures is not None and measures.glare:
        share = sum(patch.plate_share for patch in measures.glare)
        if share > limit("solve_glare_share"):
            return "glare", {**numbers, "glare_share": share}
    usual_gray = usual_contrast_gray(problem.views, camera)
    own_gray = None if measures is None else contrast_gray(measures)
    if usual_gray is not None and own_gray is not None and own_gray < limit("check_dim_share") * usual_gray:
        return "dark", {**numbers, "contrast_gray": own_gray, "usual_gray": usual_gray}
    if measures is not None and (measures.motion_blur_px or 0.0) > 1.0:
        return "motion", {**numbers, "motion_px": float(measures.motion_blur_px or 0.0)}
    usual = _usual_blur(problem.views, camera)
    if sighting.blur_px is not None and usual is not None \
            and sighting.blur_px > limit("solve_blur_ratio") * usual:
        return "blur", {**numbers, "blur_px": sighting.blur_px, "usual_px": usual}
    spacing = _spacing_px(pictures, g)
    if mine.rms_px > 0.2 * spacing:
        return "wrong index", {**numbers, "spacing_px": spacing}
    return "does not fit", numbers


def _usual_blur(views: tuple[View, ...], camera: str) -> float | None:
    seen = [v.sightings[camera].blur_px for v in views if camera in v.sightings]
    known = [b for b in seen if b is not None]
    return float(np.median(known)) if known else None


def _disagreement(
    problem: Problem, pictures: Pictures, g: int, partner: int, alone: dict[int, Alone], state: State
) -> tuple[str, dict[str, float]]:
    """Two cameras that each see a clean plate, but not in the same place: how is it different?"""
    a, b = int(pictures.camera[partner]), int(pictures.camera[g])
    r_ba = state.cam_r[b] @ state.cam_r[a].T
    t_ba = state.cam_t[b] - r_ba @ state.cam_t[a]
    other, mine = alone[partner], alone[int(g)]
    predicted_r, predicted_t = r_ba @ other.r, r_ba @ other.t + t_ba
    turn = mine.r.T @ predicted_r
    centre = pictures.points_mm.mean(axis=0)
    shift = mine.r.T @ (predicted_r @ centre + predicted_t - mine.t) - centre
    angle = float(turn_deg(turn))
    numbers = {"turn_deg": angle, "shift_mm": float(np.linalg.norm(shift))}
    if float(turn_deg(turn @ np.diag([-1.0, -1.0, 1.0]))) < 2.0:
        return "turned", numbers
    whole = lattice_shift(problem.plate, (mine.r, mine.t), (predicted_r, predicted_t))
    if whole is not None:
        return "wrong index", {**numbers, "columns": whole[0], "rows": whole[1]}
    own_ba = mine.r @ other.r.T
    if float(turn_deg(own_ba @ r_ba)) < 0.2 * float(turn_deg(r_ba)) and float(turn_deg(r_ba)) > 1.0:
        return "cameras swapped", numbers
    return "moved between cameras", numbers


def _spacing_px(pictures: Pictures, g: int) -> float:
    """Distance between neighbouring points in the picture, px (median)."""
    used = np.flatnonzero(pictures.weight[g] > 0.0)
    if len(used) < 2:
        return float("inf")
    gaps = pictures.points_mm[used][:, None] - pictures.points_mm[used][None]
    far = np.linalg.norm(gaps, axis=2)
    np.fill_diagonal(far, np.inf)
    nearest = far.argmin(axis=1)
    apart = pictures.pixels[g][used] - pictures.pixels[g][used[nearest]]
    return float(np.median(np.linalg.norm(apart, axis=1)))


def _point_reason(view: View, camera: str, point: int, size_px: float, spacing_px: float) -> str:
    measures = view.measures.get(camera)
    if measures is not None and any(point in patch.point_ids for patch in measures.glare):
        return "glare"
    if size_px > 0.5 * spacing_px:
        return "wrong index"
    flags = _flags(view.sightings[camera]).get(point, 0)
    if flags & DotFlag.SHADED:
        return "shade"
    if flags & DotFlag.EDGE:
        return "edge"
    return "does not fit"


def _flags(sighting: Sighting) -> Mapping[int, int]:
    return {int(i): int(f) for i, f in zip(sighting.point_ids, sighting.flags, strict=True)}
