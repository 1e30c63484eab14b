"""Made-up snapshots of every state that the pages must show."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from holdstill.phrases.cues import cue_headline, trouble_says
from holdstill.records import (
    Advice,
    CameraEstimate,
    CameraState,
    Check,
    Coverage,
    Cue,
    FrameMeasures,
    GlarePatch,
    Guide,
    HandoverFile,
    Instruction,
    Lean,
    Lens,
    Order,
    PairEstimate,
    Part,
    Place,
    PlateShape,
    Pose,
    ProofResult,
    Quantity,
    Reach,
    Ready,
    Rhythm,
    Roll,
    Say,
    SimState,
    Snapshot,
    Step,
    StepState,
    Storage,
    TiltMark,
    Tone,
    TracePoint,
    Trouble,
    Verdict,
    ViewRow,
)  # fmt: skip
from holdstill.records.second import SecondPlate, SecondShown

AT_MS = 1_782_000_000_000.0
POSE = Pose((0.0, 0.0, 0.0), (0.0, 0.0, 700.0))
HOSTILE = '<img src=x onerror="window.broken=1">\n"\'&{{7*7}}'


def digest_of(view: int, camera: str) -> str:
    """A made-up digest, hexadecimal."""
    return f"{view:02x}{sum(map(ord, camera)) % 256:02x}" * 8


def measures(camera: str, sharpness: float = 0.82, **changes: object) -> FrameMeasures:
    """Measures of a fair frame."""
    rows, columns = 8, 9
    regions = tuple(
        sharpness * math.exp(-(((c - 3.4) / 6) ** 2) - ((r - 3.2) / 5) ** 2)
        for r in range(rows)
        for c in range(columns)
    )
    made = FrameMeasures(
        camera=camera, mean_level=92.0, sharpness=sharpness, sharpness_regions=regions,
        region_grid=(rows, columns), edge_width_px=2.1, saturated_share=0.012, saturated_in_dots=0.21,
        saturated_outside=0.0004, clip_level=255.0, dot_fill=0.97, ground_fill=0.11, evenness=0.83,
        noise_gray=1.4, coverage=0.42,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def camera(name: str, found: int = 140, **changes: object) -> CameraState:
    """A camera that sees the plate."""
    path = tuple(0.5 + 0.4 * math.exp(-(((i - 60) / 22) ** 2)) for i in range(90))
    made = CameraState(name, found, 140, measures(name), (2448, 2048), 0.9, path)
    return replace(made, **changes)  # type: ignore[arg-type]


def steps(now: Step, trouble: bool = False) -> tuple[StepState, ...]:
    """Steps before `now` are done."""
    order = list(Step)
    at = order.index(now)
    return tuple(
        StepState(step, "done" if i < at else ("trouble" if trouble else "now") if i == at else "todo")
        for i, step in enumerate(order)
    )


def cue(instruction: Instruction, number: int = 8, proof: bool = False) -> Cue:
    """A cue."""
    return Cue(number, instruction, POSE, 0.13, "tilt", proof)


def asking(
    instruction: Instruction,
    part: Part,
    order: Order,
    direction: str = "",
    nearness: float = 0.6,
    marks: Mapping[str, Place] | None = None,
) -> Advice:
    """Advice while moving."""
    made = cue(instruction)
    guide = Guide(order, part, direction, 1 - nearness, order is Order.HOLD_STILL, 0.6, dict(marks or {}))
    tone = Tone.STILL if order is Order.HOLD_STILL else Tone.KEPT if order is Order.KEPT else Tone.WARMER
    return Advice(
        Step.POSES, cue_headline(instruction, part), order, tone, made, guide, nearness=nearness,
        marks=dict(marks or {}),
    )  # fmt: skip


def in_trouble(trouble: Trouble, at: str | None = "left", side: str | None = None) -> Advice:
    """Advice with one trouble."""
    headline, remedy = trouble_says(trouble, at, side)
    tip = Instruction(Lean.TOP, 30, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
    return Advice(
        Step.POSES, headline, Order.SHOW_PLATE if trouble is Trouble.NO_PLATE else Order.WAIT, Tone.TROUBLE,
        cue(tip), None, remedy, trouble, at, 0.0,
    )  # fmt: skip


def coverage() -> Coverage:
    """Half of the way."""
    tilts = ((0, 0), (22, 2), (29, -4), (-24, 3), (-31, 6), (2, -24), (12, 20))
    places = dict.fromkeys(Place, 0) | {
        Place.CENTRE: 7, Place.LEFT: 4, Place.RIGHT: 3, Place.TOP: 1, Place.BOTTOM: 3, Place.LOWER_LEFT: 2,
        Place.LOWER_RIGHT: 1,
    }  # fmt: skip
    missing = (
        Say("missing.place", {"place": "upper left"}),
        Say("missing.lean.top"),
        Say("missing.farther"),
    )
    return Coverage(tuple(TiltMark(x, y) for x, y in tilts), TiltMark(0, 28), places, Place.TOP, missing)


def view_rows(cameras: tuple[str, ...], count: int = 9) -> tuple[ViewRow, ...]:
    """Kept views with one refused and one set aside."""
    rows = []
    for i in range(count):
        state, reason, trouble = "kept", None, None
        if i == 4:
            state, trouble = "not kept", Trouble.GLARE
        if i == 6:
            state, reason = "set aside", Say("trouble.moved.short")
        rows.append(
            ViewRow(
                i + 1 if state != "not kept" else None, f"shot {i + 1:04d}", state, reason,
                AT_MS + 9000 * i, {name: digest_of(i, name) for name in cameras},
                dict.fromkeys(cameras, 0.041 + 0.003 * i) if state == "kept" else {},
                0.32 / (i + 1) if state == "kept" else None, trouble, cameras[-1] if trouble else None,
            )
        )  # fmt: skip
    return tuple(rows)


def quantities(factor: float = 1.0) -> tuple[Quantity, ...]:
    """Four quantities, the first one `factor` times its goal."""
    return (
        Quantity(
            "length_um", "um", 2.0 * factor, 1.4 * factor, 2.0 * factor, 2.0, 3.9, (40, 30, 20), 100.0
        ),
        Quantity("shape_um", "um", 1.6 * factor, 1.2, 1.6 * factor, 2.5, 3.0, (-40, 30, 45)),
        Quantity("epipolar_px", "px", 0.021 * factor, 0.017, 0.021, 0.03),
        Quantity("edge_distortion_px", "px", 0.034 * factor, 0.03, 0.034, 0.05),
    )  # fmt: skip


def estimates(cameras: tuple[str, ...]) -> tuple[CameraEstimate, ...]:
    """Solved cameras."""
    lens = Lens(7241.3, 7240.6, 1228.4, 1019.7, -0.081, 0.14, size_px=(2448, 2048))
    return tuple(CameraEstimate(name, lens, POSE, 0.048 + 0.002 * i, 1680) for i, name in enumerate(cameras))


def start(cameras: tuple[str, ...] = ("left", "right")) -> Snapshot:
    """A session just opened, no picture yet."""
    return Snapshot(
        session_name="Fork rig", plate_words="dots 14x10 14mm", at_ms=AT_MS, step=Step.POSES,
        steps=steps(Step.POSES),
        advice=Advice(Step.POSES, Say("trouble.no plate"), Order.SHOW_PLATE, Tone.SILENT,
                      remedy=Say("trouble.no plate.remedy")),
        cameras=tuple(
            camera(name, 0, measures=None, sharpness_best=None, sharpness_path=()) for name in cameras
        ),
        coverage=Coverage((), None, dict.fromkeys(Place, 0), None, (Say("missing.lying"),)),
        views=(), kept_count=0, customary_count=26, trace=(), quantities=(), camera_estimates=(),
        pair_estimates=(), rms_px=None, checks=(), plate_shape=None, proof=None,
        verdict=Verdict(Ready.NOT_YET, (Say("tap.refused.no-views"),), None, AT_MS),
        files=(), storage=None, rhythm=Rhythm("unknown", None, 0, False, None), paused=False, solving=False,
    )  # fmt: skip


def underway(cameras: tuple[str, ...] = ("left", "right")) -> Snapshot:
    """Poses, half of the way."""
    tip = Instruction(Lean.TOP, 30, Place.TOP, Reach.MIDDLE, Roll.LYING)
    marks = dict.fromkeys(cameras, Place.TOP)
    pairs = tuple(PairEstimate((cameras[0], other), POSE, 19.96, 244.6, 0.052) for other in cameras[1:])
    return replace(
        start(cameras),
        advice=asking(tip, Part.LEAN, Order.A_LITTLE_MORE, "toward", 0.62, marks),
        cameras=tuple(camera(name) for name in cameras),
        coverage=coverage(), views=view_rows(cameras), kept_count=7,
        trace=tuple(TracePoint(i, 26.0 / i**1.08) for i in range(2, 8)), quantities=quantities(1.55),
        camera_estimates=estimates(cameras), pair_estimates=pairs, rms_px=0.0487,
        checks=(
            Check("focal lengths agree", True, 0.0001, "within 2 %", "common practice"),
            Check("baseline near the tape's", False, 3.2, "within 3 sigma", "GUM", "measure the tape again"),
        ),
        plate_shape=PlateShape(11.0, 2.0), storage=Storage(214_000_000_000, 10_100_000, 21_188),
        rhythm=Rhythm("stream", 0.1, 2231, True, AT_MS + 80_000),
        lens_reason="k3 left out: no view reaches the corners",
        verdict=Verdict(Ready.NOT_YET, (Say("quantity.length_um.over", {"gauge_mm": 100.0}),), None, AT_MS),
        dropped_frames=12, solving=True,
    )  # fmt: skip


def _sim() -> SimState:
    return SimState(False, 4.0, -6.0, 0.0, 12.0, -8.0, 700.0, 0.0, 0.0, False, False, False)


def scenes() -> dict[str, Snapshot]:
    """Every state by name."""
    base = underway()
    place = Instruction(Lean.FLAT, 0, Place.UPPER_LEFT, Reach.NEARER, Roll.UPRIGHT)
    tip = Instruction(Lean.TOP, 30, Place.TOP, Reach.MIDDLE, Roll.LYING)
    side = Instruction(Lean.LEFT, 30, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
    bottom = Instruction(Lean.BOTTOM, 30, Place.CENTRE, Reach.MIDDLE, Roll.UPRIGHT)
    corner = dict.fromkeys(("left", "right"), Place.UPPER_LEFT)
    made = {
        "start": start(),
        "lean-top": replace(base, sim=_sim()),
        "lean-side": replace(base, advice=asking(side, Part.LEAN, Order.MOVE, "toward", 0.2)),
        "lean-bottom": replace(base, advice=asking(bottom, Part.LEAN, Order.BACK_A_LITTLE, "toward", 0.8)),
        "place": replace(
            base, advice=asking(place, Part.PLACE, Order.A_LITTLE_MORE, "upper left", 0.7, corner)
        ),
        "nearer": replace(base, advice=asking(place, Part.REACH, Order.MOVE, "nearer", 0.3)),
        "farther": replace(
            base,
            advice=asking(replace(place, reach=Reach.FARTHER), Part.REACH, Order.MOVE, "farther", 0.3),
        ),
        "upright": replace(base, advice=asking(place, Part.ROLL, Order.MOVE, "clockwise", 0.1)),
        "still": replace(base, advice=asking(tip, Part.STILL, Order.HOLD_STILL, "", 0.97)),
        "kept": replace(base, advice=asking(tip, Part.STILL, Order.KEPT, "", 1.0)),
        "behind": replace(
            base, operator_faces_cameras=False, advice=asking(side, Part.LEAN, Order.A_LITTLE_MORE, "toward")
        ),
        "paused": replace(
            base, paused=True,
            advice=replace(asking(tip, Part.STILL, Order.PAUSED), remedy=Say("trouble.no plate.remedy"),
                           tone=Tone.SILENT),
        ),
        "one-camera": underway(("cam_a",)),
        "three-cameras": underway(("left", "middle", "right")),
        "eight-cameras": underway(tuple(f"cam{i}" for i in range(1, 9))),
        "long-names": replace(
            underway(("camera_on_the_long_column_left", "camera_on_the_long_column_right")),
            session_name="Carbon fork bending, third batch, after the lamp was moved " * 3,
        ),
        "hostile": replace(
            underway((HOSTILE, "right")), session_name=HOSTILE, file_messages=(HOSTILE,),
            files=(HandoverFile(HOSTILE, 12, Say("page.name")),),
        ),
    }  # fmt: skip
    made |= {f"trouble-{t.value.replace(' ', '-')}": replace(base, advice=in_trouble(t)) for t in Trouble}
    return made | _other_steps(base)


def second_plate(measured_mm: float, ok: bool) -> SecondPlate:
    """A second plate of 12 mm, measured."""
    share = measured_mm / 12.0 - 1.0
    limit = "its own pitch of 12 mm within 0.078 %"
    check = Check("second plate", ok, f"{100 * share:+.3f} %", limit, "common practice: 99.7 %",
                  "" if ok else "remedy.second plate", not ok)  # fmt: skip
    return SecondPlate(("a", "b", "c"), 297, 12.0, 0.003, measured_mm, 0.0007, share, 0.00026, 153.7, 96,
                       14.2, 5.1, check)  # fmt: skip


def _other_steps(base: Snapshot) -> dict[str, Snapshot]:
    focusing = replace(
        base, step=Step.FOCUS, steps=steps(Step.FOCUS),
        advice=Advice(Step.FOCUS, Say("focus.falling"), Order.BACK_A_LITTLE, Tone.WARMER, nearness=0.8,
                      remedy=None),
        cameras=(
            camera("left", focus_say=Say("focus.falling"), measures=measures("left", 0.74)),
            camera("right", focus_say=Say("focus.best"), measures=measures("right", 0.89)),
        ),
    )  # fmt: skip
    lighting = replace(
        base, step=Step.LIGHT, steps=steps(Step.LIGHT),
        advice=Advice(Step.LIGHT, Say("light.dots-dim"), Order.A_LITTLE_MORE, Tone.SILENT),
        cameras=(
            camera("left", light_say=Say("light.dots-dim"), measures=measures("left", dot_fill=0.74)),
            camera("right", light_say=Say("light.glare", {"place": "upper left"}),
                   measures=measures("right", evenness=0.42, saturated_outside=0.031,
                                     glare=(GlarePatch(1200, 800, 90, 0.02),))),
        ),
    )  # fmt: skip
    files = (
        HandoverFile("stereo.yml", 4120, Say("step.hand-over")),
        HandoverFile("stereo.json", 9120, Say("step.hand-over")),
        HandoverFile("report.html", 68_112, Say("step.hand-over")),
        HandoverFile("kept_pairs.zip", 121_400_220, Say("step.hand-over")),
    )
    proof = ProofResult((11, 12, 13), "unused views", 0.051, 0.044, 84, 6.1, 2.2, True)
    ready = replace(
        base, step=Step.HANDOVER, steps=steps(Step.HANDOVER), quantities=quantities(0.86), solving=False,
        advice=Advice(Step.HANDOVER, Say("verdict.ready"), Order.DONE, Tone.READY),
        kept_count=12, trace=tuple(TracePoint(i, 20.7 / i) for i in range(2, 13)), proof=proof,
        verdict=Verdict(Ready.READY, (Say("verdict.ready.what"),), None, AT_MS + 120_000), files=files,
        checks=base.checks[:1],
    )  # fmt: skip
    reasons = (Say("quantity.shape_um"), Say("trouble.same as before"))
    proved = replace(
        base, step=Step.PROOF, steps=steps(Step.PROOF), proof=proof,
        verdict=Verdict(
            Ready.PROVISIONAL, (Say("reason.scale unverified"),), Say("remedy.enter length"), AT_MS
        ),
    )  # fmt: skip
    told = SecondShown("dots 11x9 12mm±0.003mm", 1, 3, True)
    asked = Advice(
        Step.PROOF, Say("advice.second.more", {"taken": 1, "wanted": 3}), Order.SHOW_PLATE, Tone.SILENT
    )
    right = replace(told, taken=3, looking=False, result=second_plate(12.0012, True))
    wrong = replace(right, result=second_plate(12.118, False))
    stop = Verdict(
        Ready.STOP, (Say("reason.check", {"name": "second plate", "value": "+0.983 %", "limit": "12 mm"}),),
        Say("remedy.second plate"), AT_MS,
    )  # fmt: skip
    return {
        "second-looked-for": replace(proved, second=told, advice=asked),
        "second-agrees": replace(
            proved, second=right, advice=Advice(Step.PROOF, Say("verdict.ready"), Order.DONE, Tone.READY),
            verdict=Verdict(
                Ready.READY, (Say("reason.scale.second", {"pitch_mm": 12.0, "percent": 0.026}),), None, AT_MS
            ),
        ),
        "second-disagrees": replace(
            proved, second=wrong, verdict=stop,
            advice=Advice(Step.PROOF, Say("advice.verdict.stop"), Order.DONE, Tone.SILENT),
        ),
        "second-not-measured": replace(
            proved, second=replace(told, looking=False, why="not this plate"), advice=asked
        ),
        "focus": focusing,
        "light": lighting,
        "rig": replace(base, step=Step.RIG, steps=steps(Step.RIG)),
        "solve": replace(base, step=Step.SOLVE, steps=steps(Step.SOLVE)),
        "proof": replace(
            base, step=Step.PROOF, steps=steps(Step.PROOF), proof=proof,
            verdict=Verdict(Ready.PROVISIONAL, reasons, Say("act.prove"), AT_MS),
        ),
        "ready": ready,
        "withdrawn": replace(
            ready,
            advice=Advice(Step.HANDOVER, Say("advice.withdrawn"), Order.DONE, Tone.TROUBLE,
                          remedy=Say("remedy.recheck")),
            verdict=Verdict(Ready.NOT_YET, reasons, Say("act.recheck"), AT_MS, withdrawn=True)
        ),
        "stop": replace(base, verdict=Verdict(Ready.STOP, reasons, Say("act.recheck"), AT_MS)),
        "recheck": replace(ready, step=Step.RECHECK, steps=steps(Step.RECHECK)),
        "many-views": replace(base, views=view_rows(("left", "right"), 200), kept_count=198),
    }  # fmt: skip
