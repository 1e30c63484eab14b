"""Each camera by itself beside the joint fit: the least its rms can be, and whether its lens stayed
the same through the set. What moves between the cameras does not show here; what changes in one does.
"""

from __future__ import annotations

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


def wald(information: FloatArray, gradient: FloatArray) -> float:
    """Chi-square that the best change of the parameters explains: ``g' N^-1 g`` of the sums."""
    total, slope = information.sum(axis=0), gradient.sum(axis=0)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(total), 1e-300))
    unit = total * scale[:, None] * scale[None, :] + 1e-9 * np.eye(len(scale))
    right = slope * scale
    return float(right @ np.linalg.solve(unit, right))


def best_split(information: FloatArray, gradient: FloatArray, fewest: int) -> tuple[int, float]:
    """The place in a row of views where two sets of parameters explain most more than one: index of
    the first view after it, and the chi-square gained. (0, 0.0) when there is no room for two."""
    whole = wald(information, gradient)
    best, at = 0.0, 0
    for split in range(fewest, len(information) - fewest + 1):
        gained = wald(information[:split], gradient[:split]) + wald(information[split:], gradient[split:])
        if gained - whole > best:
            best, at = gained - whole, split
    return at, best
