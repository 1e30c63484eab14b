"""The calibration as solved, with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .plate import FloatArray
from .rig import Lens, Pose


@dataclass(frozen=True, slots=True)
class Quantity:
    """A gauge-free quantity that matters to a measurement, with how well it is known.

    name
        ``"length_um"`` (length error over `gauge_mm`), ``"shape_um"`` (3-D shape error after
        rigid motion), ``"epipolar_px"``, ``"edge_distortion_px"``.
    value
        One sigma, rms over the measuring volume, in `unit`; the larger of covariance and jackknife.
    worst, worst_at_mm
        Largest over the volume and where (rig frame); None if not applicable.
    goal
        What is wanted, same unit.
    """

    name: str
    unit: str
    value: float
    by_covariance: float
    by_jackknife: float | None
    goal: float
    worst: float | None = None
    worst_at_mm: tuple[float, float, float] | None = None
    gauge_mm: float | None = None
    by_richer_model: float | None = None
    """One sigma were every lens term free that the evidence left out: what can't be ruled out where no
    dot was seen. None where nothing was left out."""


@dataclass(frozen=True, slots=True)
class CameraEstimate:
    """One camera: lens, pose, residual rms over its used points (px, both coordinates: sqrt(mean
    of dx^2 + dy^2)), sigmas of the lens parameters (same order as `sigma_names`)."""

    name: str
    lens: Lens
    pose_cam_from_rig: Pose
    rms_px: float
    points: int
    sigma_names: tuple[str, ...] = ()
    sigmas: tuple[float, ...] = ()
    mono_rms_px: float | None = None
    """rms of the same points when this camera is adjusted by itself (None: not done)."""


@dataclass(frozen=True, slots=True)
class PairEstimate:
    """Relation of a camera to the first camera of the pair: x_b = R x_a + t."""

    cameras: tuple[str, str]
    pose_b_from_a: Pose
    stereo_angle_deg: float
    baseline_mm: float
    epipolar_rms_px: float
    """rms distance of points from their epipolar line (one line, second camera), undistorted px."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """A view (or some of its points in one camera) that the solve left out, with its reason."""

    view_id: int
    name: str
    reason: str
    camera: str | None = None
    point_ids: tuple[int, ...] = ()
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class ViewFit:
    """How one view fits: pose of the plate in the rig frame, rms per camera (px), residuals."""

    view_id: int
    pose_rig_from_plate: Pose
    rms_px: Mapping[str, float]
    residuals_px: Mapping[str, FloatArray]
    """camera -> float64 (n, 2), observed minus projected, in the order of the sighting's points. Empty
    in an estimate that was journalled: `solve.with_residuals` works them out anew."""
    information_gain: float | None = None
    """Share of the weighted uncertainty that this view took off when it came, 0..1."""


@dataclass(frozen=True, slots=True)
class PlateShape:
    """How the plate differs from a flat perfect lattice, as solved; absent when not asked for."""

    bow_um: float
    bow_sigma_um: float
    aspect: float = 1.0
    shear_rad: float = 0.0
    terms: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Check:
    """A plausibility check: name, value, limit, whether it holds, and its remedy key."""

    name: str
    ok: bool
    value: float | str | None
    limit: str
    source: str
    remedy: str = ""
    stops: bool = False
    """True when failing it means stop rather than not yet."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """A solved calibration. `rms_px`: overall rms, same definition as per camera.

    `parameter_names` / `covariance`: rig parameters and their covariance (float64 (p, p)), for
    files, not for headlines. `information`: the views' summed information on the rig parameters
    (float64 (p, p)), from which the planner starts.
    """

    rms_px: float
    cameras: tuple[CameraEstimate, ...]
    pairs: tuple[PairEstimate, ...]
    views: tuple[ViewFit, ...]
    set_aside: tuple[SetAside, ...]
    quantities: tuple[Quantity, ...]
    used_view_ids: tuple[int, ...]
    parameter_names: tuple[str, ...]
    covariance: FloatArray
    information: FloatArray
    sigma0: float = 1.0
    lens_order: str = "k1 k2 k3 p1 p2"
    lens_reason: str = ""
    plate_shape: PlateShape | None = None
    checks: tuple[Check, ...] = ()
    iterations: int = 0
    costs: tuple[float, ...] = ()
    """Weighted sum of squares before and after each step of the last descent: how it converged."""
    engine: str = ""
    turned_view_ids: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """camera -> views whose numbering was turned by 180 degrees to agree."""
    shifted_view_ids: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """camera -> views of a plain lattice seen in part whose numbering was shifted by whole pitches."""
    lattice_shifts: Mapping[str, tuple[tuple[int, int, int], ...]] = field(default_factory=dict)
    """The same with by how much: camera -> (view id, columns, rows) added to the finder's numbers,
    before any half turn."""
    weights: FloatArray | None = None
    """float64 (p, p) `M` in the order of `parameter_names`: the quantities' matrices, each over
    its goal squared, summed; ``tr(M C)`` is what planning makes small."""
    scale_verified: bool = False
    """True when a length other than the nominal pitch bears the scale out."""


@dataclass(frozen=True, slots=True)
class ProofResult:
    """What views that the solve did not use say (see ``solve.prove``)."""

    view_ids: tuple[int, ...]
    method: str
    """``"unused views"`` or ``"k-fold"``."""
    reprojection_rms_px: float
    epipolar_rms_px: float | None
    length_count: int
    length_max_um: float | None
    length_rms_um: float | None
    passed: bool
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DriftResult:
    """Whether the cameras have moved since the calibration (see ``solve.recheck``)."""

    moved: bool
    matters: bool
    camera: str | None
    shift_px: float
    turn_deg: float
    significance: float
    reasons: tuple[str, ...] = ()
    refit: Pose | None = None
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)
    """What else was found, for words."""
