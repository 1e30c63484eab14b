"""The eye's long study: views found, false indices, error over bound, stated over actual sigma.

``PYTHONPATH=server:tests python -m target.study`` prints the tables of ``docs/eye.md``; the test
marked `long` runs the same and holds it to the bars. Seeds from 20000: none was used while tuning.
"""

from __future__ import annotations

import platform
import subprocess
import sys
import time
from dataclasses import dataclass

import cv2
import numpy as np

from holdstill.records import DotFlag, Sighting
from holdstill.target import find, parse
from target.paint import Painted, bound_px, paint
from target.scenes import MORE_SCENES, PLATE, SCENES, bare, indices_right, pose, true_ids

FIRST_SEED = 20_000
BRIGHT = {"dark": False, "ground": 35.0, "dots": 190.0}
EXACT: dict[str, dict] = {
    "good light, dark dots": {},
    "good light, bright dots": BRIGHT,
    "blur 0.6 px": {"blur_px": 0.6},
    "blur 2 px": {"blur_px": 2.0},
    "blur 3.5 px": {"blur_px": 3.5},
    "8 x the gain noise": {"gain": 0.204},
    "low contrast (30 of 255)": {"ground": 110.0, "dots": 80.0},
    "20 % illumination slope": {"slope": 0.2},
    "small dots, 18-25 px": {"spec": "dots 14x10 14mm d2mm"},
    "12 bits": {"ground": 2900.0, "dots": 500.0, "around": 900.0, "gain": 0.41, "read_var": 16.0,
                "clip": 4095.0, "full_scale": 4095},
    "bright dots clipped (1.3 x)": {**BRIGHT, "dots": 330.0},
    "bright dots just clipped": {**BRIGHT, "dots": 265.0},
    "dark dots, ground clipped": {"ground": 320.0, "dots": 40.0},
    "defocus disc, sigma 1.5 px": {"blur_kind": "disc", "blur_px": 1.5},
    "motion, sigma 1.5 px": {"blur_kind": "motion", "blur_px": 1.5},
    "coma, sigma 1.5 px": {"blur_kind": "coma", "blur_px": 1.5},
}  # fmt: skip


@dataclass
class Found:
    name: str
    views: int
    found: int
    dots: float
    false_indices: int
    worst_px: float
    ms: float


@dataclass
class Exact:
    name: str
    views: int
    found: int
    dots: float
    rms_mpx: float
    rms_centred_mpx: float
    bound_mpx: float
    ratio: float
    ratio_centred: float
    stated: float
    ms: float
    opencv_found: int
    opencv_rms_mpx: float
    opencv_ms: float


def found_row(name: str, views: int) -> Found:
    seen, false, shares, worst, times = 0, 0, [], 0.0, []
    for i in range(views):
        scene = SCENES[name] if name in SCENES else MORE_SCENES[name][0]
        painted = scene(FIRST_SEED + i, **(BRIGHT if i % 2 else {}))
        begun = time.process_time()
        sighting = find(painted.image, PLATE, camera="a", full_scale=painted.look.full_scale)
        times.append(time.process_time() - begun)
        if not isinstance(sighting, Sighting):
            continue
        seen += 1
        false += indices_right(sighting, painted)[0]
        at, size = painted.points_px, np.array(painted.look.size)
        inside = ((at > 20) & (at < size - 21)).all(axis=1)
        inside[list(painted.look.hidden)] = False
        ids = true_ids(sighting, painted)
        shares.append(np.isin(np.flatnonzero(inside), ids).mean())
        plain = (sighting.flags & DotFlag.SUSPECT) == 0
        worst = max(worst, float(np.abs(sighting.points_px - at[ids])[plain].max()))
    return Found(name, views, seen, float(np.mean(shares)), false, worst, float(np.median(times)) * 1e3)


def bare_row(views: int) -> tuple[int, float, float]:
    """False finds in pictures without a plate, median and largest CPU ms."""
    false, times = 0, []
    for i in range(views):
        image = bare(FIRST_SEED + i)
        begun = time.process_time()
        false += bool(find(image, PLATE, camera="a", full_scale=255))
        times.append(time.process_time() - begun)
    return false, float(np.median(times)) * 1e3, max(times) * 1e3


def exact_row(name: str, views: int) -> Exact:
    change = dict(EXACT[name])
    plate = parse(change.pop("spec", "dots 14x10 14mm d6mm"))
    errors, centred, sigmas, bounds, shares, times, seen = [], [], [], [], [], [], 0
    theirs: list[tuple[float, float]] = []
    for i in range(views):
        rng = np.random.default_rng(FIRST_SEED + 500 + i)
        painted = paint(plate, **{**pose(rng), "seed": i, **change})
        begun = time.process_time()
        sighting = find(painted.image, plate, camera="a", full_scale=painted.look.full_scale)
        times.append(time.process_time() - begun)
        theirs.append(opencv(painted))
        if not isinstance(sighting, Sighting):
            continue
        seen += 1
        ids = true_ids(sighting, painted)
        bound = bound_px(painted, plate)
        inside = np.isfinite(bound).all(axis=1)
        use = inside[ids]
        shares.append(use.sum() / inside.sum())
        error = (sighting.points_px - painted.points_px[ids])[use]
        errors.append(error)
        centred.append(error - error.mean(axis=0))
        sigmas.append(sighting.sigmas_px[use])
        bounds.append(bound[ids][use])
    e, c, s, b = (np.concatenate(v) for v in (errors, centred, sigmas, bounds))
    rms = float(np.sqrt((e**2).mean()))
    return Exact(
        name, views, seen, float(np.mean(shares)), rms * 1e3, float(np.sqrt((c**2).mean())) * 1e3,
        float(np.sqrt((b**2).mean())) * 1e3, float(np.sqrt(((e / b) ** 2).mean())),
        float(np.sqrt(((c / b) ** 2).mean())), 1 / float(np.sqrt(((e / s[:, None]) ** 2).mean())),
        float(np.median(times)) * 1e3, int(sum(np.isfinite(r) for r, _ in theirs)),
        float(np.sqrt(np.nanmean([r**2 for r, _ in theirs]))) * 1e3 if any(np.isfinite(r) for r, _ in theirs)
        else float("nan"), float(np.median([t for _, t in theirs])) * 1e3,
    )  # fmt: skip


def opencv(painted: Painted) -> tuple[float, float]:
    """Rms error (px; NaN: not found) and CPU seconds of OpenCV at half size, clustering, as installed."""
    grey = painted.image
    if grey.dtype != np.uint8:
        grey = (grey / (painted.look.clip / 255.0)).astype(np.uint8)
    if not painted.look.dark:
        grey = 255 - grey
    begun = time.process_time()
    small = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    flags = cv2.CALIB_CB_SYMMETRIC_GRID | cv2.CALIB_CB_CLUSTERING
    found, centres = cv2.findCirclesGrid(small, (14, 10), flags=flags)
    spent = time.process_time() - begun
    if not found:
        return float("nan"), spent
    points = (centres.reshape(-1, 2).astype(np.float64) + 0.5) * 2 - 0.5
    gap = np.hypot(*(painted.points_px[None] - points[:, None]).transpose(2, 0, 1))
    error = points - painted.points_px[gap.argmin(axis=1)]
    return float(np.sqrt((error**2).mean())), spent


def where() -> str:
    """Commit, machine and versions behind a table."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    return (
        f"commit {commit.stdout.strip() or 'unknown'}, {platform.machine()}, "
        f"Python {platform.python_version()}, "
        f"OpenCV {cv2.__version__}, NumPy {np.__version__}, one thread"
    )


def found_table(names: list[str], views: int) -> None:
    for name in names:
        r = found_row(name, min(views, MORE_SCENES[name][1]) if name in MORE_SCENES else views)
        print(
            f"| {r.name} | {r.found} / {r.views} | {r.dots:.1%} | {r.false_indices} | "
            f"{r.worst_px:.3f} | {r.ms:.0f} |",
            flush=True,
        )


def exact_table(names: list[str], views: int) -> None:
    for name in names:
        x = exact_row(name, views)
        print(
            f"| {x.name} | {x.found} / {x.views} | {x.dots:.1%} | {x.rms_mpx:.2f} | {x.bound_mpx:.2f} | "
            f"{x.ratio:.3f} | {x.ratio_centred:.3f} | {x.stated:.3f} | {x.ms:.1f} | "
            f"{x.opencv_found} / {x.views}, {x.opencv_rms_mpx:.0f}, {x.opencv_ms:.0f} |",
            flush=True,
        )


def main() -> None:
    """Without words: everything. Else the tables' rows whose name holds the first word, so many views."""
    cv2.setNumThreads(1)
    word = sys.argv[1] if len(sys.argv) > 1 else ""
    views = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    find(paint(PLATE, size=(1224, 1024), focal_px=3623.0).image, PLATE, camera="a", full_scale=255)
    print(f"Made at {where()}.\n")
    print(
        "| condition | views | clean dots accepted | false indices | worst error px (no suspects) | CPU ms |"
    )
    print("|---|---|---|---|---|---|")
    found_table([n for n in (*SCENES, *MORE_SCENES) if word in n], views or 60)
    if word in "no plate, clutter":
        false, usual, most = bare_row(100)
        print(f"| no plate, clutter | {false} / 100 | | | | {usual:.0f} (most {most:.0f}) |\n", flush=True)
    print(
        "\n| condition (2448x2048, 14 x 10 dots) | found | dots | rms mpx | bound mpx | ratio | "
        "ratio, common shift off | stated / actual sigma | CPU ms | OpenCV: found, rms mpx, CPU ms |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    exact_table([n for n in EXACT if word in n], views or 6)


if __name__ == "__main__":
    main()
