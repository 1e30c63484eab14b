"""Limits used by ``intake``."""

from .row import Limit

_FRAMES: tuple[Limit, ...] = (
    Limit(
        "intake_file_bytes_max",
        512e6,
        "bytes",
        "largest picture file that is opened",
        "chosen",
        "a 150-MP sensor in 16 bits, uncompressed, is 300 MB",
    ),
    Limit(
        "intake_pixels_max",
        160e6,
        "px",
        "largest picture that is decoded (width times height)",
        "chosen",
        "the largest industrial area sensors have about 150 MP (from memory)",
    ),
    Limit(
        "intake_side_px_max",
        32767,
        "px",
        "largest width or height that is decoded",
        "chosen",
        "twice the longest side of a 150-MP sensor",
    ),
    Limit(
        "intake_jpeg_scans_max",
        100,
        "scans",
        "most scans of a progressive JPEG that are decoded",
        "chosen",
        "usual encoders write 10 or fewer; each scan costs a pass over the picture",
    ),
    Limit(
        "intake_tiff_strips_max",
        100000,
        "strips",
        "most strips or tiles of a TIFF that are read",
        "chosen",
        "one strip a row of the tallest picture allowed, threefold",
    ),
    Limit(
        "intake_zero_tail_bytes",
        4096,
        "bytes",
        "zeros at a file's end that count as never written",
        "derived",
        "one page of a file system: space reserved but not written reads as zeros",
    ),
    Limit(
        "intake_zero_share_elsewhere",
        0.01,
        "share",
        "share of black pixels in the rest of the picture above "
        "which zeros at the end are taken for a black scene",
        "chosen",
        "a camera that clips at black has zeros everywhere, not only in the last rows",
    ),
    Limit(
        "intake_ten_bit_pile_share",
        0.0005,
        "share",
        "share of pixels that must sit exactly at 1023, none above, to take 16-bit data for 10-bit data",
        "chosen",
        "pixels pile up at the clipping level and nowhere else",
    ),
    Limit(
        "intake_partner_wait_s",
        5.0,
        "s",
        "time a frame waits for its partners before it is reported",
        "chosen",
        "writing a 5-MP pair to a slow share takes 1-2 s",
    ),
    Limit(
        "intake_first_shot_wait_s",
        1.0,
        "s",
        "quiet time after the first files before the number of cameras is taken as known",
        "chosen",
        "cameras of one shot are written within a second",
    ),
    Limit(
        "intake_lone_file_wait_s",
        4.0,
        "s",
        "time the very first file waits for a second camera when its name does not tell whether there is one",
        "chosen",
        "a little less than the partner's waiting time",
    ),
    Limit(
        "intake_pair_window_s",
        0.5,
        "s",
        "largest difference between the files' times of one shot when names carry no numbers",
        "chosen",
        "half a second to write the second file",
    ),
    Limit(
        "intake_settle_s",
        2.0,
        "s",
        "time an unfinished file is given to be finished before it is reported",
        "chosen",
        "a 100-MB file over 100-Mbit/s Ethernet takes 8 s but grows meanwhile; each growth restarts it",
    ),
    Limit(
        "intake_poll_s",
        0.15,
        "s",
        "how often a network folder is looked at",
        "chosen",
        "size and time must be the same twice, so a shot is seen 0.15-0.3 s after it was written",
    ),
    Limit(
        "intake_interval_jitter",
        0.07,
        "share",
        "largest scatter of the times between shots (robust sd over mean) "
        "that counts as shooting at an interval",
        "derived",
        "simulated: timers with 3 % jitter are always known; people, scattering by a third, are taken "
        "for one in 1-2 % after 8 shots",
    ),
    Limit(
        "intake_interval_shots_min",
        5,
        "shots",
        "fewest shots before an interval is believed",
        "chosen",
        "with four times between shots a person (scatter a third) passes for a timer in one case of ten",
    ),
)


def _between(name: str, low: float, high: float, unit: str, source: str) -> tuple[Limit, Limit]:
    """Smallest and largest value of a rig file's line that is believed."""
    told = name.replace("_", " ", 1)
    return (
        Limit(f"{name}_min", low, unit, f"smallest {told} believed in a rig file", "chosen", source),
        Limit(f"{name}_max", high, unit, f"largest {told} believed in a rig file", "chosen", source),
    )


_RIG_FILE: tuple[Limit, ...] = (
    *_between("camera_width_px", 16, 32767, "px", "from line sensors' tests to the largest area sensors"),
    *_between("camera_height_px", 16, 32767, "px", "from line sensors' tests to the largest area sensors"),
    *_between("camera_pixel_um", 0.5, 50, "um", "phone sensors 0.6, high-speed sensors 28"),
    *_between("camera_focal_mm", 1, 2000, "mm", "board lenses 2, telephoto lenses 1000"),
    *_between("camera_f_number", 0.7, 64, "1", "the fastest and the slowest lenses made"),
    *_between("camera_exposure_ms", 0.0001, 60000, "ms", "100 ns flashes to one minute"),
    *_between("rig_stand_off_mm", 10, 100000, "mm", "stereo microscopes 50, bridges 50 000"),
    *_between("rig_stereo_angle_deg", 0, 120, "degrees", "customary 15-30; parallel cameras 0"),
    *_between("rig_volume_mm", 0.1, 50000, "mm", "stereo microscopes 1, bridges 20 000"),
    *_between("rig_tape_baseline_mm", 1, 50000, "mm", "stereo microscopes 10, bridges 20 000"),
    *_between("rig_tape_sigma_mm", 0.001, 1000, "mm", "calipers 0.02, a tape by eye 5"),
    *_between(
        "rig_goal_displacement_um", 0.001, 100000, "um", "from a thousandth of a typical noise floor up"
    ),
)

ROWS: tuple[Limit, ...] = _FRAMES + _RIG_FILE
