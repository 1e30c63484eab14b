"""The door: kept views in, a calibration with its uncertainty out."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from holdstill.errors import BadInput
from holdstill.limits import limit
from holdstill.records import Estimate, Nothing, Plate, Rig, SetAside, View

from .alone import alone
from .fitting import Fit, fit
from .mono import LENS_ORDERS, valley_rise
from .numbering import common_shift, shifted
from .opening import Opened, open_cold, open_warm
from .prepare import Problem, prepare
from .results import estimate_of


def solve(
    plate: Plate,
    rig: Rig,
    views: Sequence[View],
    *,
    cameras: Sequence[str],
    start: Estimate | None = None,
    forced: Collection[int] = (),
    lens_order: str | None = None,
) -> Estimate | Nothing:
    """Calibrate every camera and their relation from kept views, with uncertainty.

    Parameters
    ----------
    plate, rig
        The target and the rig as described (may be empty: then the measuring volume is taken from
        where the plate was seen).
    views
        Kept views; proof views are ignored. A camera may be missing in a view.
    cameras
        Names in order; the first one's frame is the rig frame.
    start
        The last estimate: the solve walks on from it (a few times faster, same answer).
    forced
        Ids of views the user brought back: never set aside.
    lens_order
        A key of ``mono.LENS_ORDERS`` to use whatever the evidence says; None: by evidence.

    Returns
    -------
    ``Nothing`` with one of: ``"no cameras"``, ``"contradictory sizes"``, ``"too few views"``,
    ``"no convergence"``, ``"no shared view"``, ``"views too alike"`` (numbers name the camera).

    Raises
    ------
    BadInput
        For views that do not belong to the plate or hold values that can't be.
    """
    if lens_order is not None and lens_order not in LENS_ORDERS:
        raise BadInput(
            f"lens order {lens_order!r} is not known; use one of: {', '.join(LENS_ORDERS)}"
        )
    found = _once(plate, rig, views, cameras, start, forced, lens_order)
    if isinstance(found, Nothing):
        return found
    moved, which = _renumbered(plate, views, found)
    if not which:
        return found
    again = _once(plate, rig, moved, cameras, found, forced, lens_order)
    if isinstance(again, Nothing) or len(again.used_view_ids) < len(found.used_view_ids):
        return found
    return replace(
        again,
        set_aside=tuple(_in_own_numbers(plate, aside, which) for aside in again.set_aside),
        shifted_view_ids={name: tuple(v for v, _, _ in moves) for name, moves in which.items()},
        lattice_shifts={name: tuple(moves) for name, moves in which.items()},
    )


def _in_own_numbers(plate: Plate, aside: SetAside, which: dict[str, list[tuple[int, int, int]]]) -> SetAside:
    """Points set aside in a renumbered picture, told by the numbers that the finder gave them."""
    for view_id, columns, rows in which.get(aside.camera or "", ()):
        if view_id == aside.view_id:
            back = rows * plate.columns + columns
            return replace(aside, point_ids=tuple(p - back for p in aside.point_ids))
    return aside


def _renumbered(
    plate: Plate, views: Sequence[View], found: Estimate
) -> tuple[list[View], dict[str, list[tuple[int, int, int]]]]:
    """Views of a plain lattice seen in part, numbered anew where the cameras differ by whole pitches;
    and camera -> (view, columns, rows) of what was moved."""
    out = {view.view_id: view for view in views}
    which: dict[str, list[tuple[int, int, int]]] = {}
    turned = plate.turned_ids()
    for aside in found.set_aside:
        view, name = out[aside.view_id], aside.camera
        if aside.reason != "wrong index" or "columns" not in aside.numbers or name is None:
            continue
        mine = view.sightings[name]
        others = [n for n in view.sightings if n != name]
        done = any(aside.view_id == v for moves in which.values() for v, _, _ in moves)
        if mine.absolute or done or not others:
            continue
        reference = view.sightings[others[0]]
        wanted = int(aside.numbers["columns"]), int(aside.numbers["rows"])
        if turned is not None and aside.view_id in found.turned_view_ids.get(name, ()):
            # Told in the turned numbering; the sighting still has the finder's.
            wanted = -wanted[0], -wanted[1]
        both = common_shift(plate, [reference.point_ids, mine.point_ids], wanted)
        if both is None or (reference.absolute and both[0] != (0, 0)):
            continue
        sightings = dict(view.sightings)
        for camera, shift in ((others[0], both[0]), (name, both[1])):
            if shift != (0, 0):
                sightings[camera] = shifted(sightings[camera], plate, shift)
                which.setdefault(camera, []).append((aside.view_id, *shift))
        out[aside.view_id] = replace(view, sightings=sightings)
    return [out[view.view_id] for view in views], which


def _once(
    plate: Plate,
    rig: Rig,
    views: Sequence[View],
    cameras: Sequence[str],
    start: Estimate | None,
    forced: Collection[int],
    lens_order: str | None,
) -> Estimate | Nothing:
    problem = prepare(plate, rig, views, cameras, forced, set(start.used_view_ids) if start else ())
    if isinstance(problem, Nothing):
        return problem
    warm = None if start is None else open_warm(problem, start)
    if start is not None and isinstance(warm, Opened):
        found = _finished(problem, warm, lens_order)
        if isinstance(found, Estimate) and found.sigma0 <= limit("solve_warm_ratio") * start.sigma0:
            return found
        # The last estimate may have been a poor place to begin from: begin again from nothing.
        cold = _finished(problem, open_cold(problem), lens_order)
        if isinstance(found, Nothing) or (isinstance(cold, Estimate) and cold.sigma0 < found.sigma0):
            return cold
        return found
    return _finished(problem, open_cold(problem), lens_order)


def _finished(problem: Problem, opened: Opened | Nothing, lens_order: str | None) -> Estimate | Nothing:
    if isinstance(opened, Nothing):
        return opened
    try:
        fitted = fit(problem, opened, lens_order)
        loose = _too_alike(fitted, problem.cameras)
        if loose is not None:
            return loose
        return estimate_of(problem, fitted)
    except np.linalg.LinAlgError:
        return Nothing("views too alike", {"camera": "", "views": len(problem.views)})


def _too_alike(fitted: Fit, cameras: Sequence[str]) -> Nothing | None:
    """Whether some focal length is not determined: by its sigma, and, where that is not tiny, by
    walking along the valley, since far from linear a sigma can't be trusted."""
    information = fitted.normals.view_information()[0].sum(axis=0)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    values, vectors = np.linalg.eigh(information * scale[:, None] * scale[None, :])
    sigma = fitted.sigma0 * scale * np.sqrt((vectors**2 / np.maximum(values, 1e-16)).sum(axis=1))
    worst, at = 0.0, 0
    for camera in range(len(cameras)):
        index = int(fitted.layout.lens_free.ravel()[: 9 * camera].sum())
        share = float(sigma[index] / abs(fitted.state.lenses[camera, 0]))
        if share > worst:
            worst, at = share, camera
    if worst <= limit("solve_focal_doubtful"):
        return None
    # Views that contradict each other swell the scatter, and with it every sigma: whether they are
    # alike is judged by what the camera's own pictures scatter about the camera alone.
    mono = alone(fitted, at)
    own = fitted.sigma0 if mono is None else min(fitted.sigma0, float(np.sqrt(mono.variance)))
    worst *= own / fitted.sigma0
    numbers: dict[str, float | int | str] = {
        "camera": cameras[at], "focal_sigma_percent": round(100 * worst, 1)
    }
    if worst > limit("solve_focal_unknown") or (not fitted.converged and worst > 0.01):
        return Nothing("views too alike", numbers)
    if worst > limit("solve_focal_doubtful"):
        rise = valley_rise(fitted.used, fitted.state, at, 1.0 + 3.0 * worst, fitted.order)
        if rise < 0.25 * 9.0 * own**2:
            return Nothing("views too alike", numbers)
    return None
