"""The Rig step's stage and card: the rig on paper with its drawing, aim, room and warmth, and the form."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from holdstill.records import AimView, CameraDescription, Nothing, Rig, RoomView, Snapshot, WarmView
from holdstill.session.paper import PaperRig, on_paper
from holdstill.session.paper_drawing import legend, rig_drawing
from holdstill.session.paper_rows import assumed_words, sections

from .words import Words, share

Context = dict[str, Any]
FIELDS = (
    ("width_px", "px"),
    ("height_px", "px"),
    ("pixel_um", "µm"),
    ("focal_mm", "mm"),
    ("f_number", ""),
    ("exposure_ms", "ms"),
    ("stand_off_mm", "mm"),
    ("stereo_angle_deg", "°"),
    ("volume_width_mm", "mm"),
    ("volume_height_mm", "mm"),
    ("volume_depth_mm", "mm"),
    ("goal_displacement_um", "µm"),
    ("tape_baseline_mm", "mm"),
    ("tape_sigma_mm", "mm"),
)
"""The form's fields and their units."""


@lru_cache(maxsize=8)
def paper_of(rig: Rig) -> PaperRig | None:
    """The rig on paper; None where the description contradicts itself."""
    try:
        paper = on_paper(rig)
    except ValueError:
        return None
    return None if isinstance(paper, Nothing) else paper


@lru_cache(maxsize=8)
def drawing_of(rig: Rig) -> str:
    """The drawing from above as SVG to stand inside a page; "" without one."""
    paper = paper_of(rig)
    if paper is None:
        return ""
    return rig_drawing(paper, bare=True)


def rig_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What stage and card depend on: pictures only as far as it would be said otherwise."""
    seen = snapshot.setup.rig
    rooms = tuple(
        (r.camera, r.verdict, round(r.coverage, 1), round(r.room_to_tilt_deg, -1)) for r in seen.rooms
    )
    aims = tuple((a.camera, a.by, *_rounded(a)) for a in seen.aims)
    warm = tuple((w.camera, w.state, int(w.minutes)) for w in seen.warmth)
    return (snapshot.rig, snapshot.plate_words, rooms, aims, warm, tuple(c.name for c in snapshot.cameras))


def _rounded(a: AimView) -> tuple[float, ...]:
    shift = (round(a.shift_x_px, -1), round(a.shift_y_px, -1))
    return (round(a.roll_deg, 1), *shift, round(a.overlap, 1))


def rig_stage(snapshot: Snapshot, words: Words) -> Context:
    """The drawing from above, and what stands against the rig."""
    rig = snapshot.rig or Rig()
    paper = paper_of(rig)
    return {
        "drawing": drawing_of(rig),
        "legend": [] if paper is None else legend(paper),
        "notes": [words.say(note) for note in paper.notes] if paper is not None else [],
        "aims": [words.say(say) for a in snapshot.setup.rig.aims for say in a.says],
        "contradicts": paper is None,
        "safety": [words.key("safety.cables"), words.key("safety.rules")],
    }


def rig_card(snapshot: Snapshot, words: Words) -> Context:
    """The form, the answers, and what pictures tell."""
    rig = snapshot.rig or Rig()
    paper = paper_of(rig)
    seen = snapshot.setup.rig
    return {
        "fields": form_fields(rig, words),
        "cameras": [c.name for c in snapshot.cameras] or [c.name for c in rig.cameras],
        "plate": snapshot.plate_words,
        "sections": [] if paper is None else sections(paper),
        "assumed": "" if paper is None else assumed_words(paper),
        "rooms": [_room(r, words) for r in seen.rooms],
        "aims": [_aim(a, words) for a in seen.aims],
        "warmth": [_warm(w, words) for w in seen.warmth],
    }


def form_fields(rig: Rig, words: Words) -> list[Context]:
    """Name, label, unit and value of each field; "" where nothing was said."""
    first = rig.cameras[0] if rig.cameras else CameraDescription("")
    volume = rig.volume_mm or (None, None, None)
    values: dict[str, float | int | None] = dict(
        zip(("volume_width_mm", "volume_height_mm", "volume_depth_mm"), volume, strict=True)
    )
    fields = []
    for name, unit in FIELDS:
        value = values.get(name) if name in values else getattr(first, name, getattr(rig, name, None))
        fields.append(
            {
                "name": name,
                "label": words.key(f"rig.field.{name}"),
                "unit": unit,
                "value": "" if value is None else f"{value:g}",
            }
        )
    return fields


def _room(r: RoomView, words: Words) -> Context:
    what = words.key(f"room-{r.verdict}", percent=100.0 * r.coverage)
    most = "" if r.room_to_tilt_deg >= 90 else words.key("room.tilt", degrees=r.room_to_tilt_deg)
    sharp = r.sharp_tilt_deg
    depth = "" if sharp is None or sharp >= 90 else words.key("room-sharp-tilt", degrees=sharp)
    return {"camera": r.camera, "what": what, "more": " ".join(w for w in (most, depth) if w)}


def _aim(a: AimView, words: Words) -> Context:
    return {
        "camera": a.camera,
        "says": [words.say(say) for say in a.says] or [words.key("aim.good")],
        "good": not a.says,
        "figures": words.key(
            f"aim.figures.{a.by}", against=a.against, roll_deg=a.roll_deg, height_px=a.height_px,
            overlap=share(a.overlap),
        ),
    }  # fmt: skip


def _warm(w: WarmView, words: Words) -> Context:
    return {
        "camera": w.camera,
        "state": w.state,
        "what": words.key(
            f"warm.{w.state}", drift=1000.0 * (w.drift_px_per_min or 0.0), minutes=w.minutes
        ),
    }
