"""What each step's own panel tells, when no cue is being asked for."""

from __future__ import annotations

from typing import Any

from holdstill.records import CameraDescription, HandoverFile, Rig, Snapshot
from holdstill.records.scene import SceneState
from holdstill.records.second import SecondShown

from .words import Words, figure, quantity_name


def second_looked_for(snapshot: Snapshot) -> bool:
    """Whether a second plate is asked for: then nothing else is."""
    return snapshot.second is not None and snapshot.second.looking


_FIRST = ("everything.zip", "report.html", "report.pdf")


def wanted_first(file: HandoverFile) -> int:
    """Files that most people fetch come first, the others as they were written."""
    return _FIRST.index(file.name) if file.name in _FIRST else len(_FIRST)


def step_panel(snapshot: Snapshot, words: Words) -> dict[str, Any]:
    """Everything that any step's panel shows; each shows what is its own."""
    verdict = snapshot.verdict
    drift = snapshot.drift
    return {
        "facts": rig_facts(snapshot, words),
        "quantities": [
            {
                "name": quantity_name(q, words),
                "value": figure(q.value, q.unit),
                "goal": figure(q.goal, q.unit),
                "met": q.value <= q.goal,
                "over": min(1.0, q.goal / q.value) if q.value > 0 else 1.0,
            }
            for q in snapshot.quantities
        ],
        "rms": figure(snapshot.rms_px, "px") if snapshot.rms_px is not None else "",
        "kept": snapshot.kept_count,
        "solving": snapshot.solving,
        "verdict": verdict.state.value,
        "verdict_words": words.key(f"verdict.{verdict.state.value}"),
        "verdict_what": words.key(
            "verdict.withdrawn" if verdict.withdrawn else f"verdict.{verdict.state.value}.what"
        ),
        "withdrawn": verdict.withdrawn,
        "reasons": [words.say(reason) for reason in verdict.reasons[:3]],
        "remedy": words.say(verdict.remedy),
        "proof": snapshot.proof,
        "files": [(f.name, f.size_bytes) for f in sorted(snapshot.files, key=wanted_first)],
        "drift": drift,
        "drift_words": [drift_reason(r, words) for r in drift.reasons] if drift is not None else [],
        "scene": scene_lines(snapshot.scene, words),
        "second": second_lines(snapshot.second, words),
        "looking": second_looked_for(snapshot),
        "drift_mark": "" if drift is None else "stop" if drift.moved and drift.matters else "ready",
    }


def drift_reason(reason: str, words: Words) -> str:
    """Why a recheck says what it says, as a sentence."""
    over = reason.removesuffix(" over goal")
    if over != reason:
        return words.key("drift.over goal", name=words.key(f"quantity.{over}"))
    return words.key(f"drift.{reason}") if words.has(f"drift.{reason}") else reason


def scene_lines(scene: SceneState | None, words: Words) -> list[str]:
    """What is told of the still scene: a series being taken, else the noise floor."""
    if scene is None:
        return []
    series = scene.series
    if series is not None and series.why:
        return [words.key(f"scene.{series.why}")]
    if series is not None and series.taken < series.wanted:
        return [words.key("scene.taking", taken=series.taken, wanted=series.wanted)]
    lines = [
        words.key("scene.floor", camera=f.camera, random_px=f.random_px, common_px=f.common_px)
        for f in scene.floors
    ]
    if scene.meaning is not None:
        m = scene.meaning
        lines.append(words.key(
            "scene.meaning", in_plane=figure(m.in_plane_um, "um"), out=figure(m.out_of_plane_um, "um"),
            strain=f"{m.strain_um_per_m:.0f}", gauge_mm=m.gauge_mm,
        ))  # fmt: skip
    return lines


def second_lines(second: SecondShown | None, words: Words) -> list[str]:
    """What is told of a second plate: being looked for, what it says of the scale, or why it doesn't."""
    if second is None:
        return []
    lines = [words.key("second.taking", plate=second.words, taken=second.taken, wanted=second.wanted)]
    if second.why:
        why = f"second.{second.why}"
        lines.append(words.key(why if words.has(why) else "second.failed"))
    r = second.result
    if r is not None:
        lines.append(words.key(
            "second.agrees" if r.check.ok else "second.disagrees", measured_mm=r.measured_mm,
            measured_sigma_mm=r.measured_sigma_mm, pitch_mm=r.pitch_mm, pitch_sigma_mm=r.pitch_sigma_mm,
            percent=100.0 * r.share, sigma=100.0 * r.share_sigma,
        ))  # fmt: skip
        lines.append(words.key(
            "second.lengths", count=r.length_count, most=figure(r.length_max_um, "um"),
            rms=figure(r.length_rms_um, "um"),
        ))  # fmt: skip
    return lines


def rig_facts(snapshot: Snapshot, words: Words) -> list[tuple[str, str]]:
    """The rig as described: name and value, only what was said."""
    facts = [(words.key("panel.plate"), snapshot.plate_words)]
    rig = snapshot.rig
    if rig is None:
        seen = (camera.size_px for camera in snapshot.cameras)
        for camera, size in zip(snapshot.cameras, seen, strict=True):
            facts.append((camera.name, f"{size[0]} × {size[1]} px" if size else "–"))
        return facts
    facts += [(camera.name, _camera_words(camera)) for camera in rig.cameras]
    return facts + _rig_numbers(rig, words)


def _camera_words(camera: CameraDescription) -> str:
    parts = []
    if camera.width_px and camera.height_px:
        parts.append(f"{camera.width_px} × {camera.height_px} px")
    if camera.pixel_um:
        parts.append(f"{camera.pixel_um:g} µm")
    if camera.focal_mm:
        parts.append(f"{camera.focal_mm:g} mm")
    if camera.f_number:
        parts.append(f"f/{camera.f_number:g}")
    return ", ".join(parts) or "–"


def _rig_numbers(rig: Rig, words: Words) -> list[tuple[str, str]]:
    facts = []
    if rig.stand_off_mm is not None:
        facts.append((words.key("panel.rig.stand-off"), f"{rig.stand_off_mm:g} mm"))
    if rig.stereo_angle_deg is not None:
        facts.append((words.key("panel.angle"), f"{rig.stereo_angle_deg:g}°"))
    if rig.volume_mm is not None:
        volume = " × ".join(f"{side:g}" for side in rig.volume_mm)
        facts.append((words.key("panel.rig.volume"), f"{volume} mm"))
    if rig.tape_baseline_mm is not None:
        sigma = f" ± {rig.tape_sigma_mm:g}" if rig.tape_sigma_mm is not None else ""
        facts.append((words.key("panel.rig.tape"), f"{rig.tape_baseline_mm:g}{sigma} mm"))
    if rig.goal_displacement_um is not None:
        facts.append((words.key("panel.rig.goal"), f"{rig.goal_displacement_um:g} µm"))
    return facts
