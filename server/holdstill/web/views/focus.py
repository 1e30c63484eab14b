"""The Focus step's stage and card: gauges drawn by the page itself, the routine, the aperture."""

from __future__ import annotations

from typing import Any

from holdstill.records import Aperture, FocusGauge, FocusSetup, RoutineItem, Snapshot

from .words import Words, share

Context = dict[str, Any]


def focus_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the stage depends on: not the readings, which the page gets with the pictures."""
    focus = snapshot.setup.focus
    steady = tuple((g.camera, g.order, g.remark, g.box is not None) for g in focus.gauges)
    return (focus.turned, steady, tuple(focus.routine.items()), focus.apertures)


def focus_stage(snapshot: Snapshot, words: Words) -> Context:
    """The gauge of the ring that is being turned, and the step of the routine."""
    focus = snapshot.setup.focus
    turned = focus.turned or next((g.camera for g in focus.gauges), "")
    items = focus.routine.get(turned, ())
    now = next((i for i in items if i.state == "now"), None)
    return {
        "turned": turned,
        "cameras": [_camera(g, turned, words) for g in focus.gauges],
        "beads": [i.state for i in items],
        "now": None if now is None else _item(now, words),
        "number": 1 + next((k for k, i in enumerate(items) if i.state == "now"), len(items)),
        "count": len(items),
        "remark": next((words.say(g.remark) for g in focus.gauges if g.camera == turned), ""),
        "warn": _too_small(focus, words),
    }


def _camera(gauge: FocusGauge, turned: str, words: Words) -> Context:
    return {
        "name": gauge.camera,
        "turned": gauge.camera == turned,
        "say": words.say(gauge.say),
        "gauge": words.key("focus.gauge", camera=gauge.camera),
        "map": words.key("focus.map", camera=gauge.camera),
        "boxed": gauge.box is not None,
    }


def _item(item: RoutineItem, words: Words) -> Context:
    return {"step": item.step, "state": item.state, "words": words.key(f"routine-{item.step}")}


def _too_small(focus: FocusSetup, words: Words) -> str:
    """A sentence when an aperture is called too small; the worst one."""
    small = [a for a in focus.apertures if a.too_small]
    if not small:
        return ""
    worst = max(small, key=lambda a: a.airy_px)
    return words.key(
        "focus-aperture-small",
        f_number=worst.f_number,
        airy_px=worst.airy_px,
        best=worst.largest_f_number,
    )


def focus_card(snapshot: Snapshot, words: Words) -> Context:
    """The whole routine of every camera, and what the chosen apertures give."""
    focus = snapshot.setup.focus
    return {
        "routines": [
            {
                "camera": camera,
                "items": [
                    {
                        **_item(i, words),
                        "how": "" if i.state not in ("done", "passed") else words.key(_how(i)),
                    }
                    for i in items
                ],
                "shift": _shift(focus.shift.get(camera), words),
            }
            for camera, items in focus.routine.items()
        ],
        "apertures": [_aperture(a, words) for a in _unlike(focus.apertures)],
        "warn": _too_small(focus, words),
    }


def _how(item: RoutineItem) -> str:
    if item.state == "passed":
        return "focus.routine.passed"
    return "focus.routine.seen" if item.seen else "focus.routine.by-hand"


def _shift(shift: float | None, words: Words) -> str:
    del words
    return "" if shift is None else share(min(2.0, 2.718281828 ** shift))


def _unlike(apertures: tuple[Aperture, ...]) -> list[Aperture]:
    """Only the first of cameras that are alike."""
    seen: dict[tuple[float, ...], Aperture] = {}
    for a in apertures:
        seen.setdefault((a.f_number, a.near_mm, a.airy_px), a)
    return list(seen.values())


def _aperture(a: Aperture, words: Words) -> Context:
    if a.far_mm is None:
        depth = words.key("focus.aperture.endless", near_mm=a.near_mm, blur_px=a.blur_px)
    else:
        depth = words.key(
            "focus.aperture.depth", near_mm=a.near_mm, far_mm=a.far_mm, depth_mm=a.far_mm - a.near_mm,
            blur_px=a.blur_px,
        )  # fmt: skip
    return {
        "of": words.key("focus.aperture.of", camera=a.camera, f_number=a.f_number),
        "depth": depth,
        "airy": words.key("focus.aperture.airy", airy_px=a.airy_px, airy_um=a.airy_um),
        "too_small": a.too_small,
    }


def gauge_data(gauge: FocusGauge, turned: bool, words: Words) -> Context:
    """A gauge's readings, as they travel with each picture."""
    return {
        "closer": gauge.closer,
        "share": round(gauge.share, 4),
        "path": [round(v, 3) for v in gauge.path],
        "peak": gauge.peak_at,
        "passed": gauge.passed,
        "order": gauge.order,
        "turned": turned,
        "cells": [round(v, 2) for v in gauge.cells],
        "grid": list(gauge.grid),
        "box": None if gauge.box is None else [round(v, 4) for v in gauge.box],
        "parts": [
            {
                "name": words.key(f"focus.part.{p.part}"),
                "share": None if p.share is None else round(p.share, 3),
                "passed": p.passed,
            }
            for p in gauge.parts
        ],
        "edge": _edge(gauge, words),
    }


def _edge(gauge: FocusGauge, words: Words) -> str:
    if gauge.edge_width_px is None:
        return ""
    if gauge.edge_best_px is None:
        return words.key("focus.edge.now", width_px=gauge.edge_width_px)
    return words.key("focus.edge", width_px=gauge.edge_width_px, best_px=gauge.edge_best_px)
