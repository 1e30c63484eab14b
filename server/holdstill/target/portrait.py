"""What the eye saw, drawn over the picture: fit for a bug report."""

from __future__ import annotations

import cv2
import numpy as np

from holdstill.records import DotFlag, Nothing, Picture, Plate, Sighting

from .blobs import to_8_bits

_OUTLINE, _DOT, _ODD, _MISSING = (214, 164, 86), (214, 164, 86), (0, 159, 230), (167, 121, 204)
"""Blue, amber and purple of a set that colour-blind people can tell apart (BGR), after Okabe & Ito."""


def picture_of(
    image: Picture, full_scale: int, plate: Plate | None, seen: Sighting | Nothing, caption: str
) -> bytes:
    """PNG of the picture with outline, points, numbers of the corners and missing points drawn in.

    Every point has a cross at its centre and the number of its column and row at the first and last
    of each row; odd ones (clipped, shaded, at the border, suspect) are squares, missing ones
    diamonds.  The first point carries a ring and arrows along the row and the column.
    """
    grey = to_8_bits(image, full_scale)
    zoom = max(1, int(np.ceil(1400 / max(grey.shape))))
    canvas = cv2.cvtColor(
        cv2.resize(grey, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_NEAREST), cv2.COLOR_GRAY2BGR
    )
    thick = max(1, round(max(canvas.shape) / 1400))
    if isinstance(seen, Sighting) and plate is not None:
        _draw_points(canvas, plate, seen, zoom, thick)
    scale = 0.5 * thick
    bar = int(34 * scale) + 8
    foot = np.full((bar, canvas.shape[1], 3), 24, np.uint8)
    words = caption.encode("ascii", "replace").decode()
    cv2.putText(foot, words, (8, bar - 10), cv2.FONT_HERSHEY_SIMPLEX, scale,
                (235, 235, 235), thick, cv2.LINE_AA)  # fmt: skip
    done, data = cv2.imencode(".png", np.vstack([canvas, foot]))
    if not done:
        raise ValueError("the drawing could not be encoded")
    return bytes(data)


def _draw_points(canvas: np.ndarray, plate: Plate, seen: Sighting, zoom: int, thick: int) -> None:
    def spot(xy: np.ndarray) -> tuple[int, int]:
        return round((xy[0] + 0.5) * zoom * 16 - 8), round((xy[1] + 0.5) * zoom * 16 - 8)

    ring = np.array([spot(p) for p in seen.outline_px], dtype=np.int32)
    cv2.polylines(canvas, [ring], True, _OUTLINE, thick, cv2.LINE_AA, 4)
    arm = 5 * thick * 16
    for number, point, flag in zip(seen.point_ids, seen.points_px, seen.flags, strict=True):
        x, y = spot(point)
        odd = bool(flag & ~int(DotFlag.EDGE))
        colour = _ODD if odd else _DOT
        cv2.line(canvas, (x - arm, y), (x + arm, y), colour, thick, cv2.LINE_AA, 4)
        cv2.line(canvas, (x, y - arm), (x, y + arm), colour, thick, cv2.LINE_AA, 4)
        if odd:
            low, high = (x - arm) // 16, (y - arm) // 16
            cv2.rectangle(canvas, (low, high), (low + arm // 8, high + arm // 8), colour, thick)
        row, column = divmod(int(number), plate.columns)
        if column in (0, plate.columns - 1):
            cv2.putText(canvas, f"{column},{row}", (x // 16 + 7 * thick, y // 16 - 6 * thick),
                        cv2.FONT_HERSHEY_SIMPLEX, 0.35 * thick, colour, thick, cv2.LINE_AA)  # fmt: skip
    at = {int(n): p for n, p in zip(seen.point_ids, seen.points_px, strict=True)}
    if 0 in at:
        x, y = spot(at[0])
        cv2.circle(canvas, (x // 16, y // 16), 11 * thick, _OUTLINE, thick, cv2.LINE_AA)
        for other in (1, plate.columns):
            if other in at:
                ox, oy = spot(at[other])
                cv2.arrowedLine(
                    canvas, (x // 16, y // 16), (ox // 16, oy // 16), _OUTLINE, thick, cv2.LINE_AA
                )
    if len(seen.missing_ids):
        from .viewmap import fit_view_map

        mm = plate.points_mm()[:, :2]
        view, _ = fit_view_map(mm[seen.point_ids], seen.points_px, seen.image_size_px)
        for point in view(mm[seen.missing_ids]):
            x, y = spot(point)
            r = 8 * thick
            corners = np.array(
                [
                    [x // 16, y // 16 - r],
                    [x // 16 + r, y // 16],
                    [x // 16, y // 16 + r],
                    [x // 16 - r, y // 16],
                ]
            )
            cv2.polylines(canvas, [corners.astype(np.int32)], True, _MISSING, thick, cv2.LINE_AA)
