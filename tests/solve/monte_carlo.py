"""Many sets from one truth: how far solves really are from it, and what they say of themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holdstill.geometry import lens_parameters, matrices, rig_parameter_names, rotation_vector
from holdstill.geometry.quantities import QuantityRows
from holdstill.records import Estimate, Rig
from holdstill.solve import solve
from holdstill.solve.volume import measuring_volume, quantity_rows
from solve.sighting_rigs import DOTS, REFERENCE, Truth, plate_poses, views_of


def true_rows(truth: Truth, rig: Rig = REFERENCE) -> list[QuantityRows]:
    """The quantities' rows at the true rig, over the full parameters."""
    volume = measuring_volume(rig, truth.poses, np.zeros((2, 3)))
    return quantity_rows(truth.lenses, truth.poses, volume)


def rig_error(truth: Truth, found: Estimate) -> np.ndarray:
    """Estimate minus truth over the full rig parameters (15 per camera)."""
    lens, pose = [], []
    for camera, true_lens, true_pose in zip(found.cameras, truth.lenses, truth.poses, strict=True):
        lens.append(lens_parameters(camera.lens) - lens_parameters(true_lens))
        r, t = matrices(camera.pose_cam_from_rig)
        tr, tt = matrices(true_pose)
        pose.append(np.concatenate([rotation_vector(r @ tr.T), t - tt]))
    return np.concatenate(lens + pose)


@dataclass
class Study:
    """Per set: true errors (rms over the volume) and what was displayed, by quantity name."""

    errors: dict[str, list[float]]
    shown: dict[str, list[float]]
    by_covariance: dict[str, list[float]]
    by_jackknife: dict[str, list[float]]
    estimates: list[Estimate]
    rig_errors: list[np.ndarray]

    def truth(self, name: str) -> float:
        """Root mean square of the true errors over the sets."""
        return float(np.sqrt(np.mean(np.square(self.errors[name]))))

    def ratio(self, name: str) -> tuple[float, float]:
        """Median of displayed over true, and its scatter between sets (half the 16-84 % range)."""
        share = np.array(self.shown[name]) / self.truth(name)
        return float(np.median(share)), float(np.diff(np.percentile(share, [16, 84]))[0] / 2)


def study(
    sets: int, views: int, seed: int, *, truth: Truth | None = None, sigma_px: float = 0.05,
    correlated: float = 0.0, reach_mm: float = 60.0, lens_order: str | None = None, spread_mm: float = 40.0,
    fixed_poses: bool = True,
) -> Study:
    """Solve `sets` sets of `views` views each, with the same poses and fresh noise (or fresh poses)."""
    truth = truth or Truth()
    rng = np.random.default_rng(seed)
    rows = true_rows(truth)
    out = Study({}, {}, {}, {}, [], [])
    poses = plate_poses(rng, views, spread_mm=spread_mm)
    for _ in range(sets):
        if not fixed_poses:
            poses = plate_poses(rng, views, spread_mm=spread_mm)
        seen = views_of(truth, poses, rng, sigma_px, correlated=correlated, reach_mm=reach_mm)
        found = solve(DOTS, REFERENCE, seen, cameras=truth.names, lens_order=lens_order)
        assert isinstance(found, Estimate), found
        error = rig_error(truth, found)
        for q in rows:
            value = float(np.sqrt(np.mean(((q.rows @ error) ** 2).sum(axis=1))))
            out.errors.setdefault(q.name, []).append(value)
        for shown in found.quantities:
            out.shown.setdefault(shown.name, []).append(shown.value)
            out.by_covariance.setdefault(shown.name, []).append(shown.by_covariance)
            out.by_jackknife.setdefault(shown.name, []).append(shown.by_jackknife or np.nan)
        out.estimates.append(found)
        out.rig_errors.append(error)
    return out


def names_at(found: Estimate, cameras: tuple[str, ...]) -> list[int]:
    """Positions of an estimate's parameters among the full rig parameters."""
    full = rig_parameter_names(cameras)
    return [full.index(name) for name in found.parameter_names]
