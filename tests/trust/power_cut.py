"""What a power cut may leave of a folder: everything made to last, and any part of the rest.

The disk assumed is worse than real ones (POSIX promises no more): of what was not synced, any writes may
have reached it in any order, whole, in part or not at all, and a new name lasts only once its folder
was synced.
"""

from __future__ import annotations

import random
from collections import defaultdict
from pathlib import Path

from trust.system_calls import Change, Tree

SECTOR = 512


def left_over(tree: Tree, at: int, rng: random.Random | None, share: float, target: Path) -> None:
    """Write into `target` what a cut after change number `at` may leave.

    `share`: chance of each change that was not synced to have reached the disk all the same; with `rng`
    None it is all of them (share 1) or none (share 0).
    """
    changes = tree.changes[:at]
    synced: dict[int, int] = defaultdict(lambda: -1)
    for number, change in enumerate(changes):
        if change.kind == "fsync":
            synced[change.thing] = number

    def reached(number: int, thing: int) -> bool:
        if number <= synced[thing]:
            return True
        return share >= 1.0 if rng is None else rng.random() < share

    names: dict[tuple[int, str], int] = {}
    contents: dict[int, bytearray] = defaultdict(bytearray)
    for number, change in enumerate(changes):
        match change.kind:
            case "create" | "mkdir" if reached(number, change.folder):
                names[change.folder, change.name] = change.thing
            case "rename":
                if reached(number, change.folder):
                    names[change.folder, change.name] = change.thing
                if reached(number, change.from_folder):
                    names.pop((change.from_folder, change.from_name), None)
            case "unlink" if reached(number, change.folder):
                names.pop((change.folder, change.name), None)
            case "write" if reached(number, change.thing):
                whole = number <= synced[change.thing] or rng is None
                _write(contents[change.thing], change, None if whole else rng)
            case "truncate" if reached(number, change.thing):
                held = contents[change.thing]
                del held[change.offset :]
                held.extend(bytes(change.offset - len(held)))
    _lay_out(0, target, names, contents, tree.folders)


def _write(held: bytearray, change: Change, rng: random.Random | None) -> None:
    """One write into a file's contents: whole, or some of its sectors."""
    end = change.offset + len(change.data)
    torn = rng is not None and rng.random() < 0.5
    if len(held) < end:
        held.extend(bytes(end - len(held)))
    if not torn:
        held[change.offset : end] = change.data
        return
    for start in range(0, len(change.data), SECTOR):
        if rng is not None and rng.random() < 0.5:
            piece = change.data[start : start + SECTOR]
            held[change.offset + start : change.offset + start + len(piece)] = piece


def _lay_out(
    folder: int, target: Path, names: dict[tuple[int, str], int], contents: dict[int, bytearray],
    folders: set[int],
) -> None:  # fmt: skip
    target.mkdir(exist_ok=True)
    for (inside, name), thing in names.items():
        if inside != folder:
            continue
        if thing in folders:
            _lay_out(thing, target / name, names, contents, folders)
        else:
            (target / name).write_bytes(contents[thing])
