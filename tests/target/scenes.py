"""The conditions of the eye's study: each gives a random but repeatable picture by its seed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from holdstill.records import Plate, Sighting
from holdstill.target import parse
from target.paint import Painted, finger, glare, paint

PLATE = parse("dots 14x10 14mm d6mm")
HALF = {"size": (1224, 1024), "focal_px": 3623.0}
"""The reference camera binned by two: quick to draw, dots of about 31 px."""


def pose(
    rng: np.random.Generator, *, most_tilt: float = 45.0, size=(2448, 2048), focal_px: float = 7246.0
) -> dict:
    """A pose with the whole plate in the picture."""
    tilt = np.clip(rng.normal(0, most_tilt / 2, 2), -most_tilt, most_tilt)
    return {
        "tilt_deg": tuple(tilt), "turn_deg": float(rng.uniform(-180, 180)),
        "distance_mm": float(rng.uniform(760, 950)), "k1": float(rng.uniform(-0.3, 0.1)), "size": size,
        "focal_px": focal_px,
    }  # fmt: skip


def whole(seed: int, plate: Plate = PLATE, **changes) -> Painted:
    rng = np.random.default_rng(seed)
    return paint(plate, **{**pose(rng, **HALF), "seed": seed, "clutter": 12, **changes})


def one_hidden(seed: int, **changes) -> Painted:
    rng = np.random.default_rng(seed + 1)
    return whole(seed, hidden=(int(rng.integers(140)),), **changes)


def finger_and_glare(seed: int, **changes) -> Painted:
    rng = np.random.default_rng(seed + 2)
    plain = whole(seed, size=(64, 64), focal_px=3623.0 * 64 / 1224, clutter=0)
    scale = 1224 / 64
    points = plain.points_px * scale
    at, edge = points[rng.integers(140)], points.mean(axis=0)
    way = np.degrees(np.arctan2(*(at - edge)[::-1])) + rng.uniform(-30, 30)
    spot = points[rng.integers(140)]
    touches = (
        finger(tuple(at), float(rng.uniform(40, 110)), float(way)),
        glare(tuple(spot), float(rng.uniform(30, 110))),
    )
    return whole(seed, touches=touches, **changes)


def partial(seed: int, **changes) -> Painted:
    """40 to 85 % of the dots in the picture."""
    rng = np.random.default_rng(seed + 3)
    for attempt in range(200):
        p = pose(np.random.default_rng(seed * 211 + attempt), **HALF)
        p["distance_mm"] = float(rng.uniform(450, 800))
        p["centre_px"] = (float(rng.uniform(100, 1124)), float(rng.uniform(80, 944)))
        flat = paint(PLATE, **{**p, "size": (64, 54), "focal_px": 3623.0 * 64 / 1224,
                               "centre_px": tuple(np.array(p["centre_px"]) * 64 / 1224)})  # fmt: skip
        at = flat.points_px * 1224 / 64
        share = ((at > 15) & (at < np.array([1209, 1009]))).all(axis=1).mean()
        if 0.4 <= share <= 0.85:
            return paint(PLATE, **{**p, "seed": seed, "clutter": 12, **changes})
    raise AssertionError("no partial pose")


def bare(seed: int) -> np.ndarray:
    """A cluttered picture without any plate."""
    from target.paint import Look, _clutter, noisy

    rng = np.random.default_rng(seed)
    look = Look(size=(1224, 1024), clutter=int(rng.integers(20, 400)), seed=seed)
    level = np.full((1024, 1224), float(rng.uniform(30, 200)))
    _clutter(level, look, rng)
    return noisy(level, look, rng)


SCENES: dict[str, Callable[..., Painted]] = {
    "all dots visible": whole,
    "one dot hidden": one_hidden,
    "finger and glare": finger_and_glare,
    "40-85 % in the picture": partial,
}


def fifty_degrees(seed: int, **changes) -> Painted:
    way = np.radians(np.random.default_rng(seed + 4).uniform(0, 360))
    return whole(seed, tilt_deg=(50 * np.cos(way), 50 * np.sin(way)), distance_mm=820.0, **changes)


def wide_angle(seed: int, **changes) -> Painted:
    """Strong radial distortion: straight lines at the rim bend by about a tenth of the picture."""
    tilt = tuple(np.random.default_rng(seed + 5).uniform(-20, 20, 2))
    return whole(seed, focal_px=900.0, distance_mm=215.0, k1=-0.3, k2=0.06, tilt_deg=tilt, **changes)


def third_of_a_megapixel(seed: int, **changes) -> Painted:
    return whole(seed, size=(640, 480), focal_px=1800.0, **changes)


def sixteen_bits(seed: int, **changes) -> Painted:
    dark = changes.pop("dark", True)
    ground, dots = (47000.0, 9000.0) if dark else (9000.0, 47000.0)
    given = {**changes, "ground": ground, "dots": dots, "around": 17000.0, "dark": dark}
    return whole(seed, clutter=0, gain=6.5, read_var=66000.0, clip=65535.0, full_scale=65535,
                 **{k: v for k, v in given.items() if k != "clutter"})  # fmt: skip


def grown(seed: int, **changes) -> Painted:
    """Bright dots so over-exposed that they have grown by 40 %."""
    light = {"dark": False, "ground": 35.0, "dots": 420.0}
    return whole(seed, **{**changes, **light, "growth": 1.4})


def huge_dots(seed: int, **changes) -> Painted:
    return whole(seed, plate=parse("dots 14x10 14mm d10.5mm"), **changes)


def tiny_dots(seed: int, **changes) -> Painted:
    return whole(seed, plate=parse("dots 14x10 14mm d1.9mm"), **changes)


def twenty_megapixels(seed: int, **changes) -> Painted:
    return whole(seed, size=(5472, 3648), focal_px=12900.0, **changes)


MORE_SCENES: dict[str, tuple[Callable[..., Painted], int]] = {
    "tilted by 50 degrees": (fifty_degrees, 20),
    "wide angle, strong radial distortion": (wide_angle, 20),
    "640x480": (third_of_a_megapixel, 20),
    "16 bits": (sixteen_bits, 20),
    "dots grown by 40 %, clipped": (grown, 20),
    "dots of 3/4 of the pitch": (huge_dots, 20),
    "dots of 1/7 of the pitch (8-10 px)": (tiny_dots, 20),
    "20 megapixels": (twenty_megapixels, 3),
}
"""Further conditions and how many views of each the study takes."""


def indices_right(seen: Sighting, painted: Painted, plate: Plate = PLATE) -> tuple[int, str]:
    """Dots whose index does not belong to the dot seen, allowing what the sighting leaves open.

    With ``absolute=False`` the numbers may be turned (by quarter turns where only a part of the plate
    is in the picture) and shifted by whole pitches, all dots alike. Returns the count under the best
    of these, and which it was.
    """
    truth = painted.points_px
    columns, rows = plate.columns, plate.rows
    near = float(np.median(np.hypot(*(truth[1:] - truth[:-1]).T)))
    gap = np.hypot(*(truth[None] - seen.points_px[:, None]).transpose(2, 0, 1))
    actual = np.stack(np.divmod(gap.argmin(axis=1), columns)[::-1], axis=1)
    told = np.stack(np.divmod(seen.point_ids, columns)[::-1], axis=1)
    lost = gap.min(axis=1) > 0.3 * near
    best, how = len(told), "none"
    for turn in range(4) if not seen.absolute else (0,):
        c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[turn]
        turned = told @ np.array([[c, s], [-s, c]])
        step = actual - turned
        shift = np.median(step, axis=0).astype(int) if not seen.absolute else np.zeros(2, int)
        wrong = int((lost | (step != shift).any(axis=1)).sum())
        if wrong < best:
            whole = tuple(shift) in ((0, 0), (columns - 1, rows - 1))
            best, how = wrong, f"{90 * turn} degrees" + ("" if whole else ", shifted")
    return best, how


def true_ids(seen: Sighting, painted: Painted) -> np.ndarray:
    """Index of the nearest true dot for every point seen."""
    gap = np.hypot(*(painted.points_px[None] - seen.points_px[:, None]).transpose(2, 0, 1))
    return gap.argmin(axis=1)
