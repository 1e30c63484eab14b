
"""Sentences of ``intake``: files that can't be used, folders, names, rig files.

Each says what, got, wanted, where, and the next step.
"""

WORDS: dict[str, str] = {
    # a file that can't be used
    "intake.empty": "{name} is empty (0 bytes). Check that the camera program has room to write, and save it again.",
    "intake.all-zero-file": "{name} holds {size} bytes, all zero: it was reserved and never written. Save it again.",
    "intake.all-zero": "{name} is black throughout (every value is 0): it was reserved and never written, or the "
    "lens is covered. Take it again.",
    "intake.zero-tail": "{name} is half-written: this {kind} file holds data up to byte {got} and only zeros from "
    "there to byte {wanted}. Save it again, or close the camera program first.",
    "intake.truncated": "{name} is cut short: this {kind} file has {got} bytes and needs {wanted}. Copy or save "
    "it again.",
    "intake.damaged": "{name} is damaged: its {kind} structure breaks at byte {at}. Copy or save it again.",
    "intake.undecodable": "{name} can't be decoded ({kind}): its contents are damaged. Save it again, as TIFF or PNG.",
    "intake.wrong-type": "{name} is not a picture that can be read here. Save pictures as TIFF, PNG, BMP, PGM or JPEG.",
    "intake.several-pictures": "{name} holds several pictures in one {kind} file; one picture per file and camera "
    "is wanted. Set the camera program to write single files.",
    "intake.flavour": "{name} is a {kind} file with {flavour}, which is not read here. Save it as 8- or 16-bit grey, "
    "uncompressed, LZW or deflate.",
    "intake.bit-depth": "{name} is a {bits}-bit {kind}; only 8-bit is read. Save it as 16-bit TIFF or PNG.",
    "intake.too-many-scans": "{name} is a JPEG with more than {scans} scans, which no camera writes. Save it again, "
    "as TIFF or PNG.",
    "intake.no-pixels": "{name} says it is {width_px} by {height_px} pixels: there is no picture in it. Save it again.",
    "intake.giant": "{name} says it is {width_px} by {height_px} pixels; at most {side_px} a side and {megapixels} "
    "million in all are read. Check the file, or reduce the picture's region on the camera.",
    "intake.too-many-bytes": "{name} has {got_mb} MB; at most {most_mb} MB are read. Check the file.",
    "intake.gone": "{name} is gone: it was moved or deleted before it was read. Leave files in the folder until the "
    "session is over.",
    "intake.no-permission": "{name} can't be opened: no permission to read it. Allow this user to read the folder's "
    "files.",
    "intake.unreadable": "{name} can't be read: {reason}. Check the disk or the network share, then save it again.",
    "intake.link": "{name} is a link to somewhere else; links are not followed. Put the file itself into the folder.",
    "intake.outside": "{name} leads out of the watched folder through a link; it is not followed. Put the file itself "
    "into the folder.",
    "intake.not-a-file": "{name} is not an ordinary file. Put a picture file into the folder.",
    "intake.wrong-array": "{name} came as {kind}; an 8- or 16-bit grey picture is wanted. Set the camera to Mono8 or "
    "Mono12/16.",
    # frames that don't fit together
    "intake.size-changed": "{name} is {width_px} by {height_px} px; camera {camera} began with {want_width_px} by "
    "{want_height_px} px ({first}). Set the camera back, or start a new session.",
    "intake.depth-changed": "{name} is {bits}-bit; camera {camera} began with {want_bits}-bit frames ({first}). Start "
    "a new session or convert the folder.",
    "intake.no-partner": "{name} has no partner: {missing} of shot {shot} did not come. Check that every camera is "
    "triggered and saves into this folder.",
    "intake.twice": "{name} is a second file for camera {camera} and shot {shot}; {first} is used. Number the shots "
    "on, or remove one of the two.",
    "intake.no-match": "{name} does not fit the other names ({example}). Rename it, or give the pattern with "
    "--pattern.",
    "intake.rewritten": "{name} was written again after it was used; the first picture stays. Number the files on, "
    "don't overwrite them.",
    "intake.late-camera": "{name} comes from a camera that was not there at the start ({cameras} were). Start a new "
    "session with all cameras.",
    # the folder
    "intake.no-control": "The camera program is in charge of these cameras: set it there.",
    "intake.folder-missing": "There is no folder {path}. Check the spelling, or make the folder first.",
    "intake.folder-is-file": "{path} is a file; a folder of pictures is wanted. Give the folder that it is in.",
    "intake.folder-closed": "The folder {path} can't be opened: no permission. Allow this user to read it.",
    "intake.folder-lost": "The folder {path} can't be read any more ({reason}). Reconnect the disk or share; watching "
    "goes on by itself.",
    "intake.folder-empty": "The folder {path} holds no picture (TIFF, PNG, BMP, PGM or JPEG). Give the folder the "
    "camera program saves into.",
    "intake.names-unclear": "The names in {path} don't tell which camera took which shot (for example {example}). Say "
    "how they are built, for example --pattern \"{{camera}}_{{shot}}.png\".",
    "intake.pattern-fields": "The pattern {pattern} has the field {field}; only {{camera}}, {{shot}} and {{any}} are "
    "known. For example \"{{camera}}_{{shot}}.png\".",
    "intake.pattern-twice": "The pattern {pattern} has {field} twice; it may stand once. For example "
    "\"{{camera}}_{{shot}}.png\".",
    "intake.pattern-braces": "The pattern {pattern} has an open or empty brace. For example "
    "\"{{camera}}_{{shot}}.png\".",
    "intake.pattern-none": "The pattern {pattern} fits none of the {count} pictures in the folder (for example "
    "{example}). For example \"{{camera}}_{{shot}}.png\".",
    # cameras on the command line, and settings
    "intake.address-empty": "A camera's name is missing between the commas. For example --cameras 40012345,40012346",
    "intake.address-unknown": "{given} names no camera: a serial number, gige:SERIAL, usb3:SERIAL, webcam:0, an rtsp:// or "
    "http:// address, a video file or numbered pictures (shot_%04d.tif) is wanted. See what is there: holdstill cameras",
    "intake.camera-twice": "{given} is named twice. Name each camera once.",
    "intake.too-many-cameras": "{count} cameras are named; at most {most} are. Name fewer.",
    "intake.bad-region": "{given} is no region. For example --region 1280x1024+384+512 (width x height + left + top).",
    "intake.cannot-trigger": "{given} can't be triggered; only machine-vision cameras can. Leave --trigger out.",
    "intake.no-such-camera": "There is no camera {name}; there are {known}. Choose one of them.",
    "intake.no-two-cameras": "There is only one camera: nothing to swap.",
    "intake.bad-turn": "{got} is no turn; 90, 180 or 270 degrees are.",
    "intake.no-such-setting": "Cameras have no setting {name}; exposure, exposure_ms and gain_db can be set.",
    "intake.not-a-setting": "{got} is not a number. Send a number.",
    "intake.camera-away": "Camera {camera} is not there now. Check its cable and power, then try again.",
    "intake.no-exposure": "The exposure of camera {camera} can't be set from here. Set it in the camera's own program or pages.",
    "intake.no-gain": "The gain of camera {camera} can't be set from here. Set it in the camera's own program or pages.",
    "intake.exposure-at-end": "Camera {camera} is at its end: {exposure_ms:.3g} ms and {gain_db:.3g} dB. Bring the lamps nearer, or "
    "open the aperture.",
    # frames that are sent
    "intake.push-unknown-camera": "There is no camera {name}; this session has {known}. Send to one of these.",
    "intake.push-wait": "{count} shots wait to be looked at. Send again in {seconds} s.",
    "intake.push-bad-header": "The header {name} is {got}; {wanted} is wanted.",
    "intake.push-raw-size": "{got} bytes came; {width} x {height} pixels of {kind} are {wanted}. Check the headers X-Width, X-Height and X-Pixel-Format.",
    "intake.push-type": "{got} is not taken. Send image/tiff, image/png or application/octet-stream with the raw headers.",
    "intake.push-too-large": "The frame has more than {most_mb} MB. Send a smaller region, or compress it (PNG, TIFF).",
    "intake.push-not-here": "This session takes no pushed frames. Start it with: holdstill serve --push left,right",
    "intake.push-empty": "The body is empty. Send the picture's bytes.",
    "intake.push-no-control": "Whoever sends the frames sets the cameras: set it there.",
    # rig files
    "intake.rig-missing": "There is no rig file {path}. Check the spelling.",
    "intake.rig-unreadable": "The rig file {path} can't be read: {reason}. Allow this user to read it, or give another file.",
    "intake.rig-not-toml": "The rig file {path} is not valid TOML: {reason}. Compare it with the example in the help pages (rig file).",
    "intake.rig-unknown": "{where}: {key} is not known; {block} has these: {known}. Check the spelling, or remove the line.",
    "intake.rig-type": "{where}: {key} is {got}; {wanted} is wanted. For example {example}",
    "intake.rig-range": "{where}: {key} = {got} is outside {low:g} to {high:g}{unit}. Check the value and its unit.",
    "intake.rig-twice": "{where}: two cameras are called {name}. Give each camera a name of its own.",
    "intake.rig-tape-alone": "{where}: tape_sigma_mm stands without tape_baseline_mm. Add the length measured, or remove the line.",
    "intake.rig-size-pair": "{where}: {camera} has only one of width_px and height_px. Give both or neither.",
    "intake.rig-too-large": "The rig file {path} has {got} bytes; a rig file is text of a few lines (at most {most} bytes). Check the path.",
}
