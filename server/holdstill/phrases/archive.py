
"""Sentences of ``archive``: the journal, originals, hand-over files and the report."""

WORDS: dict[str, str] = {
    "archive.newer": "This session was written by a newer version of Holdstill (form {got}; this one knows {known}). Update Holdstill, then open it again.",
    "archive.event-unreadable": "An entry of the journal can't be read ({reason}). The entries before it are whole; copy the session folder before anything else is done with it.",
    "archive.torn": "Entry {seq} of the journal {path} does not match its check sum: the disk changed it after it was written. Copy the session folder, and check the disk.",
    "archive.gap": "The journal {path} lacks entry {seq}: something removed it. Restore the session folder from a copy.",
    "archive.locked": "The session {path} is open in another process ({holder}). Close that one, or watch it through its own page.",
    "archive.missing": "There is no session in {path}. `holdstill sessions` lists those there are.",
    "archive.exists": "There is already a session in {path}. Open it, or give another name.",
    "archive.not-a-journal": "{path} is not a journal ({reason}). Restore the session folder from a copy.",
    "archive.full": "The disk is full: {what} could not be written to {path}. What was kept before is safe. Free some space, then go on.",
    "archive.read-only": "{path} can't be written (read-only, or no permission). Give a folder that this user may write to, with --home.",
    "archive.gone": "{path} can't be reached any more ({reason}). Reconnect the disk or share, then go on; what was kept before is safe there.",
    "archive.trouble": "{what} could not be written to {path}: {reason}. What was kept before is safe. Check the disk, then go on.",
    "archive.changed": "{name} changed between looking at it and keeping it. It was not kept; save each picture once, under a new name.",
    "archive.original-gone": "{name} was moved or deleted before it could be kept. Leave files in the folder until the session is over.",
    "archive.what.event": "the latest entry",
    "archive.what.original": "a picture",
    "archive.what.session": "the session",
    "archive.what.handover": "a hand-over file",
    # sessions
    "archive.no-sessions": "There is no session in {path} yet. `holdstill demo` or `holdstill serve` begins one.",
    "archive.column.id": "session",
    "archive.column.name": "name",
    "archive.column.opened": "opened",
    "archive.column.last": "last entry",
    "archive.column.views": "views",
    "archive.column.verdict": "verdict",
}
