"""Geometry: rotations, rigid motions, the lens, and what several cameras see of a point."""

from .lens import (
    PARAMETERS,
    fold_radius,
    lens_of,
    lens_parameters,
    project,
    project_with_jacobian,
    undistort,
    undistorted_px,
)
from .poses import (
    IDENTITY,
    align,
    compose,
    compose_matrices,
    invert,
    invert_matrices,
    matrices,
    pose_of,
    transform,
)
from .quantities import QuantityRows, Volume, rig_parameter_names, visible_in
from .rotations import (
    left_jacobian,
    rotated_point_jacobian,
    rotation_matrix,
    rotation_vector,
    skew,
    turn_deg,
    turned_point_jacobian,
)
from .two_view import baseline_mm, epipolar_px, essential_matrix, stereo_angle_deg, triangulate

__all__ = [
    "IDENTITY", "PARAMETERS", "QuantityRows", "Volume", "align", "baseline_mm", "compose",
    "compose_matrices", "epipolar_px",
    "essential_matrix", "fold_radius", "invert", "invert_matrices", "left_jacobian", "lens_of",
    "lens_parameters", "matrices", "pose_of", "project", "project_with_jacobian",
    "rig_parameter_names", "rotated_point_jacobian", "rotation_matrix", "rotation_vector", "skew",
    "stereo_angle_deg", "transform", "triangulate", "turn_deg", "turned_point_jacobian", "undistort",
    "undistorted_px", "visible_in",
]
