"""Sentences about plates and what the eye sees."""

WORDS: dict[str, str] = {
    "target-ruler": "This line is {length_mm:.0f} mm long. Measure it on the print; print without scaling.",
    "target-drawn": "Drawn: {words}, {wide_mm:.1f} x {high_mm:.1f} mm with its ruler, in {file}.",
    "target-print": "Print at 100 % (no scaling), check the ruler, and put the pitch you measure into the target's words.",
    "find-found": "{image}: {found} of {expected} points, sigma {sigma_px:.4f} px, blur {blur}, residual {residual_px:.3f} px{notes}",
    "find-missing": ", {missing} missing",
    "find-growth": ", dots grown by {growth_percent:+.1f} %",
    "find-unsure": ", numbering may be turned or shifted",
    "find-unread": "{image}: {reason}",
    "find-no-plate": "no plate found (no regular grid of dots with at least {needed} of them)",
    "find-no-marker": "a grid of dots was seen, but no marker of a coded plate could be read",
    "find-free-identity": "a coded plate of a special size (id{identity_seen}): give its SPEC with columns x rows and pitch",
    "find-no-board": "no board found",
    "find-too-few-points": "only {found} points found, {needed} needed",
    "find-wrong-target": "another target: {columns_seen} x {rows_seen} dots seen where {columns_wanted} x {rows_wanted} were expected",
    "find-wrong-target-bare": "another target, or something flat and even lies on it: {bare} places that should carry a dot show bare ground",
    "find-wrong-identity": "another plate: its markers belong to id{identity_seen}, id{identity_wanted} was expected",
    "find-dots-too-small": "dots of {diameter_px:.1f} px are too small to number safely; {needed_px:.0f} px are needed",
    "find-picture-too-small": "the picture is only {width_px} x {height_px} px; at least {needed_px} px each way are needed",
    "find-drawing": "Drawn: {file}",
    "find-not-flat": "the points do not lie on a flat plate (residual {residual_px:.2f} px)",
}
