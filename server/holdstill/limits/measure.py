"""Limits used by ``measure``."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "clip_stray_share", 2e-06, "share of pixels",
        "Pixels above the clipping level that are put down to hot pixels",
        "chosen", "hot pixels of industrial sensors, a few per megapixel",
    ),
    Limit(
        "clip_pile_width", 0.006, "share of full scale",
        "Widest pile-up at the clipping level (pixels of a sensor clip at slightly different "
        "levels)",
        "chosen", "photo response non-uniformity near 0.5 % (EMVA 1288 data sheets, from memory)",
    ),
    Limit(
        "clip_least_share_of_full_scale", 0.75, "share of full scale",
        "Lowest level at which a pile-up is believed to be clipping",
        "chosen", "a knee lower than this would be another bit depth",
    ),
    Limit(
        "clip_least_pixels_share", 2e-05, "share of pixels",
        "Fewest pixels at one code that make a pile-up",
        "chosen", "about 100 pixels of 5 MP",
    ),
    Limit(
        "clip_pile_ratio", 4.0, "ratio",
        "Pixels per code in the pile-up over those just below",
        "measured", "noise study in docs/measures.md",
    ),
    Limit(
        "glare_rise", 0.5, "share of plate contrast",
        "Rise of the plate's dark part toward its bright level from which it counts as glare",
        "chosen", "half way: a dot's edge can no longer be placed without bias",
    ),
    Limit(
        "glare_least_pitches", 0.12, "square pitches",
        "Smallest glare patch on the plate that is told",
        "chosen", "about a quarter of the ground around one dot",
    ),
    Limit(
        "hidden_full_contrast", 0.75, "share of plate contrast",
        "Contrast from which a missing point's pattern counts as fully there",
        "chosen", "the finder's business then, not the operator's",
    ),
    Limit(
        "shadow_least_noise", 4.0, "noise sigmas",
        "Contrast left that makes a dark place a shadow rather than a finger",
        "chosen", "four standard deviations of one sample, averaged over a dot",
    ),
    Limit(
        "deep_shadow_level", 0.15, "share of the plate's middle level",
        "Darkest patches, whose points together may show a shadow where no single one does",
        "measured", "drawn shadows of 4 % of the light read 0.065; fingers and bare hands 0.7 to 0.9",
    ),
    Limit(
        "deep_shadow_contrast", 0.4, "share of the patch's level share",
        "Contrast left over level left that makes a dark patch a shadow rather than a dark glove",
        "measured", "drawn shadows: 0.63 to 0.7; a glove without pattern: 0 within noise",
    ),
    Limit(
        "deep_shadow_points", 10.0, "points",
        "Fewest points of such a patch",
        "derived", "the median of ten is known three times better than one point, which must show four sigmas",
    ),
    Limit(
        "edge_least_noise", 8.0, "noise sigmas",
        "Lowest edge whose width is measured",
        "chosen", "10 and 90 % levels must stand clear of the noise",
    ),
    Limit(
        "blob_least_share", 0.0004, "share of picture",
        "Smallest clipped blob told in a frame without a plate",
        "chosen", "about 45 px across at 5 MP",
    ),
    Limit(
        "cause_dark_fill", 0.12, "share of clipping level",
        "Bright level of the plate below which a frame is too dark",
        "chosen", "three stops under just saturated",
    ),
    Limit(
        "cause_least_contrast_noise", 15.0, "noise sigmas",
        "Plate contrast over noise below which a frame is too dark",
        "derived", "edge place sigma of about 0.1 px per edge pixel at 1 px of blur",
    ),
    Limit(
        "cause_bright_ground", 0.6, "share of clipping level",
        "Dark level of the plate above which a frame is too bright",
        "chosen", "under a stop of room left for the ground",
    ),
    Limit(
        "cause_dark_high_share", 0.12, "share of clipping level",
        "99th percentile below which a frame without plate is too dark",
        "chosen", "three stops under full",
    ),
    Limit(
        "cause_bright_share", 0.35, "share of picture",
        "Clipped share above which a frame without plate is too bright",
        "chosen", "more than bright dots on a picture-filling plate can cover",
    ),
    Limit(
        "cause_glare_share", 0.01, "share of plate",
        "Glare on the plate that is told although every dot was found",
        "chosen", "about one dot and a half of 14 x 10",
    ),
    Limit(
        "cause_half_out_share", 0.15, "share of points",
        "Points outside the picture from which the plate is half out",
        "chosen", "two outer columns of 14",
    ),
    Limit(
        "cause_smear_px", 1.2, "px",
        "Length of smear in one direction from which a frame counts as blurred by motion",
        "measured",
        "above the 1 px at which a smear of L px adds L^2/12 to a blur of 1 px^2 by less than a "
        "tenth",
    ),
    Limit(
        "cause_edge_width_px", 6.5, "px",
        "10-90 % edge width from which a frame counts as out of focus",
        "chosen", "blur sigma of 2.5 px, three times a good lens's; dot centres are proven to 3.5 px",
    ),
    Limit(
        "glare_least_bright", 0.9, "share of bright level",
        "Level of the plate's bright part inside a patch below which it is a hand, not glare",
        "derived", "glare adds light to what it covers, so the bright part can't be dimmer there",
    ),
    Limit(
        "series_depth", 1.6, "log sharpness",
        "How far below the top of a focus series frames still shape the peak",
        "chosen", "down to a fifth of the top: beyond it other lobes and the noise floor speak",
    ),
    Limit(
        "series_least_sigma", 0.03, "frames",
        "Least uncertainty given to the peak of a series",
        "chosen", "the fitted curve is only an approximation",
    ),
    Limit(
        "black_least_change", 1.2, "ratio",
        "Change of brightness within a series from which its black level can be told",
        "chosen", "a quarter of a stop",
    ),
    Limit(
        "black_least_correlation", 0.998, "1",
        "Straightness of a series' mean against its scatter from which a black level is believed",
        "measured", "drawn series: 0.9991 or more with an offset, 0.992 or less where the view wanders",
    ),
    Limit(
        "focus_drop", 0.06, "log sharpness",
        "Drop below the best that means past it (at least four times the scatter)",
        "derived", "the energy of a step edge blurred by 0.7 px loses 6 % at a blur circle of one px",
    ),
    Limit(
        "focus_there", 0.03, "log sharpness",
        "How near the best counts as there",
        "derived", "a third of a depth of field at one px of blur, on the same edge",
    ),
    Limit(
        "focus_scene_change", 0.06, "1",
        "rms change of the regions' means (over the picture's mean) from one frame to the next "
        "that means the scene moved",
        "measured",
        "a turn of the ring by 4 px of blur circle a frame changes it by less than 0.02 on drawn "
        "scenes",
    ),
    Limit(
        "focus_brightness_step", 0.15, "stops",
        "Change of brightness from one frame to the next that counts as a step",
        "chosen", "half of the smallest usual step of a third of a stop",
    ),
    Limit(
        "focus_aperture_jump", 0.35, "log sharpness",
        "Jump of sharpness at a step of brightness that only a changed aperture explains",
        "chosen",
        "a stop of aperture changes the blur circle by 1.4 and the energy of a defocused edge as "
        "much",
    ),
    Limit(
        "focus_tilt", 0.12, "log sharpness",
        "Difference between a side and the middle from which the focus plane counts as tilted",
        "derived", "a blur circle of about 1.5 px at the side while the middle is sharp",
    ),
    Limit(
        "focus_soft_side", 0.3, "log sharpness",
        "Difference of the sides' best values from which the lens counts as softer on one side",
        "chosen", "a quarter less energy than the middle on one side, a quarter more on the other",
    ),
    Limit(
        "speckle_least_variance", 3.0, "noise variances",
        "Variance of a region over its noise's from which it counts as patterned",
        "chosen", "pattern as strong as 1.4 times the noise",
    ),
    Limit(
        "exposure_dots_goal", 1.08, "share of clipping level",
        "Where the plateau of bright dots should stand, had it not clipped",
        "common practice",
        "just saturated: a tenth of a stop above clipping, so that noise and uneven light clip "
        "too",
    ),
    Limit(
        "exposure_ground_goal", 0.85, "share of clipping level",
        "Where the bright ground of dark dots, or a board's white, should stand",
        "chosen", "a quarter of a stop below clipping",
    ),
    Limit(
        "exposure_specimen_goal", 0.8, "share of clipping level",
        "Where the 99th percentile of a specimen's frame should stand",
        "chosen", "a third of a stop of room for the brightest hundredth",
    ),
    Limit(
        "exposure_dark_most", 0.4, "share of clipping level",
        "Most that the dark part of a plate may have",
        "chosen", "more than half the contrast must be left",
    ),
    Limit(
        "exposure_good", 0.167, "stops",
        "Difference from the goal at which nothing is advised",
        "chosen", "half of the smallest step of usual cameras",
    ),
    Limit(
        "exposure_blind_stops", 3.6, "stops",
        "Step when everything clips or nothing is seen",
        "derived", "three stops over must end clearly below clipping, where the next shot measures",
    ),
    Limit(
        "exposure_contrast", 12.0, "ratio",
        "Contrast of a plate assumed while its bright part clips",
        "common practice",
        "matt print 5 to 10, laser-marked plates 4 to 15; high on purpose, so that the next shot "
        "does not clip",
    ),
    Limit(
        "shake_flicker", 0.004, "share of brightness",
        "Standard deviation of a static series' brightness from which light flickers",
        "chosen", "four times what a steady lamp and 5 MP of shot noise show together",
    ),
    Limit(
        "shake_shimmer_px", 0.012, "px",
        "rms of incoherent motion in a static series that is told as heat shimmer",
        "chosen", "about the matching noise of a good speckle pattern, which it would double",
    ),
    Limit(
        "shake_vibration_px", 0.02, "px",
        "rms of common motion in a static series that is told as vibration",
        "chosen", "twice the matching noise of a good speckle pattern",
    ),
    Limit(
        "shake_step_px", 0.03, "px",
        "Common step or drift in a static series that is told as a moved camera",
        "chosen", "three times the matching noise of a good speckle pattern",
    ),
    Limit(
        "shake_shimmer_share", 0.2, "ratio",
        "Incoherent over common motion from which it is air and not the camera",
        "measured", "drawn series, docs/measures.md",
    ),
    Limit(
        "shake_step_over_rest", 2.6, "ratio",
        "Step over the rms of what it leaves from which a series counts as moved",
        "derived",
        "a sine split at its best place gives a step of 1.3 times the rms left, Gaussian noise of"
        " 24 frames seldom 2",
    ),
    Limit(
        "hot_spot_share", 0.08, "share of the light",
        "Fall of the light from its peak to the edge, on every side, that counts as a hot spot",
        "chosen", "a tenth of a stop cannot be seen, a fifth can",
    ),
    Limit(
        "camera_gap_stops", 0.5, "stops",
        "Difference in brightness between the cameras that is told",
        "chosen", "half a stop costs the darker camera a fifth of its precision",
    ),
    Limit(
        "plate_most_coverage", 0.9, "share of the field",
        "Span of the plate over the field from which it is too big to be tilted and moved",
        "common practice", "customary 0.75 to 0.80; a little too big beats too small",
    ),
    Limit(
        "plate_least_coverage", 0.6, "share of the field",
        "Span of the plate over the field below which it is too small",
        "common practice", "customary 0.75 to 0.80",
    ),
    Limit(
        "aim_roll_deg", 1.0, "degrees",
        "Roll between the cameras above which they do not count as level",
        "chosen", "17 px across 1000: visible at once, and turned by hand to less",
    ),
    Limit(
        "routine_stops", 0.7, "stops",
        "Change of light that ticks a step of the routine",
        "chosen", "more than half a stop of lamp drift or of a shadow, less than one stop of a ring",
    ),
    Limit(
        "warm_window_min", 10.0, "minutes",
        "Stretch over which the drift of a warming camera is judged",
        "chosen", "a third of the customary half hour",
    ),
    Limit(
        "warm_drift_px_per_min", 0.002, "px per minute",
        "Drift below which a camera counts as warm",
        "derived",
        "0.02 px in the ten minutes a calibration takes, under half of a dot's own noise of 0.05 "
        "px",
    ),
    Limit(
        "cause_hidden_share", 0.02, "share of points",
        "Points hidden by a finger or a shadow from which it is told",
        "chosen", "three points of 14 x 10; fewer cost next to nothing",
    ),
    Limit(
        "series_own_noise", 0.3, "share of variance",
        "Least share of a frame's own noise estimate that is taken off in a series",
        "chosen", "texture in focus may triple a frame's estimate; a gain changed by a stop quarters it",
    ),
    Limit(
        "sharpness_noisy", 0.1, "share of the gradient energy",
        "Part of the gradients that is noise from which the noise is read in four times as many places",
        "derived", "an error of 1.6 % in a tenth of the energy is the 0.2 % that the gauge resolves",
    ),
)
