"""What two cameras see alike: matched points of any scene, and the shift of a still scene in one camera."""

from __future__ import annotations

from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.limits import limit
from holdstill.records import FloatArray, Nothing, Picture

from .levels import checked
from .shake import tile_motion

_WIDE_PX = 720.0
_FEATURES = 1500


def matched_points(first: Picture, second: Picture) -> tuple[FloatArray, FloatArray] | Nothing:
    """Points of a scene that two cameras both see: float64 (n, 2) px each, pixel centres whole.

    first, second: uint8 or uint16 (rows, columns). Features that are alike at any scale and turn (SIFT:
    Lowe, Int. J. Comput. Vis. 60 (2004) 91-110, from memory) in pictures reduced to 720 px, matched
    both ways with a clear winner (ratio 0.8, ibid.), of which those are kept that one affine map explains
    (RANSAC). Good to a few px: for aiming, not for measuring. Nothing ("too few matches").
    """
    seen = [_features(picture) for picture in (first, second)]
    if any(len(points) < 8 for points, _, _ in seen):
        return Nothing("too few matches", {"found": min(len(s[0]) for s in seen), "needed": 8})
    (p, a, scale_p), (q, b, scale_q) = seen
    pairs = _mutual(a, b)
    if len(pairs) < 8:
        return Nothing("too few matches", {"found": len(pairs), "needed": 8})
    left, right = p[pairs[:, 0]], q[pairs[:, 1]]
    found: Any = cv2.estimateAffine2D(left, right, method=cv2.RANSAC, ransacReprojThreshold=8.0)
    inside = found[1]
    if inside is None:
        return Nothing("too few matches", {"found": 0, "needed": int(limit("aim_least_matches"))})
    keep = np.asarray(inside).ravel().astype(bool)
    if int(keep.sum()) < limit("aim_least_matches"):
        wanted = int(limit("aim_least_matches"))
        return Nothing("too few matches", {"found": int(keep.sum()), "needed": wanted})
    return _full(left[keep], scale_p), _full(right[keep], scale_q)


def _full(points: FloatArray, scale: float) -> FloatArray:
    out: FloatArray = (points.astype(np.float64) + 0.5) / scale - 0.5
    return out


def _features(picture: Picture) -> tuple[FloatArray, NDArray[np.float32], float]:
    """Places (in the reduced picture), descriptors, and by how much it was reduced."""
    image = checked(picture, where="a camera")
    scale = min(1.0, _WIDE_PX / image.shape[1])
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    top = max(float(np.percentile(small[::4, ::4], 99.5)), 1.0)
    bright = np.clip(small.astype(np.float32) * (255.0 / top), 0, 255).astype(np.uint8)
    finder: Any = cv2.SIFT.create(nfeatures=_FEATURES)
    points, words = finder.detectAndCompute(bright, None)
    if words is None or not points:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32), scale
    return np.array([p.pt for p in points]), np.asarray(words, dtype=np.float32), scale


def _mutual(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.int64]:
    """Pairs of rows that are each other's nearest, clearly nearer than the second, (n, 2)."""
    square = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1)[None, :] - 2.0 * (a @ b.T)
    order = np.argpartition(square, 1, axis=1)[:, :2]
    rows = np.arange(len(a))
    two = np.take_along_axis(square, order, axis=1)
    best = order[rows, np.argmin(two, axis=1)]
    clear = two.min(axis=1) < 0.8**2 * two.max(axis=1)
    back = np.argmin(square, axis=0)
    good = clear & (back[best] == rows)
    return cast("NDArray[np.int64]", np.stack([rows[good], best[good]], axis=1).astype(np.int64))


def scene_shift(reference: Picture, now: Picture, *, full_scale: int) -> tuple[float, float] | Nothing:
    """How far a scene at rest has moved in the picture since `reference`, px (right, down).

    The median of the tiles' apparent shifts (see ``shake.tile_motion``), believed only when most tiles
    agree with it: hands, a plate that is carried through or a changed focus are told as Nothing ("not
    at rest"); also "no structure", "mixed sizes". Good to about 0.01 px on a patterned scene.
    """
    motion: Any = tile_motion(reference, now, full_scale=full_scale)
    if isinstance(motion, Nothing):
        return motion
    shift, sigma = motion
    middle = np.median(shift, axis=0)
    off = np.hypot(*(shift - middle).T)
    agree = float(np.mean(off <= limit("warm_tile_px") + 3.0 * sigma))
    if agree < 0.6:
        return Nothing("not at rest", {"agree": agree})
    return float(middle[0]), float(middle[1])
