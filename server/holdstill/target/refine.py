"""From rough dots to exact centres with their own sigma: what one view tells about its dots.

Shape comes from the view's own map, blur, radius and the slope of the light from the whole view;
only the centre (and ground, contrast) is each dot's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .compiled import median
from .eccentricity import eccentricity_px
from .judging import beliefs_of, light_slopes, plausible, ramps_of
from .lopsided import lopsided, straighten
from .probing import noise_of, probe
from .score import LIT_DOTS, LIT_GROUND, SKEWS
from .smooth import smooth
from .steps import Beliefs, Steps
from .view import EDGE_REACH, EVERYWHERE, LEAST_SIGMA_PX, View
from .viewmap import ViewMap, fit_view_map

_SOFT_PX, _OFF_PX = 0.8, 0.4
_LEAST_USED = 0.45
_SKEWED, _RAMPED, _SURELY_RAMPED = 2.0, 3.3, 6.0
"""A dot whose edge is lopsided by so many sigmas is asked for a ramp of its own; it carries one from so many
sigmas on (0.4 % of clean dots), believed little at first and wholly from so many on: no dot may jump by what
turning the picture or one more grain of noise changes."""
_FAR, _FAR_ODD = 9.0, 20.0
"""Dots farther off the view's map than so many times what is usual are dropped.  Odd ones are flagged and did
not make the map: at a corner it is extrapolated (15 times, for a right dot of a real photograph)."""
_DARK_TRUE = 0.3
"""Share to which the light's slope is believed to be that of the dark part's level."""


@dataclass(frozen=True, slots=True, eq=False)
class Dots:
    """Dots measured in one view.

    which (n,): index into the plate points given. points (n, 2): images of the dots' centres, px;
    sigmas (n,), px per coordinate. clipped, shaded, suspect (n,): remarks. blur_px: Gaussian-equivalent
    edge blur without the pixel's own. radius: in plate units, as seen. view: map through the points.
    residuals (n, 2): points minus map, px.
    """

    which: NDArray[np.int64]
    points: FloatArray
    sigmas: FloatArray
    clipped: NDArray[np.bool_]
    shaded: NDArray[np.bool_]
    suspect: NDArray[np.bool_]
    blur_px: float
    radius: float
    view: ViewMap
    residuals: FloatArray


def measure_dots(
    image: Picture,
    xy: FloatArray,
    which: NDArray[np.int64],
    centres: FloatArray,
    *,
    radius: float,
    pitch: float,
    clip: float,
    dark: bool,
    others: NDArray[np.int64],
    view: ViewMap,
    factors: FloatArray | None = None,
    rings: NDArray[np.bool_] | None = None,
    blur_px: float | None = None,
    near: bool = False,
) -> Dots | None:
    """Exact centres of the dots `which` of the plate points `xy`, starting from rough `centres`.

    radius, pitch
        Of the dots and the lattice, in the unit of `xy`; the radius is only a start.
    view
        A map through the rough centres.
    blur_px
        The blur of the last picture, when the plate was followed from there: shortens the start.
    near
        The map is good to a fraction of the blur: no rough step is needed.
    factors, rings
        Of every point: radius over the plain dot's, and whether it is a ring; None on plain plates.
    others
        Further points of the plate that should be in the picture; taken in where a dot is seen.

    Returns None when the dots can't be measured (no contrast, too few).
    """
    size = (image.shape[1], image.shape[0])
    xy = np.ascontiguousarray(xy)
    known = View(image, xy, size, clip, view, radius, 1.5, 0.0, (1.0, 1.0), pitch, sign=-1.0 if dark else 1.0)
    if blur_px is not None:
        known.followed, known.sigma = True, max(float(np.sqrt(blur_px**2 + 1 / 12)), LEAST_SIGMA_PX)
    known.factors, known.rings = factors, rings
    centres = _smoothed(known, which, centres) if near else centres
    if not probe(known, which, centres):
        return None
    if not near:
        centres, which = _first_pass(known, which, centres)
    if len(which) < 6:
        return None
    extra = np.setdiff1d(others, which)
    which, centres = np.concatenate([which, extra]), np.concatenate([centres, known.expected(extra)])
    return _final_pass(known, which, centres)


def _smoothed(known: View, which: NDArray[np.int64], centres: FloatArray) -> FloatArray:
    """Where the map puts the dots; their own rough centres where these are clearly elsewhere."""
    expected = known.expected(which)
    off = np.hypot(centres[:, 0] - expected[:, 0], centres[:, 1] - expected[:, 1])
    return np.where((off < max(3 * median(off), _OFF_PX))[:, None], expected, centres)


def _first_pass(
    known: View, which: NDArray[np.int64], centres: FloatArray
) -> tuple[FloatArray, NDArray[np.int64]]:
    """One rough step for every dot, on part of the rows; updates map, radius and blur.

    The edge is taken to be no sharper than `_SOFT_PX`, so that a start half a pixel off still leads in.
    """
    sharp, known.sigma = known.sigma, max(known.sigma, _SOFT_PX)
    gathered = known.scores(which, centres, stride=known.stride(which))
    soft, known.sigma = known.sigma, sharp
    steps = known.solved(gathered, Beliefs.loose(len(which)), 0.45)
    ok = steps.ok & (np.hypot(*steps.shift.T) < 2.5 * soft + 0.5)
    ok &= steps.contrast * known.contrast > 0.2 * known.contrast**2
    if ok.sum() < 6:
        return centres[:0], which[:0]
    if known.factors is not None:
        marked = ok & (known.factors[which] != 1.0)
        size = known.radius_px(known.shapes(which))
        known.factors[which[marked]] *= 1 + np.clip(steps.radius[marked] / size[marked], -0.2, 0.2)
    which, centres = which[ok], centres[ok] + steps.shift[ok]
    _refit(known, which, centres)
    use = np.ascontiguousarray(steps.table[ok].T)
    known.radius += min(max(median(use[4]), -0.5), 0.5) / (known.usual_px(which) / known.radius)
    if soft == sharp:
        known.sigma = max(known.sigma + min(max(median(use[5]), -0.3), 0.3), LEAST_SIGMA_PX)
    known.ground, known.contrast = median(use[0]), median(use[1])
    return centres, which


def _final_pass(known: View, which: NDArray[np.int64], centres: FloatArray) -> Dots | None:
    """A rough step for every dot, which says what is usual in this view; then the exact one."""
    free = Beliefs.loose(len(which), ramp=1e6 * abs(known.contrast))
    gathered = known.scores(which, centres, stride=known.stride(which), noise=True)
    steps = known.solved(gathered, free, _LEAST_USED)
    good, odd = plausible(known, steps, which, centres)
    if good.sum() < 6:
        return None
    known.variance = noise_of(gathered, steps, good, known.variance, rough=False)
    slopes = light_slopes(steps, centres, good, known.contrast > 0)
    if known.held > 0:
        slopes = _slopes_beside_clipping(known, which, centres, steps, good)
    shaded, ramps = ramps_of(steps, centres, good)
    near = steps.ok & (np.hypot(*steps.shift.T) < known.sigma + 1.0)  # far off, the misfit says nothing yet
    centres = centres + np.where(near[:, None], steps.shift, 0)
    use = good | odd
    _refit(known, which[use], centres[use])
    common = 0.0
    for attempt in range(2):
        steps, beliefs, bent = _exact(known, which, centres, slopes, good, shaded, ramps)
        good, odd = plausible(known, steps, which, centres)
        clean = good & ~shaded
        if attempt or not bent:
            break
        centres, common = straighten(known, which, centres, slopes, clean)
    use = good | odd
    centres = centres + np.where(use[:, None], steps.shift, 0)
    late = use & (np.hypot(*steps.shift.T) > 0.12 * known.sigma)
    if late.any():
        once_more = known.scores(which[late], centres[late], slopes[late], reach=EDGE_REACH)
        again = known.solved(once_more, beliefs.of(late), _LEAST_USED)
        centres[late] += np.where(again.ok[:, None], again.shift, 0)
    if good.sum() < 6:
        return None
    return _collect(known, which, centres, steps, use, odd, shaded, common)


def _slopes_beside_clipping(
    known: View, which: NDArray[np.int64], centres: FloatArray, steps: Steps, good: NDArray[np.bool_]
) -> FloatArray:
    """Relative slope of the light at every dot, 1/px, where the bright part's level is clipped away.

    The dark part tells it exactly, but for a black level or haze on it; the flanks of the bright part
    tell without these, but roughly: they scale the dark part's slopes, which are believed to 30 %.
    """
    dots = known.contrast > 0
    dark = light_slopes(steps, centres, good, not dots)
    moved = centres + np.where(good[:, None], steps.shift, 0.0)
    gathered = known.scores(which, moved, stride=known.stride(which), kind=LIT_DOTS if dots else LIT_GROUND)
    lit = known.solved(gathered, Beliefs.loose(len(which), ramp=1e6 * abs(known.contrast)), _LEAST_USED)
    use = good & lit.ok
    if use.sum() < 12:
        return dark
    flanks = lit.ramp / (known.ground + (known.contrast if dots else 0.0))
    _, scatter, _ = smooth(centres, flanks, use, degree=1)
    trust, belief = 1.0 / max(float(scatter @ scatter) / 2, 1e-300), 1.0 / _DARK_TRUE**2
    share = (flanks[use] * dark[use]).sum() * trust + belief
    return np.asarray(dark * (share / ((dark[use] ** 2).sum() * trust + belief)))


def _refit(known: View, which: NDArray[np.int64], centres: FloatArray) -> None:
    """The view's map through the dots' centres as they are now known."""
    ecc = eccentricity_px(known.view, known.xy[which], known.radius)
    known.view, _ = fit_view_map(known.xy[which], centres - ecc, known.size, start=known.view)


def _exact(
    known: View,
    which: NDArray[np.int64],
    centres: FloatArray,
    slopes: FloatArray,
    good: NDArray[np.bool_],
    shaded: NDArray[np.bool_],
    ramps: FloatArray,
) -> tuple[Steps, Beliefs, bool]:
    """The step from every pixel, what was believed in it, and whether the view's blur is lopsided.

    Where few dots carry a ramp of their own, only these are gathered with one; the others' last columns
    then serve to tell whether the blur is lopsided and, where it is not, which dots look so alone: these
    are asked for a ramp once more, and join `shaded` and `ramps` in place where they carry one.
    """
    free = Beliefs.loose(len(which), ramp=1e6 * abs(known.contrast))
    if ramps[~shaded].any() or shaded.sum() > 0.3 * len(which):
        gathered = known.scores(which, centres, slopes, reach=EDGE_REACH)
        beliefs = beliefs_of(known.solved(gathered, free, _LEAST_USED), centres, good, ramps)
        return known.solved(gathered, beliefs, _LEAST_USED), beliefs, False
    gathered = known.scores(which, centres, slopes, kind=SKEWS, reach=EDGE_REACH)
    free.table[:, 4] = 0.0
    beliefs = beliefs_of(known.solved(gathered, free, _LEAST_USED), centres, good, ramps)
    level = Beliefs(beliefs.table.copy())
    level.table[:, 4] = 0.0
    steps = known.solved(gathered, level, _LEAST_USED)
    level.table[:, 4] = 1e6 * abs(known.contrast)
    skewed = known.solved(gathered, level, _LEAST_USED)
    bent = lopsided(skewed, good & ~shaded) and not known.bent[2:].any()
    alone = ~shaded & (_stands_out(skewed, good) > _SKEWED) & (not bent)
    asked = np.flatnonzero(shaded | alone)
    if len(asked):
        ramped = known.scores(which[asked], centres[asked], slopes[asked], reach=EDGE_REACH)
        fresh = alone[asked]
        found = known.solved(ramped, level.of(asked), _LEAST_USED)
        size = np.hypot(found.ramp[:, 0], found.ramp[:, 1])
        noise = found.ramp_sigma * max(median(steps.misfit[good]), 1.0) ** 0.5
        over = (size / np.where(found.ok, noise, 1.0) - _RAMPED) / (_SURELY_RAMPED - _RAMPED)
        fresh &= found.ok & (over > 0.0)
        believed = 10 * size * np.clip(over, 0.0, 1.0) ** 2
        ramps[asked[fresh]], shaded[asked[fresh]] = believed[fresh], True
        beliefs.table[asked[fresh], 4] = believed[fresh]
        own = known.solved(ramped, beliefs.of(asked), _LEAST_USED)
        steps.table[asked[shaded[asked]]] = own.table[shaded[asked]]
        steps = Steps.of(steps.table)
    return steps, beliefs, bent


def _stands_out(skewed: Steps, good: NDArray[np.bool_]) -> FloatArray:
    """How far each dot's own skew lies from the view's, over its standard deviation."""
    last = np.ascontiguousarray(skewed.last[good].T)
    usual = np.array([median(last[0]), median(last[1])])
    off = np.abs(skewed.contrast) * np.hypot(skewed.last[:, 0] - usual[0], skewed.last[:, 1] - usual[1])
    sigma = np.where(skewed.ok, skewed.ramp_sigma, 1.0) * max(median(skewed.misfit[good]), 1.0) ** 0.5
    return np.where(skewed.ok, off / sigma, 0.0)


def _collect(
    known: View,
    which: NDArray[np.int64],
    centres: FloatArray,
    steps: Steps,
    good: NDArray[np.bool_],
    odd: NDArray[np.bool_],
    shaded: NDArray[np.bool_],
    common: float,
) -> Dots | None:
    """Correct eccentricity, fit the map once more, drop what lies off it, put sigmas together."""
    if good.sum() < 6:
        return None
    which, centres, shaded, odd = which[good], centres[good], shaded[good], odd[good]
    sigmas = np.sqrt(steps.variance[good] + common**2)
    if known.clip_bounds() != EVERYWHERE:  # there the noise was worked out from the misfit
        sigmas = sigmas * np.sqrt(median(steps.misfit[good]))
    points = centres - eccentricity_px(known.view, known.xy[which], known.radius)
    view, residuals = fit_view_map(
        known.xy[which], points, known.size, sigmas=np.where(odd, 30, 1) * sigmas, start=known.view
    )
    surface, scatter, _ = smooth(points, residuals, ~odd, degree=3)
    off = np.hypot(*(residuals - surface).T)
    typical = max(float(np.hypot(*scatter)) / np.sqrt(2), median(sigmas))
    keep = off < np.where(odd, _FAR_ODD, _FAR) * typical
    suspect = odd | (off > 5 * np.maximum(typical, sigmas))
    order = np.flatnonzero(keep)
    order = order[np.argsort(which[order])]
    blur = float(np.sqrt(max(known.sigma**2 - 1 / 12, 0.0)))
    clipped = np.zeros(len(order), bool) if known.clip <= 0 else _touches_clip(known, points[order])
    return Dots(
        which[order], points[order], np.where(suspect, np.maximum(sigmas, off / 2), sigmas)[order],
        clipped, shaded[order], suspect[order], blur, known.radius, view, residuals[order],
    )  # fmt: skip


def _touches_clip(known: View, points: FloatArray) -> NDArray[np.bool_]:
    """Whether a dot's middle or the ground beside it stands at the clipping level."""
    height, width = known.image.shape
    reach = known.radius_px(known.view.jacobians(known.xy[:1]) * known.radius)[0] * 1.5
    out = np.zeros(len(points), bool)
    for dx, dy in ((0, 0), (reach, 0), (-reach, 0), (0, reach), (0, -reach)):
        x = np.clip(np.round(points[:, 0] + dx), 0, width - 1).astype(int)
        y = np.clip(np.round(points[:, 1] + dy), 0, height - 1).astype(int)
        out |= known.image[y, x] >= known.clip
    return out
