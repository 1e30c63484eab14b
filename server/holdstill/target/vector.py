"""A plate on paper or metal: SVG and PDF to scale, DXF for laser marking.

SVG: W3C SVG 1.1 with the page in millimetres. PDF: ISO 32000-1, one page, 1 mm = 72/25.4 units.
DXF: the R12 interchange form (group codes of the published DXF reference, from memory).
"""

from __future__ import annotations

from xml.sax.saxutils import escape

import numpy as np

from holdstill.records import FloatArray, Plate

from .drawing import Disc, Drawing, draw

_POINTS_PER_MM = 72 / 25.4
_BEZIER = 4 * (np.sqrt(2.0) - 1) / 3
"""Control distance of a quarter circle by a cubic curve (error below 0.03 % of the radius)."""


def draw_svg(plate: Plate) -> str:
    """The plate as an SVG document, to scale, with a ruler below it."""
    d = draw(plate)
    ink, ground = ("#fff", "#000") if d.inverted else ("#000", "#fff")
    x, y, w, h = d.plate_mm
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{d.width_mm:.4f}mm" height="{d.height_mm:.4f}mm" '
        f'viewBox="0 0 {d.width_mm:.4f} {d.height_mm:.4f}">',
        f"<title>{escape(d.title)}</title>",
        f'<rect width="{d.width_mm:.4f}" height="{d.height_mm:.4f}" fill="#fff"/>',
        f'<rect id="plate" x="{x:.4f}" y="{y:.4f}" width="{w:.4f}" height="{h:.4f}" fill="{ground}"/>',
        f'<g id="dots" fill="{ink}">',
    ]
    for disc in d.discs:
        out.append(f'<circle cx="{disc.x_mm:.5f}" cy="{disc.y_mm:.5f}" r="{disc.radius_mm:.5f}"/>')
        if disc.hole_mm:
            out.append(
                f'<circle cx="{disc.x_mm:.5f}" cy="{disc.y_mm:.5f}" r="{disc.hole_mm:.5f}" fill="{ground}"/>'
            )
    out.append("</g>")
    squares = "".join(_svg_path(loop) for loop in d.loops)
    markers = "".join(_svg_path(loop) for loop in d.marker_loops)
    if squares:
        out.append(f'<path id="squares" fill="{ink}" d="{squares}"/>')
    if markers:
        out.append(f'<path id="markers" fill="{ink}" fill-rule="evenodd" d="{markers}"/>')
    out.append('<g id="ruler" stroke="#000" stroke-width="0.12">')
    out += [f'<line x1="{a:.4f}" y1="{b:.4f}" x2="{c:.4f}" y2="{e:.4f}"/>' for a, b, c, e in d.ruler]
    out.append("</g>")
    out += [
        f'<text x="{label.x_mm:.3f}" y="{label.y_mm:.3f}" font-size="{label.height_mm:.2f}" '
        f'font-family="sans-serif">{escape(label.text)}</text>'
        for label in d.labels
    ]
    out.append("</svg>")
    return "\n".join(out) + "\n"


def _svg_path(loop: FloatArray) -> str:
    return "M" + "L".join(f"{x:.5f} {y:.5f}" for x, y in loop) + "Z"


def draw_pdf(plate: Plate) -> bytes:
    """The plate as a one-page PDF of exactly the drawing's size; print without scaling."""
    d = draw(plate)
    ink, ground = ("1 g", "0 g") if d.inverted else ("0 g", "1 g")
    x, y, w, h = d.plate_mm
    ops = [
        f"{_POINTS_PER_MM:.8f} 0 0 {-_POINTS_PER_MM:.8f} 0 {d.height_mm * _POINTS_PER_MM:.5f} cm",
        ground, f"{x:.4f} {y:.4f} {w:.4f} {h:.4f} re f", ink,
    ]  # fmt: skip
    for disc in d.discs:
        ops.append(
            _pdf_circle(disc, disc.radius_mm)
            + (_pdf_circle(disc, disc.hole_mm) if disc.hole_mm else "")
            + "f*"
        )
    ops += [_pdf_loop(loop) + "f" for loop in d.loops]
    if d.marker_loops:
        ops.append("".join(_pdf_loop(loop) for loop in d.marker_loops) + "f*")
    ops += ["0 G 0.12 w"] + [f"{a:.4f} {b:.4f} m {c:.4f} {e:.4f} l S" for a, b, c, e in d.ruler] + ["0 g"]
    for label in d.labels:
        text = label.text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        ops.append(
            f"BT /F1 {label.height_mm:.3f} Tf 1 0 0 -1 {label.x_mm:.3f} {label.y_mm:.3f} Tm ({text}) Tj ET"
        )
    return _pdf_file("\n".join(ops).encode("cp1252", "replace"), d)


def _pdf_loop(loop: FloatArray) -> str:
    first, *rest = [f"{x:.5f} {y:.5f}" for x, y in loop]
    return f"{first} m " + "".join(f"{p} l " for p in rest) + "h "


def _pdf_circle(disc: Disc, r: float) -> str:
    x, y, k = disc.x_mm, disc.y_mm, _BEZIER * r
    quarter = [
        (x + r, y + k, x + k, y + r, x, y + r), (x - k, y + r, x - r, y + k, x - r, y),
        (x - r, y - k, x - k, y - r, x, y - r), (x + k, y - r, x + r, y - k, x + r, y),
    ]  # fmt: skip
    return (
        f"{x + r:.5f} {y:.5f} m " + "".join(" ".join(f"{v:.5f}" for v in q) + " c " for q in quarter) + "h "
    )


def _pdf_file(content: bytes, d: Drawing) -> bytes:
    box = f"[0 0 {d.width_mm * _POINTS_PER_MM:.5f} {d.height_mm * _POINTS_PER_MM:.5f}]"
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents 4 0 R "
        "/Resources << /Font << /F1 5 0 R >> >> >>".encode(),
        b"<< /Length %d >>\nstream\n%b\nendstream" % (len(content), content),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
    ]
    out, places = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n"), []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%b\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)
    return bytes(out)


def draw_dxf(plate: Plate) -> str:
    """The plate for laser marking: closed outlines in millimetres, origin at point 0, y upward.

    Layers: PLATE (the plate's edge, for cutting), DOTS (circles), SQUARES and MARKERS (closed
    polylines; nested loops bound what is not marked).  What lies inside DOTS, SQUARES and MARKERS
    is the printed part, dark or bright as the plate is made.
    """
    d = draw(plate)
    ox, oy = d.origin_mm
    x, y, w, h = d.plate_mm
    out = ["0", "SECTION", "2", "HEADER", "9", "$ACADVER", "1", "AC1009", "9", "$INSUNITS", "70", "4",
                      "9", "$MEASUREMENT", "70", "1", "0", "ENDSEC"]  # fmt: skip
    out += ["0", "SECTION", "2", "TABLES", "0", "TABLE", "2", "LAYER", "70", "4"]
    for name in ("PLATE", "DOTS", "SQUARES", "MARKERS"):
        out += ["0", "LAYER", "2", name, "70", "0", "62", "7", "6", "CONTINUOUS"]
    out += ["0", "ENDTAB", "0", "ENDSEC", "0", "SECTION", "2", "ENTITIES"]
    edge = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    out += _dxf_loop(edge, "PLATE", ox, oy)
    for disc in d.discs:
        for radius in (disc.radius_mm, disc.hole_mm):
            if radius > 0:
                out += ["0", "CIRCLE", "8", "DOTS",
                        "10", f"{disc.x_mm - ox:.6f}", "20", f"{oy - disc.y_mm:.6f}",
                        "30", "0.0", "40", f"{radius:.6f}"]  # fmt: skip
    for loop in d.loops:
        out += _dxf_loop(loop, "SQUARES", ox, oy)
    for loop in d.marker_loops:
        out += _dxf_loop(loop, "MARKERS", ox, oy)
    return "\n".join([*out, "0", "ENDSEC", "0", "EOF"]) + "\n"


def _dxf_loop(loop: FloatArray, layer: str, ox: float, oy: float) -> list[str]:
    out = ["0", "POLYLINE", "8", layer, "66", "1", "70", "1", "10", "0.0", "20", "0.0", "30", "0.0"]
    for x, y in loop:
        out += ["0", "VERTEX", "8", layer, "10", f"{x - ox:.6f}", "20", f"{oy - y:.6f}", "30", "0.0"]
    return [*out, "0", "SEQEND", "8", layer]
