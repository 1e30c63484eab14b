"""Each camera by itself beside the joint fit: the least its rms can be, and whether its lens stayed
the same through the set. What moves between the cameras does not show here; what changes in one does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from holdstill.records import FloatArray, IntArray

from .bundle import BundleNormals, Layout, State
from .fitting import FULL, Fit
from .mono import HUBER, adjust, order_mask, rms_px
from .observations import Pictures
from .start import settle

FEWEST_A_SIDE = 3
"""Views that a lens must have been seen in before and after a change, to be told from chance."""


@dataclass(frozen=True, slots=True, eq=False)
class Alone:
    """A camera adjusted by itself: rms (px) and variance factor of its used points; the views (indices)
    it used and what each says about the lens: `information` (n, p, p), `gradient` (n, p)."""

    rms_px: float
    variance: float
    views: IntArray
    information: FloatArray
    gradient: FloatArray


def alone(fitted: Fit, camera: int, *, everything: bool = False) -> Alone | None:
    """One camera's points adjusted by itself with the full lens model; None with fewer than three
    pictures. The used points, or `everything`: pictures set aside as well, robustly."""
    pictures = fitted.pictures if everything else fitted.used
    own = pictures.only((pictures.camera == camera) & (pictures.weight > 0).any(axis=1))
    count = len(own.camera)
    if count < 3:
        return None
    state = _in_camera(fitted, camera, own, refit=everything)
    points = own.points_mm
    if len(fitted.layout.basis):
        points = points + np.einsum("s,spi->pi", fitted.state.shape, fitted.layout.basis)
    by_itself = replace(
        own, camera=np.zeros(count, dtype=np.int32), view=np.arange(count, dtype=np.int32),
        cameras=1, views=count, points_mm=points,
    )
    layout = Layout(
        order_mask(FULL if count >= 6 else fitted.order)[None], fitted.layout.basis[:0], count
    )
    if everything:
        state, _ = settle(by_itself, state, layout.basis, huber=HUBER, steps=6)
    walk = adjust(by_itself, state, layout, tolerance=1.0, huber=HUBER if everything else None)
    normals: BundleNormals = walk.normals
    freedom = max(1, 2 * by_itself.count - layout.rig_size - 6 * count)
    information, gradient = normals.view_information()
    return Alone(
        rms_px(normals.residual, by_itself.weight), normals.cost / freedom, own.view, information, gradient
    )


def _in_camera(fitted: Fit, camera: int, own: Pictures, *, refit: bool) -> State:
    """Where one camera's adjustment starts: its lens, and the views' poses as it sees them."""
    state = fitted.state
    if refit:
        # Pictures set aside have no pose of their own in the joint fit.
        state, _ = settle(fitted.pictures, state, fitted.layout.basis, huber=HUBER, steps=6)
    r, t = state.cam_r[camera], state.cam_t[camera]
    return State(
        state.lenses[camera][None], np.eye(3)[None], np.zeros((1, 3)),
        r @ state.view_r[own.view], state.view_t[own.view] @ r.T + t, np.zeros(0),
    )


Wald = Callable[[FloatArray, FloatArray], FloatArray]


def wald(information: FloatArray, gradient: FloatArray) -> FloatArray:
    """Chi-squares (k,) that the best change of the parameters explains: ``g' N^-1 g`` of sums (k, p, p)
    and (k, p)."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("kii->ki", information), 1e-300))
    unit = information * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(scale.shape[1])
    right = gradient * scale
    return np.asarray(np.einsum("ki,ki->k", right, np.linalg.solve(unit, right[:, :, None])[:, :, 0]))


def best_split(
    information: FloatArray, gradient: FloatArray, fewest: int, chi_square: Wald = wald
) -> tuple[int, float]:
    """The place in a row of views where two sets of parameters explain most more than one: index of
    the first view after it, and the chi-square gained. (0, 0.0) when there is no room for two."""
    before = np.cumsum(information, axis=0), np.cumsum(gradient, axis=0)
    splits = np.arange(fewest, len(information) - fewest + 1)
    if not len(splits):
        return 0, 0.0
    after = np.cumsum(information[::-1], axis=0)[::-1], np.cumsum(gradient[::-1], axis=0)[::-1]
    whole = chi_square(before[0][-1:], before[1][-1:])[0]
    gained = chi_square(before[0][splits - 1], before[1][splits - 1]) - whole
    gained += chi_square(after[0][splits], after[1][splits])
    best = int(np.argmax(gained))
    return (int(splits[best]), float(gained[best])) if gained[best] > 0.0 else (0, 0.0)
