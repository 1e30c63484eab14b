"""Limits used by ``plan``: which poses are asked for, when one is near enough, when it is enough."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "plan_edge_margin", 0.005, "share of the picture",
        "ground that a wished pose leaves between the dots and the edge it is pushed to",
        "measured", "seen as \"almost touching\"; simulation: a margin of 3 hundredths costs a sixth of the gain",
    ),
    Limit(
        "plan_place_least", 0.06, "share of the picture",
        "least way from the middle for a place to be asked for as a place of its own",
        "chosen", "a shorter way can't be told from the middle by a person with the plate in hand",
    ),
    Limit(
        "plan_lean_steep_deg", 50.0, "deg",
        "steepest lean that is asked for",
        "measured", "simulation: 2-5 % off the error after 26 views against 45 degrees; steeper brings nothing more",
    ),
    Limit(
        "plan_lean_deg", 40.0, "deg",
        "lean that is asked for otherwise",
        "measured", "simulation: worth most of what a steeper lean is, and has room in more places",
    ),
    Limit(
        "plan_lean_small_deg", 20.0, "deg",
        "lean that is asked for where the full lean has no room",
        "measured", "simulation: tilts below 20 degrees add little on focal length and stand-off",
    ),
    Limit(
        "plan_tilt_most_deg", 62.0, "deg",
        "largest angle between the plate's normal and the line of sight of any camera, where dots are large",
        "measured", "drawn dots of 44 px are found as well at 58-62 degrees as at 45, at 66 half as well",
    ),
    Limit(
        "plan_tilt_small_deg", 55.0, "deg",
        "the same where dots are small",
        "derived", "at 55 degrees a circle's image is 0.57 as high as wide; dots of 7 px fall under 4 px",
    ),
    Limit(
        "plan_dot_least_px", 10.0, "px",
        "least height of a dot's image for a plate to be asked for, or taken, beyond `plan_tilt_small_deg`",
        "chosen", "well above the 7 px below which dots are numbered wrongly",
    ),
    Limit(
        "plan_blur_px", 5.0, "px",
        "largest circle of confusion that a wished pose may have at any dot",
        "derived", "a 5 px disc spreads like a Gaussian of 1.25 px sigma, less than half of what a view may have",
    ),
    Limit(
        "plan_reach_share", 0.12, "share of the stand-off",
        "how far nearer or farther is asked for, when focus and the measuring volume allow",
        "measured", "84 mm at 700 mm: within an arm's reach; simulation: better than 8 hundredths by 3 %",
    ),
    Limit(
        "plan_dot_sigma_px", 0.05, "px",
        "standard deviation of a dot's coordinates that planning counts with",
        "measured", "simulation of the reference rig; only ratios of views depend on it, and hardly",
    ),
    Limit(
        "plan_travel_weight", 0.08, "1",
        "share of its worth that a pose loses for the longest travel of the hands",
        "measured", "simulation: twice this costs half a view on the way to the customary quality",
    ),
    Limit(
        "plan_repeat_weight", 0.1, "1",
        "share of its worth that a pose loses for each kept view held about like it",
        "chosen", "errors of plate and eye repeat with the pose, which the information does not count",
    ),
    Limit(
        "take_share", 0.7, "1",
        "a live pose worth this share of the best one is taken at once",
        "measured", "simulation: asking for more costs more time per view than it saves views",
    ),
    Limit(
        "take_points_share", 0.9, "1",
        "least share of the plate's points in every picture for a live pose to be worth taking",
        "chosen", "the same share that a kept view must show",
    ),
    Limit(
        "near_lean_deg", 9.0, "deg",
        "how near the wished lean counts as there",
        "measured", "hands follow a lean to about 6 degrees (one sigma)",
    ),
    Limit(
        "near_roll_deg", 15.0, "deg",
        "how near the wished roll counts as there",
        "chosen", "roll within the plane adds next to nothing below this",
    ),
    Limit(
        "near_reach_share", 0.025, "share of the stand-off",
        "how near the wished distance counts as there",
        "measured", "17 mm at 700 mm; hands follow a distance to about 10 mm (one sigma)",
    ),
    Limit(
        "near_place_share", 0.06, "share of the picture",
        "how near the wished place counts as there",
        "measured", "14 mm in a field of 236 mm; hands follow a place to about 10 mm (one sigma)",
    ),
    Limit(
        "near_hysteresis", 1.4, "1",
        "a part once reached is asked for again when it is off by this many times its tolerance",
        "chosen", "wider than a hand's tremor, so that orders do not flicker",
    ),
    Limit(
        "same_turn_deg", 6.0, "deg",
        "a view turned by less than this from a kept one, and near it, is the same as before",
        "chosen", "the accuracy with which a hand repeats a pose",
    ),
    Limit(
        "same_shift_share", 0.04, "share of the picture",
        "a view shifted by less than this from a kept one, and turned like it, is the same as before",
        "chosen", "the accuracy with which a hand repeats a pose: 10 mm in a field of 236 mm",
    ),
    Limit(
        "lean_counts_deg", 15.0, "deg",
        "a view leaning at least this far counts for the dial's direction",
        "measured", "simulation: smaller tilts fix focal length and stand-off poorly",
    ),
    Limit(
        "reach_counts_share", 0.04, "share of the stand-off",
        "a view at least this much nearer or farther than the middle counts for depth",
        "chosen", "half of the way that is asked for",
    ),
    Limit(
        "border_share", 0.1, "share of the picture",
        "width of the border strip in which dots must have been for an edge or corner to count as covered",
        "chosen", "about half a dot pitch more than the ground left at a place that was reached",
    ),
    Limit(
        "glare_clearance_deg", 1.5, "deg",
        "tilt by which a wished pose must clear a known lamp's glare",
        "measured", "simulation: wider costs information, narrower meets glare through the hand's tilt error",
    ),
    Limit(
        "lamps_most", 4, "lamps",
        "most lamps that are inferred from glare",
        "chosen", "benches have one to four; more would avoid every pose",
    ),
    Limit(
        "lamp_shown_sightings", 2, "sightings",
        "glare patches that must speak for a lamp before it is drawn on the plan",
        "derived", "one ray tells a direction; where two cross, something stands. Poses avoid the others too",
    ),
    Limit(
        "lamp_ray_deg", 5.0, "deg",
        "how far a glare patch's mirrored ray may miss a lamp that explains it",
        "measured", "a lamp's own half size of 2-3 deg, and the patch's middle found to a few mm",
    ),
    Limit(
        "lamp_clear_weight", 0.5, "sightings",
        "what a plate seen clear where a lamp would glare counts against that lamp",
        "chosen", "less than a sighting: a weak lamp's glare can go unseen",
    ),
    Limit(
        "lamp_lobe_share", 0.03, "share of the stand-off",
        "radius of a glare patch on the plate when none was measured",
        "derived", "a lobe of 3 deg half width at equal distances of camera and lamp",
    ),
    Limit(
        "lamp_cost_share", 0.75, "1",
        "when the best pose without glare is worth less than this share of the best with it, a lamp is to move",
        "chosen", "a quarter of a view's worth is what one sentence and one walk to the lamp may cost",
    ),
)
