"""How still the plate was between two frames of one camera."""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray, Nothing, Sighting, Stillness


def stillness(
    before: Sighting, after: Sighting, *, seconds: float, exposure_ms: float | None
) -> Stillness | Nothing:
    """Motion of the plate from `before` to `after`: rms speed in px/s, and blur in one exposure, px.

    Both sightings of one camera (ValueError otherwise), `seconds` apart. The rms distance between
    the two images of the common points, less what their own sigmas explain; points further out
    than five robust deviations are left out. Blur = speed x exposure (uniform motion). Where the
    numbering of either sighting is not absolute, each point is compared with the nearest one, so a
    jump of numbers is not taken for motion (and a motion by whole pitches can't be seen).
    Nothing ("no time between", "too few common points"): needs at least 4.
    """
    if before.camera != after.camera:
        raise ValueError(f"two cameras, {before.camera!r} and {after.camera!r}: stillness is of one camera")
    if not seconds > 0:
        return Nothing("no time between", {"seconds": seconds})
    _, i, j = np.intersect1d(before.point_ids, after.point_ids, return_indices=True)
    if len(i) < 4:
        return Nothing("too few common points", {"found": len(i), "needed": 4})
    step = after.points_px[j] - before.points_px[i]
    noise = 2.0 * (before.sigmas_px[i] ** 2 + after.sigmas_px[j] ** 2)
    if not (before.absolute and after.absolute):
        near, near_noise = _to_nearest(before, after)
        if np.median((near**2).sum(axis=1)) < 0.5 * np.median((step**2).sum(axis=1)):
            step, noise = near, near_noise
    distance2 = (step**2).sum(axis=1)
    about = np.linalg.norm(step - np.median(step, axis=0), axis=1)
    keep = about <= 5.0 * max(1.4826 * float(np.median(about)), float(np.sqrt(np.median(noise)))) + 1e-12
    excess = float(np.mean(distance2[keep] - noise[keep]))
    shift = float(np.sqrt(max(excess, 0.0)))
    speed = shift / seconds
    blur = None if exposure_ms is None else speed * exposure_ms / 1000.0
    return Stillness(before.camera, speed, shift, blur, int(keep.sum()))


def _to_nearest(before: Sighting, after: Sighting) -> tuple[FloatArray, FloatArray]:
    """Step from each point of `before` to the nearest of `after`, and the expected noise of it."""
    gaps = after.points_px[None, :, :] - before.points_px[:, None, :]
    k = np.argmin((gaps**2).sum(axis=2), axis=1)
    step: FloatArray = gaps[np.arange(len(k)), k]
    return step, 2.0 * (before.sigmas_px**2 + after.sigmas_px[k] ** 2)
