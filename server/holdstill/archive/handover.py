"""The hand-over: the kept pairs, the calibration in open formats, every observation, a summary."""

from __future__ import annotations

import contextlib
import os
import zipfile
from pathlib import Path

from holdstill.session import State

from .disk import make_folder, sync_folder, write_whole
from .facts import Facts, facts_of, file_names, told
from .opencv_files import opencv_json, opencv_yaml
from .originals import Originals
from .pairs import lay_out
from .plain_files import calibration_json, observations_csv, summary_text, target_csv
from .ros_files import ros_yaml
from .trouble import from_os_error

EVERYTHING = "everything.zip"


def texts(facts: Facts) -> dict[str, str]:
    """File name -> content of every text file but the report."""
    names = file_names(facts.cameras)
    out = {
        "summary.txt": summary_text(facts),
        "calibration.json": calibration_json(facts),
        "calibration_opencv.yml": opencv_yaml(facts),
        "calibration_opencv.json": opencv_json(facts),
    }
    out |= {f"camera_info_{names[camera]}.yaml": text for camera, text in ros_yaml(facts).items()}
    out["observations.csv"] = observations_csv(facts)
    out["target.txt"] = target_text(facts)
    out["target_points.csv"] = target_csv(facts)
    return out


def target_text(facts: Facts) -> str:
    """The target in words, as an analysis program asks for it."""
    plate = facts.state.plate
    width, height = plate.size_mm()
    lines = [
        told("target.title", words=facts.plate_words),
        told("target.points", columns=plate.columns, rows=plate.rows, count=plate.point_count),
        told("target.pitch", pitch=plate.pitch_mm),
        told("target.span", width=width, height=height),
    ]
    if plate.dot_diameter_mm is not None:
        lines.append(told("target.dot", diameter=plate.dot_diameter_mm))
    for mark in plate.marks:
        lines.append(told("target.mark", kind=mark.kind.value, column=mark.column + 1, row=mark.row + 1))
    if plate.markers:
        lines.append(
            told("target.markers", count=len(plate.markers), dictionary=str(plate.marker_dictionary))
        )
    lines += [
        told("target.frame"),
        told("target.pairs", cameras=", ".join(file_names(facts.cameras).values())),
    ]
    return "\n".join(lines) + "\n"


def hand_over(
    state: State, originals: Originals, folder: Path, made_at_ms: float, *, report: bool = True
) -> list[tuple[str, int]]:
    """Write everything to `folder`; (name, bytes) of each file, the pictures inside the zip only.

    A hand-over made before is replaced file by file: each is as before or whole, never half.
    Raises StorageTrouble for the disk, ValueError for a session that has not been solved.
    """
    facts = facts_of(state, made_at_ms)
    try:
        make_folder(folder)
        written = texts(facts)
        pictures, written["pairs.csv"] = lay_out(facts, originals, folder)
        contents = {name: text.encode("utf-8") for name, text in written.items()}
        if report:
            from .report import report_html
            from .report_pdf import report_pdf

            contents["report.html"] = report_html(facts, originals).encode("utf-8")
            contents["report.pdf"] = report_pdf(facts, originals)
        for name, data in contents.items():
            write_whole(folder / name, data)
        _zip(folder, [*contents, *pictures])
        _clear_old(folder, {*contents, EVERYTHING})
        sync_folder(folder)
    except OSError as trouble:
        raise from_os_error(trouble, "handover", folder) from trouble
    return [(name, (folder / name).stat().st_size) for name in [*contents, EVERYTHING]]


def _zip(folder: Path, names: list[str]) -> None:
    """All files in one, for a phone or another machine; pictures are stored as they are."""
    stand_in = folder / ".everything.zip"
    try:
        with zipfile.ZipFile(stand_in, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for name in names:
                plain = name.startswith("pairs/") or name.endswith(".pdf")
                how = zipfile.ZIP_STORED if plain else zipfile.ZIP_DEFLATED
                archive.write(folder / name, name, compress_type=how)
        with stand_in.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(stand_in, folder / EVERYTHING)
    finally:
        with contextlib.suppress(OSError):
            stand_in.unlink()


def _clear_old(folder: Path, names: set[str]) -> None:
    """Files of an earlier hand-over that this one does not have."""
    for path in folder.iterdir():
        if path.is_file() and path.name not in names:
            with contextlib.suppress(OSError):
                path.unlink()
