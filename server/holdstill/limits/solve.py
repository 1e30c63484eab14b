"""Limits used by ``solve``."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit("solve_fewest_views", 3, "views", "fewest views a camera must have seen the plate in before a "
          "solve is tried", "derived", "two unknowns of the image plane and square pixels need two views "
          "(Zhang 2000, section 3.1); a third lets a wrong one show"),
    Limit("solve_fewest_points", 12, "points", "fewest points of the plate for a picture to be used",
          "chosen", "three times the four that fix a homography"),
    Limit("solve_plane_misfit", 0.25, "1", "distance of a picture's points from any flat lattice, over their "
          "spacing, above which it is not the plate", "chosen", "strong distortion reaches a tenth, shuffled "
          "numbers one"),
    Limit("solve_focal_unknown", 0.05, "1", "relative sigma of a focal length above which the views are "
          "too alike to solve", "chosen", "beyond this the covariance is no longer linear"),
    Limit("solve_focal_doubtful", 0.003, "1", "relative sigma of a focal length above which the valley is "
          "walked to see that it is no flat one", "chosen", "well above what usable sets reach"),
    Limit("solve_warm_ratio", 1.5, "1", "scatter of a solve that walked on from the last one, over that one's, "
          "above which it is begun again from nothing", "chosen", "one more view changes it by a few per cent"),
    Limit("solve_point_sigmas", 6.0, "sigma", "distance of a point from where it should be, in its own "
          "sigmas times the fit's (by the median), above which it is set aside", "derived",
          "Rayleigh tail 1.5e-8 a point; corners found in real pictures have heavier tails than normal, and "
          "at 5 one sound corner in 1404 was lost"),
    Limit("solve_view_ratio", 2.5, "1", "rms of a picture over the median picture's above which the view "
          "is set aside", "chosen", "an F test would flag correlated dots; a picture this far out is not "
          "scatter"),
    Limit("solve_bad_share", 0.25, "1", "share of a picture's points that do not fit above which the whole "
          "picture is set aside", "chosen", "a picture with a quarter of its points wrong is not to be "
          "trusted with the rest"),
    Limit("solve_order_gain", 0.0, "1", "gain of a richer lens model on held-out views, over its own scatter "
          "between views, above which it is taken (with the information criterion's consent)", "measured",
          "simulated: absent terms are taken in at most 3 % of sets, see docs/solve.md"),
    Limit("solve_shape_gain", 1.0, "1", "the same for the plate's shape", "common practice",
          "one standard error rule"),
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
    Limit("proof_point_sigmas", 10.0, "sigma", "misfit of a single point in a proof view above which it is a "
          "misread and not part of the proof", "chosen", "far outside noise, far below a bad calibration"),
    Limit("proof_fewest_views", 2, "views", "fewest views for a proof", "chosen",
          "one view can't show that the error changes through the volume"),
    Limit("proof_ratio", 1.5, "1", "reprojection and epipolar rms of unused views over the solve's own up "
          "to which the proof holds; reprojection below the epipolar goal in both coordinates holds anyway", "chosen", "the solve's own rms is a few per cent low by its degrees "
          "of freedom; half as much again is no scatter of thousands of points"),
    Limit("proof_length_sigmas", 5.0, "sigma", "error of a known length over its own uncertainty up to "
          "which the proof holds", "derived", "normal tail 5.7e-7: one false alarm in thousands of proofs "
          "of some 40 lengths a view"),
    Limit("recheck_sigmas", 4.0, "sigma", "significance above which the cameras count as moved", "derived",
          "normal tail 3e-5 a recheck"),
    Limit("recheck_still_ratio", 2.0, "1", "rms of a picture against a kept view's, over the solve's rms, "
          "up to which it counts as the same picture", "chosen", "twice the noise"),
    Limit("check_principal_share", 0.06, "1", "distance of the principal point from the picture's centre "
          "over its width, less two sigmas", "common practice", "mounts and sensors are centred to a few "
          "per cent"),
    Limit("check_square_share", 0.003, "1", "difference of fx and fy over fx, less three sigmas",
          "common practice", "sensors' pixels are square to a part in a thousand"),
    Limit("check_distortion_share", 0.15, "1", "displacement by distortion over the distance from the "
          "centre", "common practice", "industrial lenses stay below a few per cent, wide ones below 15"),
    Limit("check_focal_share", 0.08, "1", "focal length outside the range from nominal to image distance",
          "common practice", "nominal focal lengths hold to about 5 per cent"),
    Limit("check_picture_size", 0.0, "px", "picture size against the described one", "chosen",
          "any difference means another window or another camera"),
    Limit("check_angle_low_deg", 15.0, "deg", "smallest customary stereo angle", "common practice",
          "15 to 30 degrees balance in-plane and out-of-plane noise"),
    Limit("check_angle_high_deg", 30.0, "deg", "largest customary stereo angle", "common practice",
          "15 to 30 degrees balance in-plane and out-of-plane noise"),
    Limit("check_angle_off_deg", 5.0, "deg", "stereo angle against the described one", "chosen",
          "as well as an angle is set by eye"),
    Limit("check_sides", 0.0, "1", "cameras called left and right stand so", "derived", "sign of the "
          "baseline along the first camera's rows"),
    Limit("check_tape_sigma_mm", 2.0, "mm", "standard uncertainty of a taped baseline when none is told",
          "common practice", "entrance pupils lie inside the lens, a tape finds them to some millimetres"),
    Limit("check_tape_sigmas", 3.0, "sigma", "baseline against the tape", "common practice", "99.7 %"),
    Limit("scale_length_share", 0.02, "1", "uncertainty of a length over it, up to which it bears the scale "
          "out", "chosen", "prints shrink by one to three per cent; a length known worse can't tell"),
    Limit("check_gauge_sigmas", 3.0, "sigma", "length across the plate against the measured one", "common practice",
          "99.7 %"),
    Limit("check_second_sigmas", 3.0, "sigma", "a second plate's pitch as measured against its own", "common practice",
          "99.7 %"),
    Limit("second_misfit_share", 0.05, "1", "distance of a second plate's points from where its own lattice "
          "lies best, rms, over its pitch, above which it is another plate", "chosen", "a bent plate stays "
          "below a hundredth, wrong numbers reach a tenth and more"),
    Limit("second_plate_shots", 3, "shots", "shots of a second plate that are taken", "chosen",
          "three places show whether the scale is the same through the volume"),
    Limit("check_dim_share", 0.6, "1", "contrast of a picture's dots over the camera's usual, below which it "
          "is dim", "chosen", "two thirds of a stop; hands and tilt cost less"),
    Limit("check_light_ratio", 1.5, "1", "rms of dim pictures over the others', above which the light spoils "
          "the set", "chosen", "same as the ratio of the proof"),
    Limit("check_light_share", 0.2, "1", "share of a camera's pictures that may be dim and noisier for it",
          "chosen", "one in five is no accident"),
    Limit("verdict_unseen_shots", 3, "shots", "shots in a row, the newest, that could not be used, from which "
          "the rig is not called ready", "chosen", "one or two are a hand's; more say that something changed"),
    Limit("check_volume_share", 0.9, "1", "share of the described measuring volume that all cameras see",
          "chosen", "its corners may be cut"),
    Limit("check_aside_share", 0.2, "1", "share of pictures set aside", "chosen", "one in five is no "
          "accident"),
    Limit("check_odd_views", 0.0, "views", "views set aside because something is wrong with the shot",
          "chosen", "they want a person's eye: drop them or take them again"),
    Limit("check_blur_least_px", 0.8, "px", "blur sigma up to which no picture counts as blurred, however sharp the "
          "others are", "chosen", "the light of a point stays within two pixels; distance and lean alone take a "
          "good lens from 0.35 to 0.6 px"),
    Limit("check_blur_share", 0.2, "1", "share of a camera's pictures much blurrier than its usual",
          "chosen", "one in five is no accident"),
    Limit("check_bow_share", 0.002, "1", "bow of the plate over its longer side", "chosen",
          "up to there the smooth shape terms hold; beyond, the plate may flex from view to view"),
    Limit("check_aspect", 0.002, "1", "aspect or shear of the plate", "chosen", "prints stay within a part "
          "in a thousand"),
    Limit("check_sigma0", 2.0, "1", "scatter of the dots over their own sigmas", "chosen",
          "twice is no longer noise: something is not modelled"),
    Limit("check_steady_sigmas", 6.0, "sigma", "significance of a motion between the cameras within the "
          "set", "derived", "normal tail 1e-9, searched over all views"),
    Limit("check_steady_share", 0.75, "1", "share of the views' disagreement that one motion must explain",
          "measured", "simulated: a knock explains over nine tenths, a plate moving at random up to two thirds"),
    Limit("check_stands_out", 1.2, "1", "significance of one camera's motion over the others' from which it is "
          "the one that moved, of three or more", "measured", "simulated: 1.5 for the one that was knocked, 1.03 "
          "where it was the first, whose frame is the rig's"),
    Limit("check_pitch_share", 0.9, "1", "share of such a motion that a shift along the baseline alone "
          "explains, above which the plate's pitch changed and not the cameras", "measured", "simulated: a "
          "plate of another pitch explains over 0.97; a camera slid exactly along the baseline looks the same"),
    Limit("check_pitch_large", 0.01, "1", "change of pitch from which a shift along the baseline is put down to "
          "the plate", "derived", "a turn of a camera about the vertical that feigns as much is 0.2 degrees"),
    Limit("check_pitch_small", 0.002, "1", "the same where a shift along the baseline leaves nothing to explain",
          "common practice", "prints of one file differ by a few parts in a thousand"),
    Limit("check_inflation", 40.0, "1", "most that correlated dots may add to the variance the cameras' relation "
          "is judged by", "measured", "simulated: 30 with six tenths of the variance correlated"),
    Limit("check_steady_ratio", 0.3, "1", "shift a motion must mean over the noise", "chosen",
          "below that it does no harm"),
    Limit("check_together_ratio", 1.3, "1", "disagreement of the cameras in a view over the noise",
          "measured", "simulated: strongly correlated dots reach 1.2 in a few views, a moving plate 10 and more"),
    Limit("check_together_share", 0.3, "1", "share of views in which the cameras disagree", "chosen",
          "single ones are set aside; a third speaks of the trigger"),
    Limit("solve_mirror_ratio", 0.2, "1", "spread of the cameras' relation read mirrored over as read, "
          "below which a camera's pictures are mirrored", "chosen", "fivefold better"),
    Limit("volume_gauge_mm", 100.0, "mm", "gauge length of the length error, where the volume has room "
          "for it", "chosen", "a round length near half a usual measuring volume"),
    Limit("scene_least_frames", 3, "frames", "fewest pictures of a still scene for a noise floor", "chosen",
          "two differences; ten are customary"),
    Limit("scene_series_frames", 10, "frames", "pictures a series of the still scene takes", "common practice",
          "repeated static frames give the noise floor"),
    Limit("scene_recheck_shots", 3, "shots", "shots of a stream that a recheck by a still scene averages",
          "chosen", "each halves again what one picture's shake may hide"),
    Limit("scene_plate_share", 0.3, "1", "share of the plate's points found above which a picture shows the "
          "plate and not the scene", "chosen", "speckles may lie like a few dots, not like a third of a plate"),
    Limit("scene_least_patches", 12, "patches", "fewest patches of a scene that must be found again", "derived",
          "six numbers of a motion from two coordinates each, four times over"),
    Limit("scene_patch_sigma_px", 0.1, "px", "largest sigma of a patch to be followed", "chosen",
          "noise floors are 0.01 to 0.1 px (primer on digital image correlation, section 6)"),
    Limit("scene_likeness", 0.8, "1", "correlation of a patch with itself in the reference below which "
          "something else is there", "chosen", "noise of a tenth of the contrast leaves 0.99"),
    Limit("scene_matter_px", 0.02, "px", "rms shift below which a change of a scene is none", "chosen",
          "within what interpolation and light do"),
    Limit("goal_shape_share_px", 0.03, "px", "goal of the shape error, in pixels of image scale", "measured",
          "simulated: 26 customary views reach 0.016 with white noise of 0.05 px, 0.043 with half of it "
          "correlated, see docs/solve.md; between the two"),
    Limit("goal_length_share_px", 0.03, "px", "goal of the length error, in pixels of image scale",
          "measured", "the same: 0.018 and 0.047"),
    Limit("goal_epipolar_px", 0.01, "px", "goal of the epipolar error", "measured",
          "the same: 0.004 and 0.015"),
    Limit("edge_model_times", 1.5, "1", "distortion error at the border were every lens term free, over its "
          "goal, above which views out to the corners are wanted", "measured", "simulated: plates out to the "
          "borders stay below half the goal; a term that moves the corner by half a pixel goes unseen in sets "
          "that reach the goal once over, see docs/solve.md"),
    Limit("goal_edge_px", 0.05, "px", "goal of the distortion error at the border", "measured",
          "the same: 0.015 and 0.020; where no dot was seen the model extrapolates, so it is given room"),
)
