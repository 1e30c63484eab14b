"""What stands for a while: steps, what is covered, views, verdict, numbers, files, notes."""

from __future__ import annotations

from typing import Any

from holdstill.phrases.checks import check_name, check_remedy, check_value
from holdstill.phrases.cues import trouble_short
from holdstill.records import HandoverFile, Quantity, Snapshot, Step, ViewRow

from .charts import dial_mark, field_cells, trace_drawing
from .panels import second_looked_for, wanted_first
from .practice import left_words
from .words import Words, quantity_name

Context = dict[str, Any]
MOST_MISSING = 4
"""Most names of places and tilts listed as missing; the others are counted."""


def show_rail(snapshot: Snapshot, words: Words) -> Context:
    """Session, step and progress through the steps, small."""
    order = list(Step)
    return {
        "session": snapshot.session_name,
        "exercise": left_words(snapshot, words),
        "now": words.key(f"step.{snapshot.step.value}"),
        "number": order.index(snapshot.step) + 1,
        "count": len(order),
        "steps": [
            {"value": s.step.value, "name": words.key(f"step.{s.step.value}"), "state": s.state}
            for s in snapshot.steps
        ],
    }


def show_step_list(snapshot: Snapshot, words: Words) -> Context:
    """Every step with its state and a note."""
    return {
        "steps": [
            {
                "value": s.step.value,
                "name": words.key(f"step.{s.step.value}"),
                "state": s.state,
                "state_words": words.key(f"step.state.{s.state}"),
                "here": s.step is snapshot.step,
                "note": words.say(s.note) or words.key(f"step.{s.step.value}.what"),
            }
            for s in snapshot.steps
        ],
    }


def show_covered(snapshot: Snapshot, words: Words) -> Context:
    """Tilt dial, field map and what is missing."""
    coverage = snapshot.coverage
    faces = snapshot.operator_faces_cameras
    return {
        "tilts": [dial_mark(t, faces_cameras=faces) for t in coverage.tilts],
        "wished": dial_mark(coverage.wished_tilt, faces_cameras=faces) if coverage.wished_tilt else None,
        "cells": field_cells(coverage.field, coverage.wished_place, faces_cameras=faces),
        "missing": [words.say(m) for m in coverage.missing[:MOST_MISSING]],
        "more_missing": max(0, len(coverage.missing) - MOST_MISSING),
    }


def headline_quantity(snapshot: Snapshot) -> Quantity | None:
    """The quantity that the falling trace shows: the first."""
    return snapshot.quantities[0] if snapshot.quantities else None


def show_progress(snapshot: Snapshot, words: Words) -> Context:
    """The headline quantity, its trace, and the count of views."""
    quantity = headline_quantity(snapshot)
    return {
        "quantity": quantity,
        "name": quantity_name(quantity, words) if quantity else "",
        "trace": trace_drawing(snapshot.trace, quantity.goal, 12) if quantity else None,
        "kept": snapshot.kept_count,
        "customary": snapshot.customary_count,
        "solving": snapshot.solving,
    }


def view_row(row: ViewRow, words: Words) -> Context:
    """One line of the views' list."""
    reason = words.say(row.reason)
    if not reason and row.trouble is not None:
        reason = words.say(trouble_short(row.trouble))
    return {
        "id": row.view_id,
        "place": row.place,
        "row": f"row-{row.at_ms:.0f}-{row.view_id if row.view_id is not None else 'x'}",
        "name": row.name,
        "state": row.state,
        "state_words": words.key(f"view.{row.state}"),
        "reason": reason,
        "camera": row.camera,
        "clock": words.clock(row.at_ms),
        "pictures": sorted(row.digests.items()),
        "rms": sorted(row.rms_px.items()),
        "gain": row.gain,
    }


def show_views(snapshot: Snapshot, words: Words) -> Context:
    """What happened to every shot, newest first."""
    rows = [view_row(row, words) for row in reversed(snapshot.views)]
    return {
        "rows": rows,
        "kept": snapshot.kept_count,
        "not_kept": sum(1 for r in rows if r["state"] == "not kept"),
    }


def show_verdict(snapshot: Snapshot, words: Words) -> Context:
    """The verdict with its reasons and its remedy; the remedy waits while a second plate is asked for."""
    verdict = snapshot.verdict
    return {
        "state": verdict.state.value,
        "name": words.key(f"verdict.{verdict.state.value}"),
        "what": words.key(
            "verdict.withdrawn" if verdict.withdrawn else f"verdict.{verdict.state.value}.what"
        ),
        "withdrawn": verdict.withdrawn,
        "reasons": [words.say(reason) for reason in verdict.reasons],
        "remedy": "" if second_looked_for(snapshot) else words.say(verdict.remedy),
        "clock": words.clock(verdict.at_ms) if verdict.at_ms > 0 else "",
    }


def show_numbers(snapshot: Snapshot, words: Words) -> Context:
    """The calibration in figures."""
    return {
        "quantities": [
            {
                "quantity": q,
                "name": quantity_name(q, words),
                "met": q.value <= q.goal,
                "hidden": q.by_richer_model is not None and q.by_richer_model > max(q.value, q.worst or 0.0),
            }
            for q in snapshot.quantities
        ],
        "rms_px": snapshot.rms_px,
        "cameras": snapshot.camera_estimates,
        "pairs": snapshot.pair_estimates,
        "checks": [
            {
                "check": c,
                "name": check_name(c),
                "value": check_value(c),
                "remedy": check_remedy(c),
            }
            for c in snapshot.checks
        ],
        "shape": snapshot.plate_shape,
        "lens_reason": snapshot.lens_reason,
        "proof": snapshot.proof,
        "solving": snapshot.solving,
    }


def file_words(file: HandoverFile, words: Words) -> str:
    """What a hand-over file is."""
    key = "camera" if file.name.startswith("camera_info_") else file.name
    return words.key(f"panel.file.{key}") if words.has(f"panel.file.{key}") else words.say(file.what)


def show_files(snapshot: Snapshot, words: Words) -> Context:
    """The hand-over files."""
    return {
        "files": [
            {"name": f.name, "bytes": f.size_bytes, "what": file_words(f, words)}
            for f in sorted(snapshot.files, key=wanted_first)
        ],
        "kept": snapshot.kept_count,
    }


def show_bench_notes(snapshot: Snapshot, words: Words) -> Context:
    """Plate, rhythm of shots, storage, files that could not be used."""
    return {
        "rhythm": snapshot.rhythm,
        "last": words.clock(snapshot.rhythm.last_at_ms) if snapshot.rhythm.last_at_ms is not None else "",
        "storage": snapshot.storage,
        "dropped": snapshot.dropped_frames,
        "messages": snapshot.file_messages,
        "plate": snapshot.plate_words,
    }


def show_alarm(snapshot: Snapshot, words: Words) -> Context:
    """A trouble that stands above everything while it lasts."""
    del words
    return {"alarm": snapshot.alarm}


def show_side(snapshot: Snapshot, words: Words) -> Context:
    """Where the operator stands."""
    del words
    return {"faces": snapshot.operator_faces_cameras}


def show_sim(snapshot: Snapshot, words: Words) -> Context:
    """The simulated rig's controls as they stand."""
    return {"sim": snapshot.sim, "faces": words.faces_cameras}
