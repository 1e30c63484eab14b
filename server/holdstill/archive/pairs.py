"""The kept pictures, untouched and consistently named, for any analysis program."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import shutil
from pathlib import Path

from .facts import Facts, file_names
from .originals import Originals

FOLDER = "pairs"
COLUMNS = ("file", "view", "camera", "original_name", "sha256", "use")


def lay_out(facts: Facts, originals: Originals, folder: Path) -> tuple[list[str], str]:
    """Put every kept view's originals into ``folder/pairs`` as ``<camera>_<view>.<ext>``.

    Hard links where the disk allows, copies elsewhere; bytes are never touched.  Returns the file
    names (relative to `folder`) and a CSV that says what each is.  Raises OSError.
    """
    place = folder / FOLDER
    if place.exists():
        shutil.rmtree(place)
    place.mkdir(parents=True)
    names, files = file_names(facts.cameras), []
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(COLUMNS)
    used = set(facts.estimate.used_view_ids)
    for view in sorted(facts.views, key=lambda v: v.view_id):
        for camera in facts.cameras:
            digest = view.originals.get(camera)
            kept = originals.path(digest) if digest is not None else None
            if not isinstance(kept, Path):
                continue
            suffix = ".tif" if kept.name.endswith(".raw.tif") else kept.suffix
            name = f"{names[camera]}_{facts.numbers[view.view_id]:03d}{suffix}"
            _link_or_copy(kept, place / name)
            files.append(f"{FOLDER}/{name}")
            use = "proof" if view.proof else "solve" if view.view_id in used else "set aside"
            told = view.file_names.get(camera, "")
            writer.writerow([name, facts.numbers[view.view_id], camera, told, digest, use])
    return files, table.getvalue()


def _link_or_copy(source: Path, target: Path) -> None:
    with contextlib.suppress(OSError):
        os.link(source, target)
        return
    shutil.copyfile(source, target)
