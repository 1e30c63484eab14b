"""Limits used by the rig on paper: what counts as sharp, as a steady hand, as a customary rig."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "paper_sharp_px", 1.0, "px",
        "blur circle up to which the rig on paper calls the specimen sharp",
        "common practice", "one pixel: the blur then hides behind the sampling",
    ),
    Limit(
        "paper_airy_px", 5.0, "px",
        "Airy disc from which the aperture is called too small",
        "chosen", "as wide as a customary speckle (3-7 px): closing further takes contrast from the whole picture",
    ),
    Limit(
        "paper_tremor_mm_per_s", 10.0, "mm per second",
        "speed of a plate held as still as hands can",
        "chosen", "physiological tremor of 8-12 Hz and 0.1-0.2 mm (from memory): 2 pi f A = 5-15 mm per second",
    ),
    Limit(
        "paper_match_sigma_px", 0.02, "px",
        "matching noise in each camera taken for the expected shape and strain noise",
        "common practice", "static frames show 0.01-0.1 px; the good end (digitalimagecorrelation.org primer, sections 5-6)",
    ),
    Limit(
        "paper_gauge_px", 100.0, "px",
        "length of the two-point gauge for which strain noise is told",
        "chosen", "about the strain window of a customary analysis: 15 points, 7 px apart",
    ),
    Limit(
        "paper_target_least", 0.75, "share of both fields",
        "smallest target to use", "common practice", "customary 75-80 % of the field of both cameras",
    ),
    Limit(
        "paper_target_most", 0.80, "share of both fields",
        "largest target to use", "common practice", "customary 75-80 % of the field of both cameras",
    ),
    Limit(
        "paper_dot_least_px", 7.0, "px",
        "smallest dot diameter in the picture that is read without fail",
        "measured", "below it dots are taken for their neighbours and get wrong numbers",
    ),
    Limit(
        "paper_angle_least_deg", 15.0, "deg",
        "smallest customary stereo angle", "common practice", "15-30 degrees",
    ),
    Limit(
        "paper_angle_most_deg", 30.0, "deg",
        "largest customary stereo angle", "common practice", "15-30 degrees",
    ),
    Limit(
        "paper_thin_lens", 10.0, "focal lengths",
        "stand-off below which a thin lens no longer stands for the real one",
        "derived", "the principal planes lie within about a focal length of each other and of the mount: a tenth",
    ),
    Limit(
        "paper_field_off", 0.1, "share of the wanted field",
        "difference between the field had and the field wanted that is told",
        "chosen", "less is made up by moving the rig by hand",
    ),
)
