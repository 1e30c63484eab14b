"""The report's figures: what is covered, residuals, uncertainty over the volume, gain, the trace."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from holdstill import plan
from holdstill.geometry import Volume, rig_parameter_names, transform
from holdstill.geometry.quantities import shape_rows
from holdstill.records import CameraEstimate, FloatArray, Place
from holdstill.solve.volume import measuring_volume

from .facts import Facts, told
from .figures import ASK, GRID, HAVE, INK, SOFT, WRONG, Figure, nice_steps

_PLACES = (
    (Place.UPPER_LEFT, Place.TOP, Place.UPPER_RIGHT),
    (Place.LEFT, Place.CENTRE, Place.RIGHT),
    (Place.LOWER_LEFT, Place.BOTTOM, Place.LOWER_RIGHT),
)


def tilt_figure(facts: Facts) -> Figure:
    """Which tilts of the plate were taken: rings every 15 degrees, a dot a view."""
    coverage = plan.coverage(facts.state.plate, facts.state.rig, facts.estimate, facts.views)
    figure = Figure(230, 230, told("figure.tilt"))
    centre, largest = 115.0, 45.0
    for ring in (15, 30, 45):
        radius = ring / largest * 95.0
        circle = [
            (centre + radius * math.cos(a), centre + radius * math.sin(a))
            for a in np.linspace(0, 2 * np.pi, 61)
        ]
        figure.line(*circle, colour=GRID)
        figure.label(centre + 2, centre - radius - 2, f"{ring}°", size=7, colour=SOFT)
    figure.line((centre - 100, centre), (centre + 100, centre), colour=GRID)
    figure.line((centre, centre - 100), (centre, centre + 100), colour=GRID)
    for tilt in coverage.tilts:
        size = max(1.0, math.hypot(tilt.x_deg, tilt.y_deg) / largest)
        x = centre + tilt.x_deg / size / largest * 95.0
        y = centre - tilt.y_deg / size / largest * 95.0
        figure.dot(x, y, 4.0, colour=HAVE, fill=HAVE)
    return figure


def field_figure(facts: Facts) -> Figure:
    """How many views put dots into each ninth of the pictures (least over the cameras)."""
    coverage = plan.coverage(facts.state.plate, facts.state.rig, facts.estimate, facts.views)
    width, height = facts.estimate.cameras[0].lens.size_px
    wide = 230.0
    high = wide * height / max(width, 1)
    figure = Figure(wide, high + 4, told("figure.field"))
    for i, row in enumerate(_PLACES):
        for j, place in enumerate(row):
            count = coverage.field.get(place, 0)
            x, y = 2 + j * (wide - 4) / 3, 2 + i * high / 3
            figure.box(x, y, (wide - 4) / 3, high / 3, colour=SOFT)
            colour = INK if count else WRONG
            figure.label(
                x + (wide - 4) / 6, y + high / 6 + 6, str(count), size=18, colour=colour, anchor="middle"
            )
    return figure


def residual_figure(facts: Facts, camera: CameraEstimate, cells: tuple[int, int] = (12, 10)) -> Figure:
    """Residuals of one camera, enlarged: thin, single points; bold, their mean per cell."""
    places, gaps = _residuals(facts, camera.name)
    width, height = camera.lens.size_px
    scale = 330.0 / max(width, 1)
    typical = float(np.sqrt(np.mean(gaps**2))) if len(gaps) else 1.0
    enlarge = 7.0 / max(typical, 1e-9)
    figure = Figure(334, height * scale + 22, told("figure.residuals", camera=camera.name))
    figure.box(2, 2, width * scale, height * scale, colour=SOFT)
    step = max(1, len(places) // 1200)
    for (x, y), (dx, dy) in zip(places[::step], gaps[::step], strict=True):
        at = (2 + x * scale, 2 + y * scale)
        figure.line(at, (at[0] + dx * enlarge, at[1] + dy * enlarge), colour=GRID, width=0.5)
    for x, y, dx, dy in _cell_means(places, gaps, (width, height), cells):
        at = (2 + x * scale, 2 + y * scale)
        figure.line(at, (at[0] + dx * enlarge, at[1] + dy * enlarge), colour=HAVE, width=1.6)
        figure.dot(*at, 1.2, colour=HAVE, fill=HAVE)
    bar = 10 ** math.floor(math.log10(60.0 / enlarge)) if enlarge > 0 else 1.0
    figure.line((4, height * scale + 12), (4 + bar * enlarge, height * scale + 12), colour=INK, width=1.6)
    figure.label(10 + bar * enlarge, height * scale + 15, f"{bar:g} px")
    return figure


def _residuals(facts: Facts, camera: str) -> tuple[FloatArray, FloatArray]:
    """Places (n, 2) and residuals (n, 2), px, of every point of the views used, outliers left out."""
    sightings = {v.view_id: v.sightings.get(camera) for v in facts.views}
    places, gaps = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for fit in facts.estimate.views:
        sighting, residuals = sightings.get(fit.view_id), fit.residuals_px.get(camera)
        if sighting is None or residuals is None or len(residuals) != len(sighting.points_px):
            continue
        places.append(sighting.points_px)
        gaps.append(residuals)
    at, gap = np.concatenate(places), np.concatenate(gaps)
    size = np.hypot(gap[:, 0], gap[:, 1])
    keep = np.isfinite(size)
    if keep.any():
        keep &= size <= 6.0 * max(float(np.median(size[keep])), 1e-12)
    return at[keep], gap[keep]


def _cell_means(
    places: FloatArray, gaps: FloatArray, size_px: tuple[int, int], cells: tuple[int, int]
) -> list[tuple[float, float, float, float]]:
    """(x, y, dx, dy) of every cell with at least five points: its middle and its mean residual."""
    columns = np.clip((places[:, 0] / size_px[0] * cells[0]).astype(int), 0, cells[0] - 1)
    rows = np.clip((places[:, 1] / size_px[1] * cells[1]).astype(int), 0, cells[1] - 1)
    out = []
    for cell in range(cells[0] * cells[1]):
        row, column = divmod(cell, cells[0])
        inside = (columns == column) & (rows == row)
        if inside.sum() >= 5:
            dx, dy = gaps[inside].mean(axis=0)
            x, y = (column + 0.5) / cells[0] * size_px[0], (row + 0.5) / cells[1] * size_px[1]
            out.append((x, y, float(dx), float(dy)))
    return out


def volume_map(facts: Facts, counts: tuple[int, int, int] = (7, 7, 3)) -> tuple[FloatArray, Volume] | None:
    """Shape error (um, one sigma) on a grid through the measuring volume, (depth, rows, columns).

    None for fewer than two cameras or an estimate without covariance.  The covariance is the
    estimate's; the jackknife's larger figure is in the table of quantities.
    """
    e = facts.estimate
    if len(e.cameras) < 2 or not e.covariance.size:
        return None
    full = list(rig_parameter_names([c.name for c in e.cameras]))
    known = [full.index(name) for name in e.parameter_names if name in full]
    inside = [i for i, name in enumerate(e.parameter_names) if name in full]
    if not known:
        return None
    poses = [c.pose_cam_from_rig for c in e.cameras]
    plate = facts.state.plate.points_mm()
    seen = [transform(v.pose_rig_from_plate, plate) for v in e.views]
    volume = measuring_volume(facts.state.rig, poses, np.concatenate(seen))
    points = volume.points(counts)
    rows = shape_rows([c.lens for c in e.cameras], poses, points)
    covariance = np.zeros((len(full), len(full)))
    covariance[np.ix_(known, known)] = e.covariance[np.ix_(inside, inside)]
    sigma = rows.at_places(covariance).reshape(counts)
    return np.transpose(sigma, (2, 1, 0)), volume


def volume_figure(facts: Facts) -> Figure | None:
    """Shape error over the measuring volume: three slices, near to far, numbers in um."""
    mapped = volume_map(facts)
    if mapped is None:
        return None
    sigma, volume = mapped
    top = max(float(sigma.max()), 1e-12)
    cell, gap = 23.0, 14.0
    wide = sigma.shape[2] * cell
    figure = Figure(3 * wide + 2 * gap + 4, sigma.shape[1] * cell + 20, told("figure.volume"))
    for k, name in enumerate(("near", "middle", "far")):
        left = 2 + k * (wide + gap)
        offset = (k - 1) * volume.size_mm[2] / 2
        figure.label(left, 10, told(f"figure.volume.{name}", offset=offset), size=8, colour=SOFT)
        for i, row in enumerate(sigma[k]):
            for j, value in enumerate(row):
                shade = 255 - int(120 * value / top)
                colour = f"#{shade:02x}{min(255, shade + 18):02x}{min(255, shade + 34):02x}"
                x, y = left + j * cell, 15 + i * cell
                figure.box(x, y, cell, cell, colour="#ffffff", fill=colour)
                figure.label(x + cell / 2, y + cell / 2 + 2.5, f"{value:.2g}", size=6.5, anchor="middle")
    return figure


def gain_figure(facts: Facts) -> Figure:
    """What each view took off the uncertainty when it came (share), as bars."""
    gains = [(facts.numbers.get(v.view_id, v.view_id), v.information_gain) for v in facts.estimate.views]
    known = sorted((n, g) for n, g in gains if g is not None and math.isfinite(g))
    figure = Figure(334, 150, told("figure.gain"))
    if not known:
        figure.label(10, 20, told("figure.none"))
        return figure
    left, base, high = 34.0, 130.0, 110.0
    top = max(1e-9, *(g for _, g in known))
    for value in nice_steps(0.0, top):
        y = base - high * value / top
        figure.line((left, y), (330, y), colour=GRID)
        figure.label(left - 4, y + 3, f"{100 * value:.3g} %", size=7, colour=SOFT, anchor="end")
    step = (330 - left) / len(known)
    for i, (number, gain) in enumerate(known):
        tall = high * max(gain, 0.0) / top
        figure.box(left + i * step + 1, base - tall, max(step - 2, 0.5), tall, colour=HAVE, fill=HAVE)
        if len(known) <= 30 or i % 5 == 0:
            figure.label(
                left + (i + 0.5) * step, base + 10, str(number), size=6.5, colour=SOFT, anchor="middle"
            )
    figure.label(left, base + 19, told("figure.gain.axis"), size=7, colour=SOFT)
    return figure


def trace_figure(facts: Facts) -> Figure:
    """How the headline quantity fell with the views, against its goal (dashed)."""
    trace = [(p.views, p.value) for p in facts.state.trace if math.isfinite(p.value) and p.value > 0]
    quantity = next(iter(facts.estimate.quantities), None)
    figure = Figure(334, 150, told("figure.trace"))
    if not trace or quantity is None:
        figure.label(10, 20, told("figure.none"))
        return figure
    values = [v for _, v in trace] + ([quantity.goal] if quantity.goal > 0 else [])
    low, high = math.log10(min(values)) - 0.1, math.log10(max(values)) + 0.1
    views = [n for n, _ in trace]
    first, last = min(views), max(min(views) + 1, *views)

    def at(count: float, value: float) -> tuple[float, float]:
        return 40 + 288 * (count - first) / (last - first), 126 - 112 * (math.log10(value) - low) / (
            high - low
        )

    for value in _decades(low, high):
        figure.line(at(first, value), at(last, value), colour=GRID)
        figure.label(36, at(first, value)[1] + 3, f"{value:g}", size=7, colour=SOFT, anchor="end")
    for count in nice_steps(first, last):
        if float(count).is_integer():
            figure.label(at(count, 10**low)[0], 138, f"{count:g}", size=7, colour=SOFT, anchor="middle")
    if quantity.goal > 0:
        figure.line(at(first, quantity.goal), at(last, quantity.goal), colour=ASK, width=1.2, dashed=True)
    figure.line(*(at(n, v) for n, v in trace), colour=HAVE, width=1.6)
    for n, v in trace:
        figure.dot(*at(n, v), 2.0, colour=HAVE, fill=HAVE)
    unit = quantity.unit.replace("um", "µm")
    figure.label(40, 148, told("figure.trace.axis", unit=unit), size=7, colour=SOFT)
    return figure


def _decades(low: float, high: float) -> Sequence[float]:
    """Values 1, 2, 5 times powers of ten between 10**low and 10**high, five at most."""
    ticks = [m * 10.0**p for p in range(math.floor(low), math.ceil(high) + 1) for m in (1, 2, 5)]
    inside = [t for t in ticks if low <= math.log10(t) <= high]
    return inside if len(inside) <= 6 else [t for t in inside if f"{t:e}".startswith("1.0")]
