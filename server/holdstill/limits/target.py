"""Limits used by ``target``."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit("target_least_points", 9, "points", "fewest points of a plate that count as a sighting",
          "chosen", "two more than a homography with two radial terms needs in a plane (2 x 5 + 8)/2"),
    Limit("target_least_share", 0.2, "share", "smallest share of a plate's points that counts as a sighting",
          "chosen", "partial views of 40 % must be found, with half of those points hidden"),
    Limit("target_least_dot_px", 6.0, "px", "smallest dot diameter that is indexed",
          "chosen", "docs/eye.md, small dots: no false index from 6 px; smaller ones were not measured well"),
    Limit("target_wrong_empty_share", 0.35, "share",
          "share of the expected places in the picture that show bare ground, above which it is another target",
          "chosen", "a hand or glare hides dots but does not leave flat bare ground between dots"),
    Limit("target_corner_window_share", 0.18, "share of the smallest square side",
          "half-size of the window in which a chessboard corner is refined",
          "measured", "13 real stereo pairs of Debian opencv-doc: rms .193/.207 px; 11 px (a third) gives .41/.46"),
    Limit("target_unlike_dots", 0.3, "share of the dots' contrast",
          "what a round dot's model leaves unexplained around the edge (rms, noise included), above which "
          "the spots are no dots",
          "measured", "squares and clutter leave 0.4 and more; dots at a signal-to-noise ratio of 5 leave 0.2"),
    Limit("target_residual_share", 0.08, "share of the local pitch",
          "largest rms of the points about the view's own map for which the view counts as this plate",
          "chosen", "a lattice on a flat plate through a lens with k1, k2 stays far below"),
)  # fmt: skip
