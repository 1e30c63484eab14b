"""The Light step's stage and card: fill against clipping, findings with cause and remedy."""

from __future__ import annotations

from typing import Any

from holdstill.records import Finding, LightCamera, LightSetup, Snapshot, SpecimenLight, Standstill

from .words import Words, figure, share

Context = dict[str, Any]
TUBE = 1.25
"""Level over the clipping level at the right end of the fill's drawing."""


def _steady(c: LightCamera) -> tuple[object, ...]:
    """A camera's figures, rounded to what is shown, so that a page is told anew only when they change."""

    def to(value: float | None, step: float) -> float | None:
        return None if value is None else round(value / step) * step

    return (
        c.camera, to(c.fill, 0.01), to(c.ground, 0.01), to(c.estimated, 0.02), to(c.stops, 0.1),
        to(c.exposure_ms, 0.01), c.gain_db, to(c.evenness, 0.02), to(c.saturated_in_dots, 0.02),
        to(c.saturated_outside, 0.002), to(c.saturated_share, 0.0005), c.clip_level, c.clip_seen,
        tuple((g.on_plate, to(g.share, 0.005)) for g in c.glare), c.specimen,
    )  # fmt: skip


def light_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What stage and card depend on."""
    light = snapshot.setup.light
    kinds = tuple((f.kind, f.camera, f.stops_it) for f in light.findings)
    return (
        light.subject, kinds, tuple(_steady(c) for c in light.cameras), light.can_set, light.setting,
        light.setting_shots, light.watching // 4, light.standstill,
    )  # fmt: skip


def light_stage(snapshot: Snapshot, words: Words) -> Context:
    """Fill of each camera against the clipping level, and the advice in figures."""
    light = snapshot.setup.light
    return {
        "subject": light.subject,
        "cameras": [_camera(c, light, words) for c in light.cameras],
        "findings": [_finding(f, words) for f in light.findings[1:4]],
        "setting": light.setting,
        "watching": light.watching,
        "safety": [words.key("safety.lamps"), words.key("safety.strobe")],
    }


def _camera(c: LightCamera, light: LightSetup, words: Words) -> Context:
    level = c.estimated if c.estimated is not None else c.fill
    advice = ""
    if c.stops is not None:
        advice = _advice(c, words)
    bar = None if level is None else min(max(level, 0.0), TUBE) / TUBE
    return {
        "name": c.camera,
        "bar": bar,
        "ground": None if c.ground is None else min(c.ground, TUBE) / TUBE,
        "goal": (min(c.goal_low, TUBE) / TUBE, min(c.goal_high, TUBE) / TUBE),
        "clip": 1.0 / TUBE,
        "over": level is not None and level > c.goal_high,
        "good": c.stops is not None and abs(c.stops) <= 0.33 and light.subject != "",
        "fill": "–" if level is None else share(level),
        "advice": advice,
        "now": _setting(c.exposure_ms, c.gain_db),
        "histogram": _histogram(c.specimen),
    }


def _advice(c: LightCamera, words: Words) -> str:
    stops = c.stops or 0.0
    if abs(stops) <= 0.33:
        return words.key("light.right")
    way = "brighter" if stops > 0 else "darker"
    if c.advised_ms is None:
        return words.key(f"light.{way}", stops=abs(stops))
    to = _setting(c.advised_ms, c.advised_gain_db or None)
    return words.key(f"light.{way}.to", stops=abs(stops), setting=to)


def _setting(exposure_ms: float | None, gain_db: float | None) -> str:
    if exposure_ms is None:
        return ""
    text = figure(exposure_ms, "ms")
    return text if not gain_db or gain_db < 0.05 else f"{text} + {gain_db:.1f} dB"


def _histogram(seen: SpecimenLight | None) -> list[float]:
    if seen is None or not seen.histogram:
        return []
    most = max(seen.histogram)
    return [round(v / most, 3) for v in seen.histogram] if most > 0 else []


def _finding(f: Finding, words: Words) -> Context:
    return {
        "kind": f.kind,
        "what": words.say(f.what),
        "remedy": words.say(f.remedy),
        "stops_it": f.stops_it,
    }


def light_card(snapshot: Snapshot, words: Words) -> Context:
    """All findings, all figures, the closer looks."""
    light = snapshot.setup.light
    return {
        "subject": light.subject,
        "findings": [_finding(f, words) for f in light.findings],
        "figures": [
            (words.key(f"light.figure.{name}"), [value(c) for c in light.cameras])
            for name, value in (_SPECIMEN if light.subject == "specimen" else _PLATE)
        ],
        "cameras": [c.camera for c in light.cameras],
        "standstill": [_standstill(s, words) for s in light.standstill],
        "watching": light.watching,
        "can_set": light.can_set,
    }


def _plain(value: float | None, unit: str = "") -> str:
    return "–" if value is None else figure(value, unit)


def _part(value: float | None) -> str:
    return "–" if value is None else share(value)


def _of_specimen(name: str, unit: str = "", *, part: bool = False) -> Any:
    def value(c: LightCamera) -> str:
        number = None if c.specimen is None else getattr(c.specimen, name)
        return _part(number) if part else _plain(number, unit)

    return value


def _glare(c: LightCamera) -> str:
    return str(len(c.glare)) if c.fill is not None else "–"


_PLATE = (
    ("fill", lambda c: _part(c.fill)),
    ("ground", lambda c: _part(c.ground)),
    ("in-dots", lambda c: _part(c.saturated_in_dots)),
    ("outside", lambda c: _part(c.saturated_outside)),
    ("evenness", lambda c: _part(c.evenness)),
    ("glare", _glare),
    ("clip", lambda c: _plain(c.clip_level)),
)
_SPECIMEN = (
    ("saturated", _of_specimen("saturated_share", part=True)),
    ("high", _of_specimen("high_share", part=True)),
    ("low", _of_specimen("low_share", part=True)),
    ("contrast", _of_specimen("contrast", part=True)),
    ("speckle", _of_specimen("speckle_px", "px")),
    ("cover", _of_specimen("cover", part=True)),
    ("matching", _of_specimen("match_sigma_px", "px")),
    ("worst", _of_specimen("match_worst_px", "px")),
    ("fastest", _of_specimen("fastest_mm_per_s", "mm/s")),
)


def _standstill(s: Standstill, words: Words) -> Context:
    return {
        "camera": s.camera,
        "what": words.key(f"light.still.{s.cause}"),
        "figures": words.key(
            "light.still.figures",
            flicker=100.0 * s.flicker_share,
            vibration_px=s.vibration_px,
            shimmer_px=s.shimmer_px,
            step_px=s.step_px,
        ),
    }
