"""What a report says, in order: tables of words, the same for the page and the PDF."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from holdstill import session, solve
from holdstill.limits import TABLE
from holdstill.phrases import CATALOGUE, say
from holdstill.phrases.checks import check_name, check_remedy, check_value
from holdstill.records import CameraDescription, Ready, Say, ViewRow
from holdstill.session.snapshot import aside_words
from holdstill.session.snapshot import rows as story_rows
from holdstill.session.verdict import proof_words

from .facts import Facts, changed_limits, field_of_view, reasons, told, when
from .figures import Figure
from .plain_files import quantity_name
from .plots import (
    field_figure,
    gain_figure,
    residual_figure,
    tilt_figure,
    trace_figure,
    volume_figure,
)

SHAPES = {Ready.READY: "\u25cf", Ready.PROVISIONAL: "\u25d0", Ready.NOT_YET: "\u25cb", Ready.STOP: "\u25a0"}
"""A shape for each verdict, beside its word: full, half and empty disc, square."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table: column heads (may be empty) and rows of text."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, sentences, tables and figures below it."""

    title: str
    words: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True, slots=True)
class Pictured:
    """One line of the session's story with its pictures: camera -> digest."""

    title: str
    state: str
    words: tuple[str, ...]
    digests: dict[str, str] = field(default_factory=dict)


def head(facts: Facts) -> tuple[str, str, list[str]]:
    """Title, verdict with its shape, and the sentences below it."""
    faces = bool(facts.state.setting("faces_cameras"))
    state = facts.verdict.state
    verdict = f"{SHAPES[state]} {say(Say(f'verdict.{state.value}'))}"
    lines = reasons(facts.verdict, faces_cameras=faces)
    if facts.verdict.remedy is not None:
        lines.append(told("report.remedy", remedy=say(facts.verdict.remedy, faces_cameras=faces)))
    lines.append(told("report.verdict.at", at=when(facts.verdict.at_ms)))
    if facts.verdict.withdrawn:
        lines.append(told("report.withdrawn"))
    return told("report.title", name=facts.opened.name), verdict, lines


def sections(facts: Facts) -> list[Section]:
    """Every section but the views with their pictures."""
    return [
        _quantities(facts),
        _reporting_table(facts),
        _calibration(facts),
        _coverage(facts),
        _residuals(facts),
        _checks(facts),
        _proof(facts),
        *_second(facts),
        *_scene(facts),
    ]


def closing(facts: Facts) -> list[Section]:
    """What stands at the end: versions and the limits used."""
    used = changed_limits(facts.opened)
    limits = tuple(
        (
            name,
            f"{value:g}",
            TABLE[name].unit if name in TABLE else "",
            TABLE[name].meaning if name in TABLE else "",
        )
        for name, value in sorted(used.items())
    )
    heads = tuple(told(f"report.limits.{h}") for h in ("name", "value", "unit", "meaning"))
    return [
        Section(told("report.versions"), tables=(Table((), tuple(facts.versions.items())),)),
        Section(told("report.limits"), (told("report.limits.what"),), (Table(heads, limits),)),
    ]


def _n(value: float | None, digits: int = 3) -> str:
    if value is None or not math.isfinite(value):
        return "-"
    return f"{value:.{digits}g}"


def _quantities(facts: Facts) -> Section:
    rows = []
    for q in facts.estimate.quantities:
        unit = q.unit.replace("um", "µm")
        met = told("report.met" if q.value <= q.goal else "report.not-met")
        where = "-" if q.worst_at_mm is None else ", ".join(f"{v:.0f}" for v in q.worst_at_mm)
        rows.append((
            quantity_name(q), f"{_n(q.value)} {unit}", f"{_n(q.goal)} {unit}", met,
            f"{_n(q.worst)} {unit}", where, _n(q.by_covariance), _n(q.by_jackknife),
            _n(q.by_richer_model),
        ))  # fmt: skip
    columns = ("name", "value", "goal", "met", "worst", "where", "covariance", "jackknife", "richer")
    heads = tuple(told(f"report.quantity.{c}") for c in columns)
    figure = volume_figure(facts)
    return Section(
        told("report.quantities"), (told("report.quantities.what"),), (Table(heads, tuple(rows)),),
        (figure,) if figure is not None else (),
    )  # fmt: skip


def _described(facts: Facts, camera: str) -> CameraDescription:
    cameras = facts.state.rig.cameras
    by_name = {c.name: c for c in cameras}
    if camera in by_name:
        return by_name[camera]
    index = facts.cameras.index(camera)
    return cameras[index] if index < len(cameras) else CameraDescription(camera)


def _reporting_table(facts: Facts) -> Section:
    """The community's reporting table: hardware as known here, analysis rows not covered.

    Rows after: iDICs, A Good Practices Guide for Digital Image Correlation, ed. 1 (2018), chapter 6
    (from memory).
    """
    unknown = told("report.not-given")
    each = [(c, _described(facts, c.name), field_of_view(facts, c.name)) for c in facts.estimate.cameras]

    def per_camera(texts: Sequence[str]) -> str:
        if len(set(texts)) == 1:
            return texts[0]
        return "; ".join(f"{c.name}: {t}" for (c, _, _), t in zip(each, texts, strict=True))

    def given(value: float | None, form: str) -> str:
        return unknown if value is None else form.format(value)

    pairs = facts.estimate.pairs
    exposure = [given(d.exposure_ms, "{:g} ms") for _, d, _ in each]
    sizes = [f"{c.lens.size_px[0]} x {c.lens.size_px[1]} px, {_depths(facts)}" for c, _, _ in each]
    solved = [
        f" (solved {c.lens.fx * d.pixel_um / 1000.0:.2f} mm)" if d.pixel_um else "" for c, d, _ in each
    ]
    focal = [given(d.focal_mm, "{:g} mm") + s for (_, d, _), s in zip(each, solved, strict=True)]
    values = {
        "camera": per_camera([given(d.pixel_um, "pixel {:g} µm") for _, d, _ in each]),
        "resolution": per_camera(sizes),
        "lens": per_camera(focal),
        "aperture": per_camera([given(d.f_number, "f/{:g}") for _, d, _ in each]),
        "field": per_camera([f"{f['width_mm']:.1f} x {f['height_mm']:.1f} mm" for _, _, f in each]),
        "scale": per_camera([f"{f['scale_px_per_mm']:.3f} px/mm" for _, _, f in each]),
        "angle": "; ".join(f"{p.stereo_angle_deg:.2f}°" for p in pairs) if pairs else "-",
        "stand-off": per_camera([f"{f['distance_mm']:.1f} mm" for _, _, f in each]),
        "rate": unknown,
        "exposure": per_camera(exposure),
        "technique": unknown,
        "feature": unknown,
    }
    rows = [(told(f"report.table.{name}"), text) for name, text in values.items()]
    analysis = (
        "software",
        "filtering",
        "subset",
        "step",
        "shape",
        "matching",
        "interpolant",
        "strain",
        "noise",
    )
    rows += [(told(f"report.table.{name}"), told("report.not-covered")) for name in analysis]
    if facts.state.scene is not None:
        floors = facts.state.scene.floors.values()
        text = "; ".join(f"{f.camera}: {_n(f.random_px)} px" for f in floors)
        rows[-1] = (rows[-1][0], told("report.table.noise.known", text=text))
    return Section(told("report.table"), (told("report.table.what"),), (Table((), tuple(rows)),))


def _depths(facts: Facts) -> str:
    levels = {m.clip_level for v in facts.views for m in v.measures.values()}
    if not levels:
        return told("report.depth.unknown")
    return told("report.depth", level=max(levels))


def _calibration(facts: Facts) -> Section:
    e = facts.estimate
    names = ("fx", "fy", "cx", "cy", "k1", "k2", "k3", "p1", "p2")
    rows = []
    for name in names:
        cells = [name]
        for camera in e.cameras:
            sigma = dict(zip(camera.sigma_names, camera.sigmas, strict=True)).get(name)
            value = getattr(camera.lens, name)
            shown = f"{value:.3f}" if name in ("fx", "fy", "cx", "cy") else f"{value:.6g}"
            cells.append(shown if sigma is None else f"{shown} ± {_n(sigma, 2)}")
        rows.append(tuple(cells))
    rows.append((told("report.rms"), *(f"{c.rms_px:.4f} px" for c in e.cameras)))
    rows.append((told("report.points"), *(str(c.points) for c in e.cameras)))
    tables = [Table(("", *(c.name for c in e.cameras)), tuple(rows))]
    if e.pairs:
        pair_rows = []
        for p in e.pairs:
            turn = ", ".join(f"{v:.6f}" for v in p.pose_b_from_a.rotation_vector_rad)
            shift = ", ".join(f"{v:.4f}" for v in p.pose_b_from_a.translation_mm)
            pair_rows.append((
                told("summary.pair", a=p.cameras[0], b=p.cameras[1]), f"{p.stereo_angle_deg:.3f}°",
                f"{p.baseline_mm:.3f} mm", f"{_n(p.epipolar_rms_px)} px", turn, shift,
            ))  # fmt: skip
        heads = tuple(
            told(f"report.pair.{h}") for h in ("pair", "angle", "baseline", "epipolar", "turn", "shift")
        )
        tables.append(Table(heads, tuple(pair_rows)))
    words = [
        told("summary.target", words=facts.plate_words),
        told("summary.views", used=len(e.used_view_ids), kept=len(facts.views), rms=e.rms_px),
        told("summary.lens", order=e.lens_order, reason=e.lens_reason),
        told("report.raw-sigmas"),
    ]
    if e.plate_shape is not None:
        sigma = e.plate_shape.bow_sigma_um
        words.append(told("report.bow", bow=e.plate_shape.bow_um, sigma=_n(sigma, 2)))
    dim = session.dim_views(facts.views)
    if dim is not None:
        words.append(told("report.dim-views", percent=100.0 * dim[0], stops=dim[1]))
    for length in facts.state.lengths:
        key = "report.length.accepted" if length.what == "accepted" else "report.length"
        what = told(f"report.length.{length.what}.what")
        words.append(
            told(key, what=what, value=length.value_mm, sigma=length.sigma_mm, words=length.words)
        )
    return Section(told("report.calibration"), tuple(words), tuple(tables))


def _coverage(facts: Facts) -> Section:
    figures = (tilt_figure(facts), field_figure(facts), trace_figure(facts), gain_figure(facts))
    return Section(told("report.coverage"), (told("report.coverage.what"),), (), figures)


def _residuals(facts: Facts) -> Section:
    figures = tuple(residual_figure(facts, c) for c in facts.estimate.cameras)
    return Section(told("report.residuals"), (told("report.residuals.what"),), (), figures)


def _checks(facts: Facts) -> Section:
    rows = []
    for check in session.checks_with(facts.estimate.checks, facts.state.second):
        word = told("report.holds" if check.ok else "report.holds-not")
        remedy = "" if check.ok else check_remedy(check)
        rows.append((check_name(check), word, check_value(check), check.limit, check.source, remedy))
    heads = tuple(
        told(f"report.check.{h}") for h in ("name", "outcome", "value", "limit", "source", "remedy")
    )
    return Section(told("report.checks"), (), (Table(heads, tuple(rows)),))


def _proof(facts: Facts) -> Section:
    proved = facts.state.proof
    if proved is None:
        return Section(told("report.proof"), (told("summary.proof.none"),))
    r = proved.result
    rows = [
        (told("report.proof.method"), f"{r.method}, {len(r.view_ids)}"),
        (told("report.proof.outcome"), told("summary.proof.passed" if r.passed else "summary.proof.failed")),
        (told("report.rms"), f"{_n(r.reprojection_rms_px, 4)} px"),
        (told("report.pair.epipolar"), f"{_n(r.epipolar_rms_px, 4)} px"),
        (told("report.proof.largest"), f"{_n(r.length_max_um, 4)} µm"),
        (told("report.proof.rms"), f"{_n(r.length_rms_um, 4)} µm"),
        (told("report.proof.count"), str(r.length_count)),
    ]
    words = (told("report.proof.what"), *(proof_words(why) for why in r.reasons))
    return Section(told("report.proof"), words, (Table((), tuple(rows)),))


def _second(facts: Facts) -> list[Section]:
    """What a second plate says of the scale, where one was shown."""
    second = facts.state.second
    if second is None or second.answer is None:
        return []
    words = [told("report.second.what", words=second.described.words, shots=len(second.views))]
    r = second.answer.result
    if r is None:
        why = f"second.{second.answer.why}"
        words.append(say(Say(why if why in CATALOGUE else "second.failed")))
        return [Section(told("report.second"), tuple(words))]
    rows = (
        (told("report.second.own"), f"{r.pitch_mm:.4f} ± {_n(r.pitch_sigma_mm, 2)} mm"),
        (told("report.second.measured"), f"{r.measured_mm:.4f} ± {_n(r.measured_sigma_mm, 2)} mm"),
        (told("report.second.share"), f"{100 * r.share:+.3f} ± {_n(100 * r.share_sigma, 2)} %"),
        (told("report.check.limit"), r.check.limit),
        (told("report.check.outcome"), told("report.holds" if r.check.ok else "report.holds-not")),
        (told("report.proof.largest"), f"{_n(r.length_max_um, 4)} µm"),
        (told("report.proof.rms"), f"{_n(r.length_rms_um, 4)} µm"),
        (told("report.proof.count"), str(r.length_count)),
        (told("report.points"), str(r.points)),
    )
    return [Section(told("report.second"), tuple(words), (Table((), rows),))]


def _scene(facts: Facts) -> list[Section]:
    """The noise floor of a series of the still scene, where one was taken."""
    reference = facts.state.scene
    if reference is None:
        return []
    heads = tuple(
        told(f"report.scene.{h}") for h in ("camera", "frames", "patches", "random", "expected", "common")
    )
    rows = tuple(
        (
            f.camera, str(f.frames), f"{f.patches} x {f.patch_px} px", f"{_n(f.random_px)} px",
            f"{_n(f.expected_px)} px", f"{_n(f.common_px)} px",
        )
        for f in reference.floors.values()
    )  # fmt: skip
    words = [told("report.scene.what", name=reference.name)]
    meaning = solve.floor_meaning(facts.state.rig, facts.estimate, reference.floors)
    if meaning is not None:
        words.append(told(
            "report.scene.meaning", patch=meaning.patch_px, in_plane=_n(meaning.in_plane_um),
            out=_n(meaning.out_of_plane_um), strain=_n(meaning.strain_um_per_m), gauge=meaning.gauge_mm,
        ))  # fmt: skip
    return [Section(told("report.scene"), tuple(words), (Table(heads, rows),))]


def pictured(facts: Facts) -> list[Pictured]:
    """Every line of the session's story: what became of each view and each refused shot."""
    faces = bool(facts.state.setting("faces_cameras"))
    return [_pictured(facts, row, faces) for row in story_rows(facts.state)]


def _pictured(facts: Facts, row: ViewRow, faces_cameras: bool) -> Pictured:
    number = facts.numbers.get(row.view_id) if row.view_id is not None else None
    title = row.name if number is None else told("report.view", number=number, name=row.name)
    words = []
    if row.reason is not None:
        words.append(say(row.reason, faces_cameras=faces_cameras))
    if row.camera is not None:
        words.append(told("report.in-camera", camera=row.camera))
    for camera, rms in row.rms_px.items():
        words.append(told("report.view.rms", camera=camera, rms=rms))
    if row.gain is not None and math.isfinite(row.gain):
        words.append(told("report.view.gain", gain=100.0 * row.gain))
    for aside in facts.estimate.set_aside:
        if row.view_id is not None and aside.view_id == row.view_id and aside.point_ids:
            where = aside.camera or "-"
            count = len(aside.point_ids)
            why = say(aside_words(aside.reason))
            words.append(told("report.view.points", count=count, camera=where, reason=why))
    return Pictured(title, say(Say(f"view.{row.state}")), tuple(words), dict(row.digests))


__all__ = ["Pictured", "Section", "Table", "closing", "head", "pictured", "sections"]
