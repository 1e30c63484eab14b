"""Plain files: JSON with everything, CSV of every observation, the target's points, a summary."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import numpy as np

from holdstill import session, solve
from holdstill.geometry import matrices
from holdstill.phrases import CATALOGUE, say
from holdstill.records import CameraEstimate, DotFlag, FloatArray, Pose, Quantity, Say, View

from .facts import Facts, changed_limits, field_of_view, reasons, told, when

FORM = "holdstill calibration"
FORM_VERSION = 1


def pose_json(pose: Pose) -> dict[str, Any]:
    """A pose ``x_a = R x_b + t`` as rotation vector, rotation matrix and translation (mm)."""
    rotation, translation = matrices(pose)
    return {
        "rotation_vector_rad": list(pose.rotation_vector_rad),
        "rotation": rotation.tolist(),
        "translation_mm": translation.tolist(),
    }


def _camera_json(camera: CameraEstimate) -> dict[str, Any]:
    lens = camera.lens
    return {
        "name": camera.name,
        "image_size_px": list(lens.size_px),
        "fx": lens.fx,
        "fy": lens.fy,
        "cx": lens.cx,
        "cy": lens.cy,
        "distortion": {"k1": lens.k1, "k2": lens.k2, "p1": lens.p1, "p2": lens.p2, "k3": lens.k3},
        "pose_cam_from_rig": pose_json(camera.pose_cam_from_rig),
        "rms_px": camera.rms_px,
        "points": camera.points,
        "sigmas": dict(zip(camera.sigma_names, map(_finite, camera.sigmas), strict=True)),
    }


def _quantity_json(q: Quantity) -> dict[str, Any]:
    return {
        "name": q.name,
        "unit": q.unit,
        "one_sigma": _finite(q.value),
        "by_covariance": _finite(q.by_covariance),
        "by_jackknife": _finite(q.by_jackknife),
        "by_richer_model": _finite(q.by_richer_model),
        "goal": q.goal,
        "worst": _finite(q.worst),
        "worst_at_mm": list(q.worst_at_mm) if q.worst_at_mm is not None else None,
        "gauge_mm": q.gauge_mm,
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _array(values: FloatArray) -> list[Any]:
    return [[_finite(v) for v in row] for row in np.atleast_2d(values)] if values.size else []


def calibration_json(facts: Facts) -> str:
    """The documented plain JSON (see docs/files.md); `load_calibration` reads it back exactly."""
    e, state = facts.estimate, facts.state
    shape = e.plate_shape
    proof = state.proof.result if state.proof is not None else None
    second = state.second.result if state.second is not None else None
    told_json: dict[str, Any] = {
        "form": FORM,
        "form_version": FORM_VERSION,
        "written_at": when(facts.made_at_ms),
        "written_at_ms": facts.made_at_ms,
        "session": {
            "name": facts.opened.name,
            "initials": facts.opened.initials,
            "opened_at_ms": facts.opened.at_ms,
        },
        "conventions": told("conventions"),
        "target": {
            "spec": facts.plate_words,
            "kind": state.plate.kind.value,
            "columns": state.plate.columns,
            "rows": state.plate.rows,
            "pitch_mm": state.plate.pitch_mm,
            "pitch_sigma_mm": state.plate.pitch_sigma_mm,
            "dot_diameter_mm": state.plate.dot_diameter_mm,
        },
        "cameras": [_camera_json(c) for c in e.cameras],
        "pairs": [
            {
                "cameras": list(p.cameras),
                "pose_b_from_a": pose_json(p.pose_b_from_a),
                "stereo_angle_deg": p.stereo_angle_deg,
                "baseline_mm": p.baseline_mm,
                "epipolar_rms_px": _finite(p.epipolar_rms_px),
            }
            for p in e.pairs
        ],
        "solve": {
            "rms_px": e.rms_px,
            "sigma0": e.sigma0,
            "engine": e.engine,
            "lens_order": e.lens_order,
            "lens_reason": e.lens_reason,
            "views_used": [facts.numbers.get(i, i) for i in e.used_view_ids],
            "scale_verified": e.scale_verified or session.scale_by_second(state.second) is not None,
        },
        "plate_shape": None
        if shape is None
        else {
            "bow_um": shape.bow_um,
            "bow_sigma_um": _finite(shape.bow_sigma_um),
            "aspect": shape.aspect,
            "shear_rad": shape.shear_rad,
            "terms": list(shape.terms),
        },
        "quantities": [_quantity_json(q) for q in e.quantities],
        "parameter_names": list(e.parameter_names),
        "covariance": _array(e.covariance),
        "views": [
            {
                "number": facts.numbers.get(v.view_id, v.view_id),
                "pose_rig_from_plate": pose_json(v.pose_rig_from_plate),
                "rms_px": {c: _finite(r) for c, r in v.rms_px.items()},
            }
            for v in e.views
        ],
        "set_aside": [
            {
                "view": facts.numbers.get(s.view_id, s.view_id),
                "name": s.name,
                "reason": s.reason,
                "camera": s.camera,
                "points": list(s.point_ids),
            }
            for s in e.set_aside
        ],
        "checks": [
            {"name": c.name, "ok": c.ok, "value": c.value, "limit": c.limit, "source": c.source}
            for c in session.checks_with(e.checks, state.second)
        ],
        "proof": None
        if proof is None
        else {
            "method": proof.method,
            "passed": proof.passed,
            "reprojection_rms_px": _finite(proof.reprojection_rms_px),
            "epipolar_rms_px": _finite(proof.epipolar_rms_px),
            "length_count": proof.length_count,
            "length_max_um": _finite(proof.length_max_um),
            "length_rms_um": _finite(proof.length_rms_um),
        },
        "second_plate": None
        if second is None
        else {
            "shots": list(second.shots),
            "points": second.points,
            "pitch_mm": second.pitch_mm,
            "pitch_sigma_mm": second.pitch_sigma_mm,
            "measured_mm": second.measured_mm,
            "measured_sigma_mm": second.measured_sigma_mm,
            "share": second.share,
            "share_sigma": second.share_sigma,
            "length_count": second.length_count,
            "length_max_um": second.length_max_um,
            "length_rms_um": second.length_rms_um,
        },
        "verdict": {
            "state": facts.verdict.state.value,
            "at_ms": facts.verdict.at_ms,
            "reasons": reasons(facts.verdict, faces_cameras=True),
        },
        "versions": dict(facts.versions),
        "limits": changed_limits(facts.opened),
    }
    return json.dumps(told_json, indent=1, allow_nan=False) + "\n"


OBSERVATION_COLUMNS = (
    "view", "name", "camera", "point", "x_mm", "y_mm", "z_mm", "x_px", "y_px", "sigma_px",
    "residual_x_px", "residual_y_px", "used", "remarks",
)  # fmt: skip


def observations_csv(facts: Facts) -> str:
    """Every point of every kept view in every camera: where it is on the plate and in the picture.

    ``point`` is the number that the solve gave it (a plate that looks the same upside down and a
    lattice seen in part are numbered alike in all cameras). ``residual`` is observed minus
    projected (empty where the solve did not use the view); ``used`` is 1 where the solve used the
    point; ``remarks`` are the finder's.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(OBSERVATION_COLUMNS)
    plate_mm = facts.state.plate.points_mm()
    fits = {f.view_id: f for f in facts.estimate.views}
    used = set(facts.estimate.used_view_ids)
    for view in sorted(facts.views, key=lambda v: v.view_id):
        for camera, sighting in view.sightings.items():
            left_out = _left_out(facts, view, camera)
            fit = fits.get(view.view_id)
            residuals = fit.residuals_px.get(camera) if fit is not None else None
            if residuals is not None and len(residuals) != len(sighting.point_ids):
                residuals = None
            numbers = solve.point_numbers(facts.state.plate, facts.estimate, view, camera)
            for i, (point, number) in enumerate(zip(sighting.point_ids, numbers, strict=True)):
                counts = view.view_id in used and left_out is not None and int(point) not in left_out
                writer.writerow([
                    facts.numbers[view.view_id], view.name, camera, int(number),
                    *(repr(float(v)) for v in plate_mm[number]),
                    *(repr(float(v)) for v in sighting.points_px[i]),
                    repr(float(sighting.sigmas_px[i])),
                    *(["", ""] if residuals is None else [f"{r:.6f}" for r in residuals[i]]),
                    int(counts), _remarks(int(sighting.flags[i])),
                ])  # fmt: skip
    return out.getvalue()


def _remarks(flags: int) -> str:
    return " ".join(str(f.name).lower() for f in DotFlag if flags & f)


def _left_out(facts: Facts, view: View, camera: str) -> set[int] | None:
    """Points of a view that the solve left out in a camera; None when it left out all of them."""
    points: set[int] = set()
    for aside in facts.estimate.set_aside:
        if aside.view_id == view.view_id and aside.camera in (None, camera):
            if not aside.point_ids:
                return None
            points |= set(aside.point_ids)
    return points


def target_csv(facts: Facts) -> str:
    """The target's points: number, column, row, x and y (mm, plate frame), and whether it is printed."""
    plate = facts.state.plate
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["point", "column", "row", "x_mm", "y_mm", "printed"])
    for number, (x, y, _) in enumerate(plate.points_mm()):
        row, column = divmod(number, plate.columns)
        place = repr(float(x)), repr(float(y))
        writer.writerow([number, column, row, *place, int(number not in plate.absent)])
    return out.getvalue()


def summary_text(facts: Facts) -> str:
    """The calibration on one page of plain text."""
    e, faces = facts.estimate, bool(facts.state.setting("faces_cameras"))
    lines = [
        told("summary.title", name=facts.opened.name, when=when(facts.made_at_ms)),
        "",
        told("summary.verdict", verdict=say(Say(f"verdict.{facts.verdict.state.value}"))),
        *(f"  - {r}" for r in reasons(facts.verdict, faces_cameras=faces)),
        "",
        told("summary.target", words=facts.plate_words),
        told("summary.views", used=len(e.used_view_ids), kept=len(facts.views), rms=e.rms_px),
        told("summary.lens", order=e.lens_order, reason=e.lens_reason),
        "",
    ]
    for camera in e.cameras:
        lens, seen = camera.lens, field_of_view(facts, camera.name)
        lines += [
            told("summary.camera", name=camera.name, width=lens.size_px[0], height=lens.size_px[1]),
            f"  fx {lens.fx:.3f}  fy {lens.fy:.3f}  cx {lens.cx:.3f}  cy {lens.cy:.3f} px",
            f"  k1 {lens.k1:.6g}  k2 {lens.k2:.6g}  k3 {lens.k3:.6g}  p1 {lens.p1:.6g}  p2 {lens.p2:.6g}",
            told("summary.camera.rms", rms=camera.rms_px, points=camera.points),
            told("summary.camera.view", **seen),
        ]
    for pair in e.pairs:
        vector = "  ".join(f"{v:.6f}" for v in pair.pose_b_from_a.rotation_vector_rad)
        shift = "  ".join(f"{v:.4f}" for v in pair.pose_b_from_a.translation_mm)
        lines += [
            "",
            told("summary.pair", a=pair.cameras[0], b=pair.cameras[1]),
            told("summary.pair.angle", angle=pair.stereo_angle_deg, baseline=pair.baseline_mm),
            told("summary.pair.pose", vector=vector, shift=shift),
            told("summary.pair.epipolar", rms=pair.epipolar_rms_px),
        ]
    lines.append("")
    lines += [f"{quantity_words(q)}" for q in e.quantities]
    proof = facts.state.proof
    lines += ["", told("summary.proof.none") if proof is None else _proof_words(facts)]
    lines += ["", told("summary.files"), ""]
    return "\n".join(lines)


def quantity_words(q: Quantity) -> str:
    """A quantity with its uncertainty and goal in a line."""
    name = quantity_name(q)
    unit = q.unit.replace("um", "µm")
    line = told("summary.quantity", name=name, value=q.value, unit=unit, goal=q.goal)
    if q.worst is not None:
        line += told("summary.quantity.worst", worst=q.worst, unit=unit)
    return line


def quantity_name(q: Quantity) -> str:
    """A quantity's name in words, with the gauge length it is over."""
    if q.gauge_mm is not None and f"quantity.{q.name}.over" in CATALOGUE:
        return say(Say(f"quantity.{q.name}.over", {"gauge_mm": q.gauge_mm}))
    return say(Say(f"quantity.{q.name}")) if f"quantity.{q.name}" in CATALOGUE else q.name.replace("_", " ")


def _proof_words(facts: Facts) -> str:
    assert facts.state.proof is not None
    proof = facts.state.proof.result
    outcome = told("summary.proof.passed" if proof.passed else "summary.proof.failed")
    words = told("summary.proof", views=len(proof.view_ids), method=proof.method, outcome=outcome,
                 rms=proof.reprojection_rms_px)  # fmt: skip
    if proof.length_max_um is not None:
        words += told(
            "summary.proof.length",
            count=proof.length_count, worst=proof.length_max_um, rms=proof.length_rms_um or 0.0,
        )  # fmt: skip
    return words
