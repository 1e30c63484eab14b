
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
