"""The joint fit: robust first, then plain least squares on what a stated rule leaves, then the lens
order and the plate's shape by evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holdstill.limits import limit
from holdstill.phrases import say
from holdstill.records import FloatArray, IntArray, PlateKind, Say

from .bundle import BundleNormals, Layout, State, evaluate, residuals
from .evidence import Candidate, ViewTerms, gain_sigmas, judge
from .mono import HUBER, LENS_ORDERS, adjust, order_mask
from .observations import BoolArray, Pictures
from .opening import Opened
from .plate_shape import shape_basis, usable_terms
from .prepare import Problem
from .start import view_costs

FULL = "k1 k2 k3 p1 p2"
ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A finished joint fit. `pictures`: all points that could be used, `used`: the same with set-
    aside points at weight 0; `views`: indices of the views in use (the normals' order); `basis`
    and `shape_terms`: the plate terms that are free (indices into ``plate_shape.TERMS``)."""

    pictures: Pictures
    used: Pictures
    views: IntArray
    state: State
    layout: Layout
    normals: BundleNormals
    order: str
    order_reason: str
    shape_terms: tuple[int, ...]
    sigma0: float
    steps: int
    converged: bool
    costs: tuple[float, ...]
    turned: BoolArray
    everything: tuple[FloatArray, BoolArray]
    """As in `Choice`."""


def fit(problem: Problem, opened: Opened, asked_order: str | None = None) -> Fit:
    """Fit everything jointly from an opened state; `asked_order` fixes the lens model."""
    pictures, state = opened.pictures, opened.state
    full = shape_basis(problem.plate)
    orders = _allowed_orders(pictures) if asked_order is None else [asked_order]
    layout = _layout(pictures, orders[-1], full[:0])
    walk = adjust(pictures, state, layout, huber=HUBER, tolerance=1.0)
    steps, state = opened.steps + walk.steps, walk.state
    used = _without_outliers(problem, pictures, walk.normals.residual)
    live, kept = _live(used)
    chosen = _choose(problem, live, _views_of(state, kept), orders, full)
    for last in range(ROUNDS):
        basis = full[list(chosen.shapes)]
        layout = _layout(live, chosen.order, basis)
        walk = adjust(live, _begin(_views_of(state, kept), chosen, layout), layout, tolerance=1e-2)
        state = _put_back(replace(state, lenses=walk.state.lenses), walk.state, kept)
        steps += walk.steps
        again = _without_outliers(problem, pictures, residuals(pictures, state, basis))
        if last == ROUNDS - 1 or np.array_equal(again.weight > 0.0, used.weight > 0.0):
            break
        used = again
        live, kept = _live(used)
        if last == ROUNDS - 3:
            chosen = _choose(problem, live, _views_of(state, kept), orders, full)
    freedom = max(1, 2 * live.count - layout.rig_size - 6 * live.views)
    return Fit(
        pictures, used, kept, state, layout, walk.normals, chosen.order,
        chosen.reason, chosen.shapes, float(np.sqrt(walk.normals.cost / freedom)), steps, walk.converged,
        walk.costs, opened.turned, chosen.everything,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The model taken: lens order, why, and the plate terms that are free; what the views say of the
    rig with every lens term free (information (p, p), the plate's shape eliminated; which of the full
    rig parameters they are, bool (15 C,))."""

    order: str
    reason: str
    shapes: tuple[int, ...]
    everything: tuple[FloatArray, BoolArray]


def _begin(state: State, chosen: Choice, layout: Layout) -> State:
    """Where the chosen model starts: terms it does not have at zero."""
    held = np.where(order_mask(FULL), 0.0, state.lenses)
    shape = state.shape if len(state.shape) == len(chosen.shapes) else np.zeros(len(chosen.shapes))
    return replace(state, lenses=np.where(layout.lens_free, state.lenses, held), shape=shape)


def _layout(pictures: Pictures, order: str, basis: FloatArray) -> Layout:
    return Layout(np.tile(order_mask(order), (pictures.cameras, 1)), basis, pictures.views)


def _allowed_orders(pictures: Pictures) -> list[str]:
    """Orders that the number of pictures per camera can carry, poorest first."""
    fewest = int(np.bincount(pictures.camera, minlength=pictures.cameras).min())
    names = list(LENS_ORDERS)
    if fewest < 4:
        return names[:2]
    if fewest < 6:
        return names[:5]
    return names


def _live(pictures: Pictures) -> tuple[Pictures, IntArray]:
    """Only views with points in use, renumbered; and their old numbers."""
    counts = np.bincount(
        pictures.view, weights=(pictures.weight > 0).sum(axis=1), minlength=pictures.views
    )
    kept = np.flatnonzero(counts > 0).astype(np.int32)
    number = np.full(pictures.views, -1, dtype=np.int32)
    number[kept] = np.arange(len(kept), dtype=np.int32)
    some = pictures.only(np.asarray((pictures.weight > 0).any(axis=1)))
    return replace(some, view=number[some.view], views=len(kept)), kept


def _views_of(state: State, kept: IntArray) -> State:
    return replace(state, view_r=state.view_r[kept], view_t=state.view_t[kept])


def _put_back(state: State, part: State, kept: IntArray) -> State:
    view_r, view_t = state.view_r.copy(), state.view_t.copy()
    view_r[kept], view_t[kept] = part.view_r, part.view_t
    return replace(part, view_r=view_r, view_t=view_t)


def _without_outliers(problem: Problem, pictures: Pictures, residual: FloatArray) -> Pictures:
    """Weights of points and pictures that do not fit set to zero, by the rule in the limits table."""
    norm = np.sqrt((residual**2).sum(axis=1)) * pictures.weight
    seen = pictures.weight > 0.0
    # Median of a Rayleigh-distributed length is sqrt(2 ln 2) sigma.
    sigma = float(np.median(norm[seen])) / np.sqrt(2.0 * np.log(2.0))
    forced = problem.forced[pictures.view]
    far = (norm > limit("solve_point_sigmas") * sigma) & ~forced[:, None]
    counts = seen.sum(axis=1)
    ranked = np.sort(np.where(seen, norm, np.inf), axis=1)
    middle = np.where(counts > 0, ranked[np.arange(len(norm)), np.maximum(counts - 1, 0) // 2], 0.0)
    odd = (middle > limit("solve_view_ratio") * np.median(middle)) & ~forced
    share = (far & seen).sum(axis=1) / np.maximum(1, counts)
    odd |= (share > limit("solve_bad_share")) & ~forced
    if np.mean(odd) > 0.5:
        odd[:] = False
    for camera in range(pictures.cameras):
        mine = pictures.camera == camera
        if mine.any() and np.mean(odd[mine]) > 0.5:
            # Not its pictures are odd but where it stands: it stays in, and the checks tell.
            odd[mine] = False
            far[mine & (share > limit("solve_bad_share"))] = False
    weight = np.where(far | odd[:, None], 0.0, pictures.weight)
    return pictures.with_weight(weight)


def _choose(
    problem: Problem, pictures: Pictures, state: State, orders: list[str], full: FloatArray
) -> Choice:
    """Lens order and plate terms by held-out views and the information criterion, from one
    linearisation with everything free."""
    even_only = bool(problem.ambiguous.any())
    terms = np.flatnonzero(usable_terms(full, even_only=even_only))
    basis = full[terms]
    layout = Layout(np.tile(order_mask(orders[-1]), (pictures.cameras, 1)), basis, pictures.views)
    at = replace(state, shape=np.zeros(len(terms)))
    normals = evaluate(pictures, at, layout)
    information, gradient = normals.view_information()
    own = np.einsum("vi,vi->v", normals.gb, np.linalg.solve(normals.b, normals.gb[:, :, None])[:, :, 0])
    view = ViewTerms(
        information, gradient, view_costs(pictures, normals.residual, normals.robust) - own
    )
    observations, poses = 2 * pictures.count, 6 * pictures.views
    size = layout.rig_size
    lens_index = np.flatnonzero(layout.lens_free.ravel())
    parameter = lens_index % 9
    shape_at = np.arange(size - len(terms), size)
    fixed = np.zeros(size)
    fixed[: len(lens_index)] = -state.lenses.ravel()[lens_index]

    judged: dict[tuple[str, bool], Candidate] = {}

    def candidate(order: str, bent: bool) -> Candidate:
        if (order, bent) not in judged:
            free = np.ones(size, dtype=bool)
            free[: len(lens_index)] = order_mask(order)[parameter]
            free[shape_at] = bent
            judged[order, bent] = judge(order, view, free, fixed, observations, poses)
        return judged[order, bent]

    richest = orders[-1]
    is_bent = len(view.cost) >= _shape_views(problem) and _worth_it(
        candidate(richest, False), candidate(richest, True), limit("solve_shape_gain")
    )
    picked = candidate(orders[0], is_bent)
    for order in orders[1:]:
        richer = candidate(order, is_bent)
        if _worth_it(picked, richer, limit("solve_order_gain")):
            picked = richer
    rest = candidate(richest, is_bent)
    words: dict[str, float | int | str] = {
        "order": picked.name, "richest": richest, "gain": gain_sigmas(picked, rest)
    }
    reason = say(Say(f"solve.lens.{_why(picked.name, orders)}", words))
    whole, rig_size = information.sum(axis=0), size - len(terms)
    lens_free = layout.free[: 15 * pictures.cameras]
    known = _without_shape(whole, rig_size) if is_bent else whole[:rig_size, :rig_size]
    shapes = tuple(int(t) for t in terms) if is_bent else ()
    return Choice(picked.name, reason, shapes, (known, lens_free))


def _why(picked: str, orders: list[str]) -> str:
    """Which words tell why this lens order was taken of those tried, poorest first."""
    if len(orders) == 1:
        return "asked"
    if picked != orders[-1]:
        return "enough"
    return "richest" if picked == FULL else "few"


def _without_shape(information: FloatArray, size: int) -> FloatArray:
    """The first `size` parameters' information once the others are eliminated."""
    cross = information[:size, size:]
    return np.asarray(information[:size, :size] - cross @ np.linalg.pinv(information[size:, size:]) @ cross.T)


def _shape_views(problem: Problem) -> float:
    corners = problem.plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO)
    return limit("solve_shape_views_corners" if corners else "solve_shape_views")


def _worth_it(simple: Candidate, rich: Candidate, gain: float) -> bool:
    return rich.criterion < simple.criterion and gain_sigmas(simple, rich) > gain
