"""Limits of the Rig, Focus and Light steps."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "routine_steady_stops", 0.05, "stops",
        "Change of light from one frame to the next below which it counts as steady",
        "chosen", "a third of the smallest usual step over several frames; flicker and shot noise stay below",
    ),
    Limit(
        "focus_part_least", 0.05, "share of the median region's sharpness",
        "Least best sharpness of a region that counts as having something to focus on",
        "chosen", "a region without pattern shows noise only",
    ),
    Limit(
        "focus_turn_frames", 3.0, "frames",
        "Frames in which only one camera's sharpness changes until its ring counts as the one turned",
        "chosen", "a third of a second at ten frames a second",
    ),
    Limit(
        "focus_seen_px", 1.6, "px",
        "Median blur (sigma) of the dots in the kept views up to which the focus counts as seen",
        "chosen", "twice a good lens's 0.8 px",
    ),
    Limit(
        "light_good_stops", 0.33, "stops",
        "Distance from the exposure's goal up to which the light counts as right",
        "chosen", "a third of a stop, the smallest step of usual cameras and lenses",
    ),
    Limit(
        "light_same_stops", 0.08, "stops",
        "Exposures nearer than this count as the same",
        "chosen", "a quarter of the smallest usual step",
    ),
    Limit(
        "light_good_frames", 10.0, "frames",
        "Shots in a row without anything against going on that make the Light step done",
        "chosen", "a second or so at ten frames a second",
    ),
    Limit(
        "light_covered_share", 0.03, "share of clipping level",
        "99th percentile below which a camera sees nothing at all",
        "chosen", "five stops under full: a scene in any light shows more, a cap does not",
    ),
    Limit(
        "light_evenness", 0.7, "1",
        "Lowest over highest light on the plate below which it is called uneven",
        "chosen", "half a stop between the plate's ends",
    ),
    Limit(
        "light_specimen_saturated", 0.0001, "share of pixels",
        "Saturated share of a specimen's frame that is told",
        "common practice", "no saturated pixel on the specimen (digitalimagecorrelation.org primer, section 4);"
        " a hundredth of a per cent is left to hot pixels",
    ),
    Limit(
        "light_slow_factor", 1.5, "ratio",
        "Exposure over the longest for a hand-held plate from which it is told",
        "chosen", "the tremor taken is itself known to about that",
    ),
    Limit(
        "exposure_longest_ms", 100.0, "ms",
        "Longest exposure set by itself before gain is raised",
        "chosen", "ten pictures a second, so that the gauges keep moving",
    ),
    Limit(
        "exposure_most_gain_db", 12.0, "dB",
        "Most gain set by itself",
        "chosen", "two stops: more costs more noise than the light is worth",
    ),
    Limit(
        "exposure_shots_most", 5.0, "shots",
        "Shots judged after which setting the exposure gives up",
        "chosen", "three are enough in 99 of 100 (docs/measures.md); two more for a plate first to be found",
    ),
    Limit(
        "exposure_wait_frames", 12.0, "frames",
        "Frames waited for one that was taken with the exposure asked for",
        "chosen", "frames on their way from a camera, and a second more",
    ),
    Limit(
        "speckle_least_px", 3.0, "px",
        "Smallest speckle that is sampled well enough",
        "common practice", "3-7 px (digitalimagecorrelation.org primer, section 3)",
    ),
    Limit(
        "speckle_most_px", 8.0, "px",
        "Speckle size from which room is given away",
        "common practice", "3-7 px (digitalimagecorrelation.org primer, section 3), and the measure's 12 %",
    ),
    Limit(
        "speckle_cover_off", 0.2, "share of the area",
        "Distance of the cover from one half that is told",
        "common practice", "about 50 % (digitalimagecorrelation.org primer, section 3)",
    ),
    Limit(
        "match_most_px", 0.02, "px",
        "Expected matching noise from which it is told",
        "common practice", "noise floors of 0.01-0.1 px, the good end (digitalimagecorrelation.org primer)",
    ),
    Limit(
        "specimen_blur_px", 0.1, "px",
        "Blur of a moving specimen within one exposure that is allowed",
        "common practice", "a tenth of a pixel (digitalimagecorrelation.org primer, section 1: 0.01-0.1)",
    ),
    Limit(
        "watch_still_frames", 24.0, "frames",
        "Frames of a still scene that are watched for flicker, vibration and warm air",
        "chosen", "three seconds at eight frames a second",
    ),
    Limit(
        "light_seen_fill", 0.75, "share of clipping level",
        "Median dot fill of the kept views from which the light counts as seen to be right",
        "chosen", "within half a stop of just saturated",
    ),
    Limit(
        "aim_shift_px", 100.0, "px",
        "Distance of the cameras' middles from each other above which the aim is told",
        "chosen", "a twentieth of a 5-MP picture's height: what hands can set on a ball head",
    ),
    Limit(
        "aim_overlap", 0.8, "share of the field",
        "Overlap of the fields below which it is told",
        "common practice", "targets cover 75-80 % of the field of both cameras",
    ),
    Limit(
        "specimen_every_ms", 2000.0, "ms",
        "How often a specimen's frame is looked at closely on the Light step",
        "chosen", "it takes a fifth of a second of CPU; the eye stays quick in between",
    ),
    Limit(
        "focus_clipping", 0.002, "share of pixels",
        "Clipped share from which the pattern of the regions' means says nothing about the scene",
        "chosen", "a lamp's reflection on a specimen stays below",
    ),
    Limit(
        "aim_least_matches", 12.0, "points",
        "Matched points of a scene from which the cameras' aim is told",
        "chosen", "twice what an affine map needs, and as many again against chance",
    ),
    Limit(
        "warm_tile_px", 0.05, "px",
        "Difference of a tile's shift from the common one up to which it counts as at rest",
        "chosen", "warm air of a bench; a hand moves its tiles by whole pixels",
    ),
    Limit(
        "warm_every_ms", 15000.0, "ms",
        "How often a scene at rest is looked at for the cameras' warm-up",
        "chosen", "forty looks in ten minutes",
    ),
    Limit(
        "aim_every_ms", 3000.0, "ms",
        "How often the cameras' aim is found from the scene on the Rig step",
        "chosen", "it takes a third of a second of CPU",
    ),
    Limit(
        "speckle_busy_share", 0.6, "share of the busiest tiles' gradient energy",
        "Least gradient energy of a tile that counts as speckled",
        "chosen", "a tile half covered by the specimen has half of it, and its outline would count as a speckle",
    ),
    Limit(
        "series_same_scene", 0.3, "correlation",
        "Median correlation of neighbouring reduced pictures below which they show different scenes",
        "measured", "real photographs of different scenes -0.3 to 0.5, sweeps of one scene above 0.9",
    ),
    Limit(
        "series_least_contrast", 0.05, "share of the mean level",
        "Contrast of a reduced picture below which its scene can't be told from another",
        "chosen", "uneven light alone makes as much",
    ),
    Limit(
        "light_dot_growth", 1.08, "ratio",
        "Diameter of a saturated dot over its own from which it is called too bright",
        "chosen", "blooming and a clipped flank grow a dot of 40 px by a px and a half on each side",
    ),
    Limit(
        "light_glare_told", 0.002, "share of plate",
        "Glare on the plate that is told on the Light step",
        "chosen", "a third of a dot's own square of 14 x 10: there is time to move the lamp",
    ),
)
