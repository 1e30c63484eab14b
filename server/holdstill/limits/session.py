"""Limits used by ``session``: when a shot is kept, when the coach calls it enough."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "keep_points_share", 0.9, "1",
        "least share of the plate's points that every camera must see for a view to be kept",
        "chosen", "a view that lacks more has usually lost a whole border row, which carries most of the tilt",
    ),
    Limit(
        "still_blur_px", 0.2, "px",
        "most motion of the plate during one exposure for a view to be kept",
        "derived",
        "0.2 px of uniform motion blur is 0.2/sqrt(12) = 0.06 px rms spread, at the level of a dot's own noise",
    ),
    Limit(
        "still_shift_px", 1.0, "px",
        "most motion of the plate from one frame of the stream to the next while it counts as still",
        "chosen", "a hand's tremor at arm's length; tightened by still_blur_px where the exposure is known",
    ),
    Limit(
        "still_frames", 2, "frames",
        "frames in a row that must be still before a view is taken",
        "chosen", "two agree by chance far less often than one, and cost a tenth of a second",
    ),
    Limit(
        "trouble_frames", 3, "frames",
        "frames in a row that must show the same trouble before the phone says so",
        "chosen", "0.3 s at ten frames per second: no flicker between messages",
    ),
    Limit(
        "kept_shown_ms", 1200, "ms",
        "how long \"kept\" stands on the phone before the next cue",
        "chosen", "long enough to read one word at a glance",
    ),
    Limit(
        "single_blur_px", 3.0, "px",
        "most blur (Gaussian sigma) of a single shot for it to be kept",
        "derived", "at sigma 3 px neighbouring dots of the smallest readable size (7 px) run together",
    ),
    Limit(
        "relative_blur", 2.0, "1",
        "most blur over the median blur of the views kept so far",
        "chosen", "twice the session's own blur is a change of focus or a moving plate, not a tilt",
    ),
    Limit(
        "least_views", 6, "views",
        "fewest views for any verdict better than not yet",
        "common practice", "fewer leave no views over to judge the scatter between views by",
    ),
    Limit(
        "customary_views", 26, "views",
        "the customary number of views, shown beside for those who must follow it",
        "common practice", "20-30 views: about ten tilts about each axis and some in plane",
    ),
    Limit(
        "enough_views", 11, "views",
        "fewest views before the coach may say enough",
        "measured", "simulation on the reference rig: 11-12 well chosen views match the customary 26",
    ),
    Limit(
        "enough_gain", 0.05, "1",
        "when the best next view promises less than this share, it is enough",
        "chosen", "a twentieth of the uncertainty is less than the uncertainty's own scatter",
    ),
    Limit(
        "silence_ms", 4000, "ms",
        "how long a stream may bring no frame before the phone says so",
        "chosen", "longer than any exposure or hiccup of a camera at work",
    ),
    Limit(
        "file_storm", 200, "messages",
        "most messages about files that are kept for the page",
        "chosen", "a folder of thousands of bad files must not fill the page",
    ),
    Limit(
        "glare_share", 0.01, "1",
        "glare patches that hide more than this share of the plate spoil a view even if every dot was found",
        "chosen", "a patch the size of two dots on a plate of 140",
    ),
    Limit(
        "still_before_ms", 1500, "ms",
        "with shots at intervals, how long before the next one the phone says hold still",
        "chosen", "time to read it, stop moving and let the plate's swing die down",
    ),
    Limit(
        "bench_wait_ms", 250, "ms",
        "how often the loop looks at the clock for cues that depend on it",
        "chosen", "half the time in which a person notices a late word",
    ),
    Limit(
        "light_dot_fill", 0.85, "1",
        "dots should reach this share of the clipping level before the light is called good",
        "common practice", "dots just saturated give the lower residual and fewer refused pairs",
    ),
    Limit(
        "light_ground_fill", 0.4, "1",
        "the plate's dark part should stay below this share of the clipping level",
        "chosen", "half the contrast is left between dots at full and ground",
    ),
    Limit(
        "watch_every_ms", 3000, "ms",
        "how often, once ready, a later picture of the plate is held against the calibration",
        "chosen", "a solve's worth of work every few seconds leaves the machine free for the pages",
    ),
    Limit(
        "watch_votes", 2, "pictures",
        "later pictures in a row that must speak against a ready rig before it is withdrawn",
        "chosen", "one can be a plate that moved between the cameras",
    ),
    Limit(
        "advance_after_ms", 2500, "ms",
        "how long a finished step stands on the phone before a stream moves on by itself",
        "chosen", "time to read the sentence that says so",
    ),
)
