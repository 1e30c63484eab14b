"""Limits used by ``solve``."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit("solve_fewest_views", 3, "views", "fewest views a camera must have seen the plate in before a "
          "solve is tried", "derived", "two unknowns of the image plane and square pixels need two views "
          "(Zhang 2000, section 3.1); a third lets a wrong one show"),
    Limit("solve_fewest_points", 12, "points", "fewest points of the plate for a picture to be used",
          "chosen", "three times the four that fix a homography"),
    Limit("solve_focal_unknown", 0.05, "1", "relative sigma of a focal length above which the views are "
          "too alike to solve", "chosen", "beyond this the covariance is no longer linear"),
    Limit("solve_point_sigmas", 5.0, "sigma", "distance of a point from where it should be, in its own "
          "sigmas times the fit's, above which it is set aside", "derived",
          "Rayleigh tail: 3.7e-6 a point, one false alarm in 37 sets of 7280 points"),
    Limit("solve_view_ratio", 2.5, "1", "rms of a picture over the median picture's above which the view "
          "is set aside", "chosen", "an F test would flag correlated dots; a picture this far out is not "
          "scatter"),
    Limit("solve_bad_share", 0.25, "1", "share of a picture's points that do not fit above which the whole "
          "picture is set aside", "chosen", "a picture with a quarter of its points wrong is not to be "
          "trusted with the rest"),
    Limit("solve_order_gain", 1.0, "1", "gain of a richer model on held-out views, over its own scatter "
          "between views, above which it is taken", "common practice", "one standard error rule"),
    Limit("solve_shape_views", 8, "views", "fewest views for the plate's shape to be solved along",
          "chosen", "seven terms more than the rig's"),
    Limit("solve_shape_views_corners", 20, "views", "the same for boards of squares", "chosen",
          "a corner's window carries a bias that changes with tilt, as a bow does; more views tell them "
          "apart"),
    Limit("solve_alone_ratio", 2.5, "1", "own rms of a picture over the typical one up to which it fits by "
          "itself, so that a misfit between cameras means that something moved", "chosen",
          "same as the ratio that sets a view aside"),
    Limit("solve_glare_share", 0.02, "1", "share of the plate under glare that explains a misfit", "chosen",
          "two or three dots of a usual plate"),
    Limit("solve_blur_ratio", 1.5, "1", "blur over the camera's usual one that explains a misfit", "chosen",
          "well outside what distance and tilt do"),
    Limit("proof_folds", 5, "folds", "folds the used views are held out in when there are no proof views",
          "common practice", "five- to tenfold cross-validation"),
    Limit("proof_fewest_views", 2, "views", "fewest views for a proof", "chosen",
          "one view can't show that the error changes through the volume"),
    Limit("proof_ratio", 1.5, "1", "reprojection and epipolar rms of unused views over the solve's own up "
          "to which the proof holds", "chosen", "the solve's own rms is a few per cent low by its degrees "
          "of freedom; half as much again is no scatter of thousands of points"),
    Limit("proof_length_sigmas", 5.0, "sigma", "error of a known length over its own uncertainty up to "
          "which the proof holds", "derived", "normal tail 5.7e-7: one false alarm in thousands of proofs "
          "of some 40 lengths a view"),
    Limit("recheck_sigmas", 4.0, "sigma", "significance above which the cameras count as moved", "derived",
          "normal tail 3e-5 a recheck"),
    Limit("recheck_still_ratio", 2.0, "1", "rms of a picture against a kept view's, over the solve's rms, "
          "up to which it counts as the same picture", "chosen", "twice the noise"),
    Limit("volume_gauge_mm", 100.0, "mm", "gauge length of the length error, where the volume has room "
          "for it", "chosen", "a round length near half a usual measuring volume"),
    Limit("goal_shape_share_px", 0.03, "px", "goal of the shape error, in pixels of image scale",
          "measured", "what 26 customary views reach at the reference rig, see docs/solve.md"),
    Limit("goal_length_share_px", 0.03, "px", "goal of the length error, in pixels of image scale",
          "measured", "same"),
    Limit("goal_epipolar_px", 0.01, "px", "goal of the epipolar error", "measured", "same"),
    Limit("goal_edge_px", 0.05, "px", "goal of the distortion error at the border", "measured", "same"),
)
