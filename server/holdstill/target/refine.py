"""From rough dots to exact centres with their own sigma: what one view tells about its dots.

Shape comes from the view's own map, blur, radius and the slope of the light from the whole view;
only the centre (and ground, contrast) is each dot's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from holdstill.limits import limit
from holdstill.records import FloatArray, Picture

from .conic import dual_conics
from .eccentricity import eccentricity_px
from .score import ROUND, Beliefs, Scores, Steps, score, solve_steps
from .smooth import smooth
from .viewmap import ViewMap, fit_view_map

_REACH = 3.2
_PROBES = 9
_SKEW_DOTS = 24
_SOFT_PX, _LEAST_SIGMA_PX = 0.8, 0.4
_LEAST_USED = 0.45
_HELD_LEVELS = (1.01, 1.04, 1.08, 1.15, 1.25, 1.4)
_EVERYWHERE = (-9.0, 9.0)


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


@dataclass(slots=True, eq=False)
class _View:
    """What is known of the view as the passes go on."""

    image: Picture
    xy: FloatArray
    size: tuple[int, int]
    clip: float
    view: ViewMap
    radius: float
    sigma: float
    contrast: float
    variance: tuple[float, float]
    pitch: float
    ground: float = 0.0
    """Level of the ground as fitted, grey values; with `contrast` it says where clipping begins."""
    lean: FloatArray = field(default_factory=lambda: ROUND)
    """How the blur depends on direction; see `score`."""
    factors: FloatArray | None = None
    """Radius of each point's dot over the plain dot's (marked dots), or None."""
    rings: NDArray[np.bool_] | None = None
    """Points whose dot is a ring: only its outer edge is used."""
    followed: bool = False
    """Radius and blur come from the last picture."""
    sign: float = -1.0
    """-1 for dark dots, 1 for bright ones."""
    held: float = 0.0
    """Level taken for a plateau that is clipped away (0: nothing clips)."""

    def shapes(self, which: NDArray[np.int64]) -> FloatArray:
        shapes = self.view.jacobians(self.xy[which]) * self.radius
        return np.asarray(shapes if self.factors is None else shapes * self.factors[which][:, None, None])

    def stride(self, which: NDArray[np.int64]) -> int:
        """Every how many rows are enough for a rough step: a dot should keep about twenty rows."""
        return int(np.clip(np.median(self.radius_px(self.shapes(which))) // 9, 1, 4))

    @staticmethod
    def radius_px(shapes: FloatArray) -> FloatArray:
        """Mean radius (n,) of ellipses given by their half-axes maps, px."""
        return np.asarray(np.sqrt(np.abs(np.linalg.det(shapes))))

    def gap_px(self, shapes: FloatArray) -> FloatArray:
        """How far outward a ring may reach before it meets the neighbours' edges."""
        scale = np.sqrt(np.abs(np.linalg.det(shapes))) / self.radius
        return np.asarray(np.maximum((self.pitch - 2 * self.radius) * scale * 0.75 - self.sigma, 1.0))

    def expected(self, which: NDArray[np.int64]) -> FloatArray:
        """Where the dots' ellipses are expected to be centred."""
        return np.asarray(self.view(self.xy[which]) + eccentricity_px(self.view, self.xy[which], self.radius))

    def scores(
        self,
        which: NDArray[np.int64],
        centres: FloatArray,
        slopes: FloatArray,
        stride: int = 1,
        sector: float = -1.0,
        skew: bool = False,
    ) -> Scores:
        shapes = self.shapes(which)
        return score(
            self.image, centres, shapes, np.full(len(which), self.sigma), slopes, reach=_REACH,
            gap=self.gap_px(shapes), bounds=self.bounds(which, shapes), variance=self.variance,
            clip=0.0 if self.contrast and self.held else self.clip, stride=stride, lean=self.lean, sector=sector, skew=skew,
        )  # fmt: skip

    def bounds(self, which: NDArray[np.int64], shapes: FloatArray) -> FloatArray:
        """Signed distances over sigma (n, 2) between which pixels are used: clear of clipping, and
        in the outer quarter of a ring's radius."""
        out = np.tile(self.clip_bounds(), (len(which), 1))
        if self.rings is not None:
            inward = -0.25 * self.radius_px(shapes) / self.sigma
            out[:, 0] = np.where(self.rings[which], np.maximum(out[:, 0], inward), out[:, 0])
        return out

    def clip_bounds(self) -> tuple[float, float]:
        """Signed distances over sigma between which the model stays clear of the clipping level.

        Judged by the model, not by the pixels: dropping pixels for their own noise would bias the
        flanks (a truncated sample).
        """
        if self.held <= 0 or not self.contrast:
            return _EVERYWHERE
        guard = 2.5 * np.sqrt(max(self.variance))
        share = float(np.clip((self.clip - guard - self.ground) / self.contrast, 0.02, 0.98))
        at = -float(ndtri(share))
        bright = max(self.ground, self.ground + self.contrast)
        if bright < self.clip - guard:
            return _EVERYWHERE
        return (at, 9.0) if self.contrast > 0 else (-9.0, at)


def clip_level(image: Picture, full_scale: int) -> float:
    """Grey value at and above which pixels say nothing; 0 when the picture does not clip.

    The largest value seen, where a pile of pixels stands on it: at least 0.1 % of a sample and
    three times as many as in the eight values below.
    """
    step = max(1, int(np.sqrt(image.size / 60000)))
    sample = image[::step, ::step].ravel()
    top = int(sample.max())
    if top < 0.5 * full_scale:
        return 0.0
    pile = int((sample == top).sum())
    below = int(((sample < top) & (sample >= top - 8 * max(1, full_scale // 4096))).sum())
    if pile > 0.001 * len(sample) and pile > 3 * below:
        return float(top)
    return float(top) if top >= full_scale else 0.0


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
) -> Dots | None:
    """Exact centres of the dots `which` of the plate points `xy`, starting from rough `centres`.

    radius, pitch
        Of the dots and the lattice, in the unit of `xy`; the radius is only a start.
    view
        A map through the rough centres.
    blur_px
        The blur of the last picture, when the plate was followed from there: shortens the start.
    factors, rings
        Of every point: radius over the plain dot's, and whether it is a ring; None on plain plates.
    others
        Further points of the plate that should be in the picture; taken in where a dot is seen.

    Returns None when the dots can't be measured (no contrast, too few).
    """
    size = (image.shape[1], image.shape[0])
    known = _View(
        image, xy, size, clip, view, radius, 1.5, 0.0, (1.0, 1.0), pitch, sign=-1.0 if dark else 1.0
    )
    if not _probe(known, which, centres):
        return None
    centres, which = _first_pass(known, which, centres)
    if len(which) < 6:
        return None
    extra = np.setdiff1d(others, which)
    which, centres = np.concatenate([which, extra]), np.concatenate([centres, known.expected(extra)])
    return _final_pass(known, which, centres)


def _probe(known: _View, which: NDArray[np.int64], centres: FloatArray) -> bool:
    """Radius, blur, contrast and noise from a few dots spread over the view; False if hopeless."""
    chosen = np.unique(np.linspace(0, len(which) - 1, min(_PROBES, len(which))).astype(int))
    some, at = which[chosen], centres[chosen].copy()
    shapes = known.shapes(some)
    if not known.followed:
        outer = float(np.clip(0.5 * (known.pitch / known.radius), 1.15, 1.6))
        fits = dual_conics(known.image, at, shapes, 0.45, outer, known.clip)
        good = np.isfinite(fits).all(axis=1) & (np.hypot(*(fits[:, :2] - at).T) < known.radius_px(shapes) * 0.5)
        if good.sum() >= 3:
            at[good] = fits[good, :2]
            area = np.maximum(fits[good, 2] * fits[good, 4] - fits[good, 3] ** 2, 1e-9) ** 0.25
            known.radius *= float(np.median(area / known.radius_px(shapes[good])))
        known.sigma = float(np.clip(0.12 * np.median(known.radius_px(shapes)), 0.8, 6.0))
    stride = known.stride(some)
    known.held = _HELD_LEVELS[-2] * known.clip if _bright_part_clips(known, some, at) else 0.0
    misfit = _settle_probes(known, some, at, stride, rounds=5)
    if not np.isfinite(misfit):
        return False
    if known.held > 0:
        _choose_held_level(known, some, at, stride)
    if known.sigma > 0.55 and np.median(known.radius_px(shapes)) > 5:
        _find_lean(known, some, at)
    rest = np.sqrt(misfit * max(known.variance)) / max(abs(known.contrast), 1e-9)
    if rest > limit("target_unlike_dots"):
        return False
    return abs(known.contrast) > 2 * np.sqrt(max(known.variance) / 50)


def _bright_part_clips(known: _View, some: NDArray[np.int64], at: FloatArray) -> bool:
    """True when the dots' middles or the ground between them stand at the clipping level."""
    if known.clip <= 0:
        return False
    height, width = known.image.shape
    jac = known.view.jacobians(known.xy[some])
    shares = []
    for offset in ((0.0, 0.0), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)):
        x, y = (at + known.pitch * (jac @ np.array(offset))).T
        inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
        values = known.image[y[inside].astype(int), x[inside].astype(int)]
        shares.append(float((values >= known.clip).mean()) if inside.any() else 0.0)
    return shares[0] > 0.3 or float(np.mean(shares[1:])) > 0.3


def _settle_probes(
    known: _View, some: NDArray[np.int64], at: FloatArray, stride: int, *, rounds: int
) -> float:
    """Gauss-Newton rounds on the probe dots (`at` moves in place); their median misfit, inf if hopeless."""
    slopes = np.zeros((len(some), 2))
    misfit = np.inf
    for _ in range(rounds):
        gathered = known.scores(some, at, slopes, stride)
        steps = solve_steps(
            gathered,
            Beliefs.loose(len(some), spread_px=9.0),
            contrast=known.contrast or known.sign * 100.0,
            held=known.held,
        )
        ok = steps.ok > 0
        if ok.sum() < 2:
            return np.inf
        known.contrast, known.ground = (
            float(np.median(steps.contrast[ok])),
            float(np.median(steps.ground[ok])),
        )
        scale = float(np.median(known.radius_px(known.shapes(some)))) / known.radius
        limit_px = 0.7 * known.sigma
        at[ok] += np.clip(steps.shift[ok], -limit_px, limit_px)
        dr = float(np.clip(np.median(steps.radius[ok]), -limit_px, limit_px))
        ds = float(np.clip(np.median(steps.blur[ok]), -0.35 * known.sigma, 0.7 * known.sigma))
        known.radius += dr / scale
        known.sigma = max(known.sigma + ds, _LEAST_SIGMA_PX)
        known.variance = _noise(gathered, steps, ok, known.variance, rough=True)
        misfit = float(np.median(steps.misfit[ok]))
        if abs(dr) < 0.01 and abs(ds) < 0.02 * known.sigma:
            break
    return misfit


def _find_lean(known: _View, some: NDArray[np.int64], at: FloatArray) -> None:
    """Dependence of the blur on direction (motion, astigmatism), from the probe dots' edges.

    The blur is fitted to the edges that face 0, 45, 90 and 135 degrees, each for itself; below 6 %
    of the variance the blur is taken as round.
    """
    zero = np.zeros((len(some), 2))
    fixed = replace(Beliefs.loose(len(some)), radius=np.tile([0.0, 0.02], (len(some), 1)))
    for _ in range(3):
        variances = []
        for k in range(4):
            gathered = known.scores(some, at, zero, known.stride(some), sector=k * np.pi / 4)
            steps = solve_steps(gathered, fixed, contrast=known.contrast, held=known.held, least_used=0.0)
            here = 1 + known.lean[0] * np.cos(k * np.pi / 2) + known.lean[1] * np.sin(k * np.pi / 2)
            ds = float(np.clip(np.median(steps.blur) / known.sigma, -0.4, 0.6))
            variances.append(max(here, 0.05) * (1 + ds) ** 2)
        a = sum(variances) / 4
        lean = np.array([variances[0] - variances[2], variances[1] - variances[3]]) / (2 * a)
        if np.hypot(*lean) < 0.06:
            return
        lean *= min(1.0, 0.93 / float(np.hypot(*lean)))
        done = float(np.abs(lean - known.lean).max()) < 0.02
        known.lean = lean
        known.sigma = max(known.sigma * float(np.sqrt(a)), _LEAST_SIGMA_PX)
        if done:
            return


def _choose_held_level(known: _View, some: NDArray[np.int64], at: FloatArray, stride: int) -> None:
    """Level of a clipped plateau: of a few, the one with which the probe dots' flanks fit best."""
    best, chosen = np.inf, (known.held, known.radius, known.sigma, known.contrast, known.ground)
    for share in _HELD_LEVELS:
        known.held = share * known.clip
        misfit = _settle_probes(known, some, at, stride, rounds=4)
        if misfit < best:
            best, chosen = misfit, (known.held, known.radius, known.sigma, known.contrast, known.ground)
    known.held, known.radius, known.sigma, known.contrast, known.ground = chosen


def _noise(
    gathered: Scores, steps: Steps, good: NDArray[np.bool_], before: tuple[float, float], *, rough: bool
) -> tuple[float, float]:
    """Noise variance of ground and dot from differences of pixels within the plateaus.

    Where one plateau is clipped away, its variance follows from the misfit of the flanks, variance
    being linear in the level between the two (EMVA 1288's linear camera model); `rough`: it is taken as
    twice the other's, while the fit is not there yet.
    """
    plateau = gathered.plateau[good]
    counts, squares = plateau[:, 0::3].sum(axis=0), plateau[:, 2::3].sum(axis=0)
    floor = 1.0 / 12
    each = [max(float(q) / (2 * c), floor) if c > 60 else None for c, q in zip(counts, squares, strict=True)]
    ground, dot = each
    if ground is None and dot is None:
        return before
    if ground is not None and dot is not None:
        return ground, dot
    known = float(dot if ground is None else ground or floor)
    if rough:
        return (2 * known, known) if ground is None else (known, 2 * known)
    share = float(np.median(gathered.normal[good, 0, 1] / np.maximum(gathered.normal[good, 0, 0], 1e-12)))
    mine = np.clip(share if ground is None else 1 - share, 0.05, 0.95)
    clipped = before[0] if ground is None else before[1]
    mean = float(np.median(steps.misfit[good])) * (clipped * (1 - mine) + known * mine)
    clipped = float(np.clip((mean - known * mine) / (1 - mine), known, 8 * known))
    return (clipped, known) if ground is None else (known, clipped)


def _first_pass(
    known: _View, which: NDArray[np.int64], centres: FloatArray
) -> tuple[FloatArray, NDArray[np.int64]]:
    """One rough step for every dot, on part of the rows; updates map, radius and blur.

    The edge is taken to be no sharper than `_SOFT_PX`, so that a start half a pixel off still leads in.
    """
    n = len(which)
    stride = known.stride(which)
    sharp, known.sigma = known.sigma, max(known.sigma, _SOFT_PX)
    gathered = known.scores(which, centres, np.zeros((n, 2)), stride)
    soft, known.sigma = known.sigma, sharp
    steps = solve_steps(gathered, Beliefs.loose(n), contrast=known.contrast, held=known.held, least_used=0.45)
    ok = (steps.ok > 0) & (np.hypot(*steps.shift.T) < 2.5 * soft + 0.5)
    ok &= steps.contrast * known.contrast > 0.2 * known.contrast**2
    if ok.sum() < 6:
        return centres[:0], which[:0]
    if known.factors is not None:
        marked = ok & (known.factors[which] != 1.0)
        size = known.radius_px(known.shapes(which))
        known.factors[which[marked]] *= 1 + np.clip(steps.radius[marked] / size[marked], -0.2, 0.2)
    which, centres = which[ok], centres[ok] + steps.shift[ok]
    ecc = eccentricity_px(known.view, known.xy[which], known.radius)
    known.view, _ = fit_view_map(known.xy[which], centres - ecc, known.size, start=known.view)
    scale = float(np.median(known.radius_px(known.shapes(which)))) / known.radius
    known.radius += float(np.clip(np.median(steps.radius[ok]), -0.5, 0.5)) / scale
    if soft == sharp:
        known.sigma = max(known.sigma + float(np.clip(np.median(steps.blur[ok]), -0.3, 0.3)), _LEAST_SIGMA_PX)
    known.contrast, known.ground = float(np.median(steps.contrast[ok])), float(np.median(steps.ground[ok]))
    return centres, which


def _final_pass(known: _View, which: NDArray[np.int64], centres: FloatArray) -> Dots | None:
    n = len(which)
    free = 1e6 * abs(known.contrast)
    gathered = known.scores(which, centres, np.zeros((n, 2)), known.stride(which))
    steps = _solved(known, gathered, Beliefs.loose(n, ramp=free))
    good, _ = _plausible(known, steps, which, centres)
    if good.sum() < 6:
        return None
    known.variance = _noise(gathered, steps, good, known.variance, rough=False)
    slopes = _light_slopes(steps, centres, good, known.contrast > 0)
    centres = centres + np.where(good[:, None], steps.shift, 0)
    gathered = known.scores(which, centres, slopes)
    steps = _solved(known, gathered, Beliefs.loose(n, ramp=free))
    shaded, beliefs = _beliefs(steps, centres, good)
    steps = _solved(known, gathered, beliefs)
    good, odd = _plausible(known, steps, which, centres)
    centres = centres + np.where((good | odd)[:, None], steps.shift, 0)
    late = (good | odd) & (np.hypot(*steps.shift.T) > 0.12 * known.sigma)
    if late.any():
        again = _solved(known, known.scores(which[late], centres[late], slopes[late]), beliefs.of(late))
        centres[late] += np.where((again.ok > 0)[:, None], again.shift, 0)
    if good.sum() < 6:
        return None
    centres += _skew_shift(known, which, centres, slopes, good)
    return _collect(known, which, centres, steps, good | odd, odd, shaded)


def _solved(known: _View, gathered: Scores, beliefs: Beliefs) -> Steps:
    return solve_steps(gathered, beliefs, contrast=known.contrast, held=known.held, least_used=_LEAST_USED)


def _skew_shift(
    known: _View,
    which: NDArray[np.int64],
    centres: FloatArray,
    slopes: FloatArray,
    good: NDArray[np.bool_],
) -> FloatArray:
    """Common shift (2,), px, from the symmetric edge's place to the blur's centroid; 0 if not sure.

    A lopsided blur (coma) moves every dot of the view alike; measured on up to 24 clean dots with
    the skew of the edge left free, and used only when it stands out five times above its scatter.
    """
    some = np.flatnonzero(good)
    some = some[np.unique(np.linspace(0, len(some) - 1, min(_SKEW_DOTS, len(some))).astype(int))]
    gathered = known.scores(which[some], centres[some], slopes[some], skew=True)
    steps = _solved(known, gathered, Beliefs.loose(len(some), ramp=1e6 * abs(known.contrast)))
    ok = steps.ok > 0
    if ok.sum() < 8:
        return np.zeros(2)
    middle = np.median(steps.shift[ok], axis=0)
    scatter = 1.4826 * np.median(np.abs(steps.shift[ok] - middle), axis=0) * 1.2533 / np.sqrt(ok.sum())
    sure = np.hypot(*middle) > 5 * np.hypot(*scatter)
    return np.asarray(middle if sure else np.zeros(2))


def _plausible(
    known: _View, steps: Steps, which: NDArray[np.int64], centres: FloatArray
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Dots that look like the view's other dots; and those that are odd but still a dot in its place.

    Contrast, misfit, radius, blur and place of each are compared with a smooth surface over the
    view, in units of the view's own scatter about it: what is usual depends on the picture, and blur
    and light change across it.  Odd ones have the usual misfit and are a little paler, smaller, more
    blurred or off their place.
    """
    ok = (steps.ok > 0) & (steps.contrast * known.contrast > 0)
    if ok.sum() < 6:
        return ok, ok & False
    ratio = steps.contrast / np.median(steps.contrast[ok])
    ok &= (ratio > 0.4) & (ratio < 1.8) & (np.hypot(*steps.shift.T) < known.sigma + 1.0)
    dot = ok.copy()
    if ok.sum() < 6:
        return ok, ok & False
    place = centres + steps.shift - known.expected(which)
    numbers = np.column_stack([
        np.log(np.maximum(np.abs(steps.contrast), 1e-9)), np.log(np.maximum(steps.misfit, 1e-9)),
        steps.radius, steps.blur, place,
    ])  # fmt: skip
    radius = float(np.median(known.radius_px(known.shapes(which))))
    for _ in range(2):
        surface, scatter, _ = smooth(centres, numbers, ok, degree=2)
        off = np.abs(numbers - surface)
        far = np.hypot(off[:, 4], off[:, 5])
        fits = numbers[:, 1] - surface[:, 1] < np.maximum(7 * scatter[1], 6 * np.sqrt(2 / steps.dof))
        gates = [max(8 * scatter[0], 0.1), max(7 * scatter[2], 0.015), max(7 * scatter[3], 0.025)]
        reach = max(8 * float(np.hypot(scatter[4], scatter[5])), 0.01)
        ok &= fits & (off[:, 0] < gates[0]) & (off[:, 2] < gates[1]) & (off[:, 3] < gates[2]) & (far < reach)
        odd = dot & fits & (np.maximum(off[:, 2], off[:, 3]) < max(0.06 * radius, *gates[1:]))
        odd &= far < max(reach, 0.03 * known.pitch / known.radius * radius)
        if ok.sum() < 6:
            break
    return np.asarray(ok), np.asarray(odd & ~ok)


def _light_slopes(
    steps: Steps, centres: FloatArray, good: NDArray[np.bool_], bright_dots: bool
) -> FloatArray:
    """Relative slope of the light at every dot, 1/px: a quadratic surface over the view through the
    logarithm of the bright part's level."""
    level = steps.ground + steps.contrast if bright_dots else steps.ground
    use = good & (level > 0)
    if use.sum() < 12:
        return np.zeros_like(centres)
    return smooth(centres, np.log(np.where(use, level, 1.0)), use)[2]


def _beliefs(steps: Steps, centres: FloatArray, good: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Beliefs]:
    """Which dots carry a ramp of their own; and what the view's other dots say about each dot's
    radius, blur and ramp (a smooth surface and the scatter about it)."""
    size = np.abs(steps.ramp).max(axis=1)
    usual = steps.ramp[good]
    spread = 1.4826 * float(np.median(np.abs(usual - np.median(usual, axis=0))))
    noise = float(np.median(steps.ramp_sigma[good]))
    excess = np.sqrt(max(spread**2 - 1.2 * noise**2, 0.0))
    shaded = size > 4.0 * np.hypot(steps.ramp_sigma, excess)
    surface, scatter, _ = smooth(centres, np.column_stack([steps.radius, steps.blur]), good)
    radius, blur = (
        np.stack([surface[:, k], np.full(len(centres), max(1.5 * scatter[k], 1e-3))], axis=1) for k in (0, 1)
    )
    return shaded, Beliefs(radius, blur, np.where(shaded, 10 * size, excess))


def _collect(
    known: _View,
    which: NDArray[np.int64],
    centres: FloatArray,
    steps: Steps,
    good: NDArray[np.bool_],
    odd: NDArray[np.bool_],
    shaded: NDArray[np.bool_],
) -> Dots | None:
    """Correct eccentricity, fit the map once more, drop what lies off it, put sigmas together."""
    if good.sum() < 6:
        return None
    which, centres, shaded, odd = which[good], centres[good], shaded[good], odd[good]
    sigmas = np.sqrt(0.5 * np.trace(steps.covariance[good], axis1=1, axis2=2))
    if known.clip_bounds() != _EVERYWHERE:  # there the noise was worked out from the misfit
        sigmas = sigmas * np.sqrt(float(np.median(steps.misfit[good])))
    points = centres - eccentricity_px(known.view, known.xy[which], known.radius)
    view, residuals = fit_view_map(
        known.xy[which], points, known.size, sigmas=np.where(odd, 30, 1) * sigmas, start=known.view
    )
    surface, scatter, _ = smooth(points, residuals, ~odd, degree=3)
    off = np.hypot(*(residuals - surface).T)
    typical = max(float(np.hypot(*scatter)) / np.sqrt(2), float(np.median(sigmas)))
    keep = odd | (off < 9 * typical)
    suspect = odd | (off > 5 * np.maximum(typical, sigmas))
    order = np.flatnonzero(keep)
    order = order[np.argsort(which[order])]
    blur = float(np.sqrt(max(known.sigma**2 - 1 / 12, 0.0)))
    clipped = np.zeros(len(order), bool) if known.clip <= 0 else _touches_clip(known, points[order])
    return Dots(
        which[order], points[order], np.where(suspect, np.maximum(sigmas, off / 2), sigmas)[order],
        clipped, shaded[order], suspect[order], blur, known.radius, view, residuals[order],
    )  # fmt: skip


def _touches_clip(known: _View, points: FloatArray) -> NDArray[np.bool_]:
    """Whether a dot's middle or the ground beside it stands at the clipping level."""
    height, width = known.image.shape
    reach = known.radius_px(known.view.jacobians(known.xy[:1]) * known.radius)[0] * 1.5
    out = np.zeros(len(points), bool)
    for dx, dy in ((0, 0), (reach, 0), (-reach, 0), (0, reach), (0, -reach)):
        x = np.clip(np.round(points[:, 0] + dx), 0, width - 1).astype(int)
        y = np.clip(np.round(points[:, 1] + dy), 0, height - 1).astype(int)
        out |= known.image[y, x] >= known.clip
    return out
