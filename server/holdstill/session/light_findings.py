"""What is wrong with the light, with its likely cause and remedy."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from holdstill.limits import limit
from holdstill.measure import optics
from holdstill.measure.lighting import BrightnessGap, brightness_gap
from holdstill.records import Finding, FrameMeasures, GlarePatch, Rig, Say, ShotReport, Sighting

from .light_watch import PLATE, SPECIMEN, LightWatch, advised, exposure_shot, goal_of, polarity, product_ms

Numbers = dict[str, float | int | str]


def findings(
    watch: LightWatch, report: ShotReport, sightings: Mapping[str, Sighting], rig: Rig
) -> tuple[Finding, ...]:
    """What is wrong with the light, most useful first: nothing seen, exposure, glare, where the light
    lies, the cameras against each other, what would not stand still. Empty when nothing is."""
    found: list[Finding] = []
    for camera, measures in report.measures.items():
        covered = _covered(camera, measures, report)
        if covered is not None:
            found.append(covered)
            continue
        found += _exposure(watch, camera, measures, report, sightings.get(camera))
        found += _specimen(watch, camera, measures) if watch.subject == SPECIMEN else []
        found += _glare(camera, measures, sightings.get(camera))
        found += _lies(camera, measures)
    found += _gap(report.measures)
    found += _unrest(watch)
    found += _slow(report, rig)
    return tuple(sorted(_shared(found, report), key=lambda f: (not f.stops_it, _ORDER.index(f.kind))))


def _shared(found: list[Finding], report: ShotReport) -> list[Finding]:
    """One finding for all cameras where every picture is too dark, or too bright."""
    out = list(found)
    for kind in ("dark", "bright"):
        own = [f for f in found if f.kind == kind]
        if len(own) > 1 and len(own) == len(report.measures):
            together = replace(own[0], what=Say(f"light.all.{kind}"), camera=None)
            out = [together, *(f for f in out if f.kind != kind)]
    return out


_ORDER = (
    "covered", "bright", "dark", "saturated", "ground", "glare", "moved", "vibration", "flicker", "shimmer",
    "hot spot", "uneven", "gap", "pattern", "fine", "coarse", "cover", "matching", "slow",
)  # fmt: skip


def _covered(camera: str, m: FrameMeasures, report: ShotReport) -> Finding | None:
    """A camera that sees nothing at all: its cap is on, or its aperture shut."""
    if not _black(m):
        return None
    alone = any(
        o.high_share is not None and o.high_share > limit("light_covered_share")
        for c, o in report.measures.items()
        if c != camera
    )
    remedy = "light.covered.remedy" if alone else "light.covered.all.remedy"
    return Finding("covered", Say("light.covered", {"camera": camera}), Say(remedy), camera)


def _black(m: FrameMeasures) -> bool:
    return m.high_share is not None and m.high_share <= limit("light_covered_share")


def _exposure(
    watch: LightWatch, camera: str, m: FrameMeasures, report: ShotReport, sighting: Sighting | None
) -> Iterator[Finding]:
    shots = watch.shots.get(camera)
    newest = exposure_shot(m, product_ms(report, camera), watch.subject)
    if not shots or newest is None:
        return
    advice = advised(shots, goal_of(watch.subject, polarity(sighting)), sighting)
    if watch.subject == SPECIMEN and m.saturated_share > limit("light_specimen_saturated"):
        yield Finding(
            "saturated",
            Say("light.specimen.saturated", {"camera": camera, "percent": 100 * m.saturated_share}),
            _by_stops(min(advice.stops, -limit("light_good_stops")), camera, report),
            camera,
        )
    elif abs(advice.stops) > limit("light_good_stops"):
        kind = "dark" if advice.stops > 0 else "bright"
        what = "light.plate" if watch.subject == PLATE else "light.specimen"
        yield Finding(
            kind, Say(f"{what}.{kind}", {"camera": camera}), _by_stops(advice.stops, camera, report), camera
        )
    elif watch.subject == PLATE and newest.dark > limit("light_ground_fill"):
        values: Numbers = {"camera": camera, "percent": 100 * newest.dark}
        yield Finding("ground", Say("light.ground", values), Say("light.ground.remedy"), camera)


def _by_stops(stops: float, camera: str, report: ShotReport) -> Say:
    """The advice in stops, and in ms and dB where the exposure is told."""
    way = "brighter" if stops > 0 else "darker"
    exposure = report.exposure_ms.get(camera)
    if exposure is None:
        return Say(f"exposure-{way}-stops", {"stops": abs(stops)})
    wanted = exposure * 2.0**stops
    return Say(f"exposure-{way}", {"stops": abs(stops), "exposure_ms": wanted})


def glare_told(m: FrameMeasures, sighting: Sighting | None) -> tuple[GlarePatch, ...]:
    """The patches of a picture that are told of, in words and by rings alike; none below the limit
    `light_glare_told`, and none of a picture that is told to be covered."""
    if sighting is None or _black(m) or sum(g.plate_share for g in m.glare) < limit("light_glare_told"):
        return ()
    return tuple(g for g in m.glare if g.plate_share > 0)


def _glare(camera: str, m: FrameMeasures, sighting: Sighting | None) -> Iterator[Finding]:
    told = glare_told(m, sighting)
    if sighting is None or not told:
        return
    share = sum(g.plate_share for g in told)
    worst = max(told, key=lambda g: g.plate_share)
    place = on_plate(worst.x_px, worst.y_px, sighting)
    values: Numbers = {"camera": camera, "place": place, "percent": 100 * share}
    yield Finding(
        "glare", Say("light.patch", values), Say("light.patch.remedy"), camera, share > limit("glare_share")
    )


def on_plate(x_px: float, y_px: float, sighting: Sighting) -> str:
    """Which ninth of the plate (as the cameras see it) holds a point of the picture: ``"upper left"``,
    ``"centre"`` ..."""
    low, high = sighting.points_px.min(axis=0), sighting.points_px.max(axis=0)
    column = min(2, max(0, int(3 * (x_px - low[0]) / max(high[0] - low[0], 1.0))))
    row = min(2, max(0, int(3 * (y_px - low[1]) / max(high[1] - low[1], 1.0))))
    names = (
        ("upper left", "top", "upper right"),
        ("left", "centre", "right"),
        ("lower left", "bottom", "lower right"),
    )
    return names[row][column]


def _lies(camera: str, m: FrameMeasures) -> Iterator[Finding]:
    if m.light is None or m.evenness is None:
        return
    if m.light.fall > limit("hot_spot_share"):
        values: Numbers = {"camera": camera, "percent": 100 * m.light.fall}
        yield Finding("hot spot", Say("light.hot", values), Say("light.hot.remedy"), camera, False)
    elif m.evenness < limit("light_evenness"):
        sideways = abs(m.light.slope_x) >= abs(m.light.slope_y)
        slope = m.light.slope_x if sideways else m.light.slope_y
        side = ("left" if slope > 0 else "right") if sideways else ("top" if slope > 0 else "bottom")
        percent = 100 * (1 - m.evenness)
        values = {"camera": camera, "percent": percent, "place": side}
        yield Finding("uneven", Say("light.falls", values), Say("light.falls.remedy", values), camera, False)


def _gap(measures: Mapping[str, FrameMeasures]) -> Iterator[Finding]:
    gap = brightness_gap(measures)
    if isinstance(gap, BrightnessGap) and gap.matters:
        values: Numbers = {"camera": gap.darkest, "stops": gap.stops}
        yield Finding("gap", Say("light.gap", values), Say("light.gap.remedy"), gap.darkest, False)


_UNREST = {
    "flicker": ("flicker", "flicker_share", 100.0),
    "vibration": ("vibration", "vibration_px", 1.0),
    "heat shimmer": ("shimmer", "shimmer_px", 1.0),
    "moved camera": ("moved", "step_px", 1.0),
}


def _unrest(watch: LightWatch) -> Iterator[Finding]:
    """What the last watch of a still scene showed: each cause once, by the camera it is worst in."""
    for cause, (kind, strength, scale) in _UNREST.items():
        hit = [s for s in watch.standstill.values() if cause == s.cause or cause in s.others]
        if hit:
            worst = max(hit, key=lambda s: float(getattr(s, strength)))
            size = scale * float(getattr(worst, strength))
            values: Numbers = {"camera": worst.camera, "size": size}
            yield Finding(
                kind, Say(f"light.unrest.{kind}", values), Say(f"light.unrest.{kind}.remedy"), worst.camera
            )


def _slow(report: ShotReport, rig: Rig) -> Iterator[Finding]:
    """An exposure so long that a plate held in the hands blurs."""
    for camera, exposure in report.exposure_ms.items():
        most = hand_held_ms(rig, camera)
        if most is not None and exposure > limit("light_slow_factor") * most:
            values: Numbers = {"camera": camera, "exposure_ms": exposure, "most_ms": most}
            yield Finding("slow", Say("light.slow", values), Say("light.slow.remedy"), camera, False)


def hand_held_ms(rig: Rig, camera: str) -> float | None:
    """Longest exposure, ms, at which a plate held in the hands stays sharp; None when not known."""
    c = next((c for c in rig.cameras if c.name == camera), None)
    if c is None or rig.stand_off_mm is None or not (c.focal_mm and c.pixel_um):
        return None
    if rig.stand_off_mm <= c.focal_mm:
        return None
    scale = optics.image_scale_um_per_px(c.focal_mm, rig.stand_off_mm, c.pixel_um)
    return optics.longest_exposure_ms(limit("paper_tremor_mm_per_s"), scale, limit("still_blur_px"))


def _specimen(watch: LightWatch, camera: str, m: FrameMeasures) -> Iterator[Finding]:
    del m
    seen = watch.specimens.get(camera)
    if seen is None:
        return
    if seen.speckle_px is None or seen.cover is None:
        yield Finding("pattern", Say("light.no-pattern", {"camera": camera}), Say("light.no-pattern.remedy"))
        return
    values: Numbers = {"camera": camera, "px": seen.speckle_px}
    if seen.speckle_px < limit("speckle_least_px"):
        yield Finding("fine", Say("light.speckle.fine", values), Say("light.speckle.fine.remedy"), camera)
    elif seen.speckle_px > limit("speckle_most_px"):
        yield Finding(
            "coarse", Say("light.speckle.coarse", values), Say("light.speckle.coarse.remedy"), camera, False
        )
    if abs(seen.cover - 0.5) > limit("speckle_cover_off"):
        percent: Numbers = {"camera": camera, "percent": 100 * seen.cover}
        yield Finding("cover", Say("light.cover", percent), Say("light.cover.remedy"), camera, False)
    if seen.match_sigma_px is not None and seen.match_sigma_px > limit("match_most_px"):
        noise: Numbers = {"camera": camera, "px": seen.match_sigma_px}
        yield Finding("matching", Say("light.matching", noise), Say("light.matching.remedy"), camera, False)
