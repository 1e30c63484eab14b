"""The moving drawing of a move, from the operator's side.

The operator's axes: x right, y up, z away from the operator.  Who faces the cameras sees the
plate's back, and *toward the cameras* points away from them (+z); who stands behind the cameras
sees the printed face, and it points at them (-z).  Lengths are half plate widths.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from holdstill.records import Advice, Instruction, Lean, Order, Part, Place, Reach, Roll

Point = tuple[float, float]
Point3 = tuple[float, float, float]

WIDTH, HEIGHT = 360.0, 250.0
_EYE, _FOCUS, _RISE = 4.2, 330.0, 0.0
_LONG, _SHORT = 1.0, 0.7
_LEAN_DRAWN_DEG = 42.0
"""Leans are drawn stronger than they are meant, so that they can be told apart at two metres."""
_SAMPLES = 10

OFFSET: dict[Place, Point] = {
    Place.UPPER_LEFT: (-1, 1), Place.TOP: (0, 1), Place.UPPER_RIGHT: (1, 1),
    Place.LEFT: (-1, 0), Place.CENTRE: (0, 0), Place.RIGHT: (1, 0),
    Place.LOWER_LEFT: (-1, -1), Place.BOTTOM: (0, -1), Place.LOWER_RIGHT: (1, -1),
}  # fmt: skip
"""Where a place lies in the pictures: x right, y up."""


@dataclass(frozen=True, slots=True)
class Held:
    """The plate in the hands: turn in its own plane (1 = upright), lean (deg; about x: top toward
    the cameras; about y: the operator's right toward them), place in the field, nearness."""

    turn: float = 0.0
    tip_deg: float = 0.0
    swing_deg: float = 0.0
    x: float = 0.0
    y: float = 0.0
    near: float = 0.0


@dataclass(frozen=True, slots=True)
class MoveDrawing:
    """Ready for the template: SVG paths in a WIDTH x HEIGHT box; ``frames`` go from now to wished."""

    face_frames: tuple[str, ...]
    rim_frames: tuple[str, ...]
    grip_frames: tuple[tuple[Point, ...], tuple[Point, ...]]
    wished: str
    arrow: str
    head: str
    field: str
    field_reach: str
    cameras: tuple[Point, ...]
    dots_frames: tuple[str, ...]
    faces_cameras: bool
    moving: bool
    telling: str


def move_drawing(advice: Advice, *, faces_cameras: bool, cameras: int) -> MoveDrawing | None:
    """The drawing of the move asked for now; None when no cue is being asked for."""
    if advice.cue is None:
        return None
    instruction = advice.cue.instruction
    part = advice.guide.part if advice.guide is not None else Part.LEAN
    direction = advice.guide.direction if advice.guide is not None else ""
    if advice.order is Order.HOLD_STILL:
        part = Part.STILL
    start, end = _start_and_end(instruction, part, direction, faces_cameras=faces_cameras)
    frames = tuple(_between(start, end, _ease(i / (_SAMPLES - 1))) for i in range(_SAMPLES))
    arrow, head = _arrow(start, end, part, faces_cameras=faces_cameras)
    shows_field = part is Part.PLACE
    return MoveDrawing(
        face_frames=tuple(_outline(held, faces_cameras) for held in frames),
        rim_frames=tuple(_outline(held, faces_cameras, 0.86) for held in frames),
        grip_frames=(
            tuple(_grip(held, faces_cameras, -1) for held in frames),
            tuple(_grip(held, faces_cameras, 1) for held in frames),
        ),
        wished=_outline(end, faces_cameras, 1.04),
        arrow=arrow,
        head=head,
        field=_field() if shows_field else "",
        field_reach=_field_reach(instruction.place, faces_cameras=faces_cameras) if shows_field else "",
        cameras=_camera_places(cameras),
        dots_frames=() if faces_cameras else tuple(_dots(held) for held in frames),
        faces_cameras=faces_cameras,
        moving=part is not Part.STILL,
        telling=part.value,
    )


def _side(value: float, faces_cameras: bool) -> float:
    """A picture's x turned to the operator's."""
    return -value if faces_cameras else value


def _start_and_end(
    instruction: Instruction, part: Part, direction: str, *, faces_cameras: bool
) -> tuple[Held, Held]:
    """What is held now (as far as the parts before have brought it) and what is wished."""
    dx, dy = OFFSET[instruction.place]
    there = (_side(dx, faces_cameras), dy)
    reach = {Reach.MIDDLE: 0.0, Reach.NEARER: 1.0, Reach.FARTHER: -1.0}[instruction.reach]
    tip, swing = _lean(instruction.lean, faces_cameras=faces_cameras)
    rolled = Held(turn=1.0 if instruction.roll is Roll.UPRIGHT else 0.0)
    if part is Part.ROLL:
        return replace(rolled, turn=1.0 - rolled.turn), rolled
    if part is Part.REACH:
        back = {"nearer": -1.0, "farther": 1.0}.get(direction, -1.0 if reach >= 0 else 1.0)
        return replace(rolled, near=reach + back), replace(rolled, near=reach)
    if part is Part.PLACE:
        end = replace(rolled, x=there[0], y=there[1])
        if any(there):
            return rolled, end
        known = {place.value: place for place in Place}
        px, py = OFFSET[known[direction]] if direction in known else (1, 0)
        return replace(rolled, x=-_side(px, faces_cameras), y=-py), end
    settled = replace(rolled, x=0.25 * there[0], y=0.2 * there[1])
    leaned = replace(settled, tip_deg=tip, swing_deg=swing)
    if part is Part.STILL:
        return leaned, leaned
    if instruction.lean is Lean.FLAT:
        return replace(settled, tip_deg=_LEAN_DRAWN_DEG), leaned
    return settled, leaned


def _lean(lean: Lean, *, faces_cameras: bool) -> tuple[float, float]:
    """Tip (top toward the cameras positive) and swing (operator's right toward them), degrees."""
    right = _side(_LEAN_DRAWN_DEG, faces_cameras)
    return {
        Lean.FLAT: (0.0, 0.0),
        Lean.TOP: (_LEAN_DRAWN_DEG, 0.0),
        Lean.BOTTOM: (-_LEAN_DRAWN_DEG, 0.0),
        Lean.LEFT: (0.0, -right),
        Lean.RIGHT: (0.0, right),
    }[lean]


def _ease(t: float) -> float:
    return t * t * (3 - 2 * t)


def _between(a: Held, b: Held, t: float) -> Held:
    def mix(name: str) -> float:
        start, end = float(getattr(a, name)), float(getattr(b, name))
        return start + (end - start) * t

    return Held(mix("turn"), mix("tip_deg"), mix("swing_deg"), mix("x"), mix("y"), mix("near"))


def _in_space(held: Held, u: float, v: float, faces_cameras: bool, out: float = 0.0) -> Point3:
    """A point of the plate (u right, v up, `out` toward the cameras) in the operator's axes."""
    toward = 1.0 if faces_cameras else -1.0
    quarter = held.turn * math.pi / 2
    x = u * math.cos(quarter) - v * math.sin(quarter)
    y = u * math.sin(quarter) + v * math.cos(quarter)
    tip, swing = math.radians(held.tip_deg), math.radians(held.swing_deg)
    depth = y * math.sin(tip) + out * math.cos(tip)
    y = y * math.cos(tip) - out * math.sin(tip)
    depth, x = (
        depth * math.cos(swing) + x * math.sin(swing),
        x * math.cos(swing) - depth * math.sin(swing),
    )
    return x + 1.05 * held.x, y + 0.62 * held.y, toward * (depth + 1.25 * held.near)


def _on_paper(point: Point3) -> Point:
    x, y, z = point
    scale = _FOCUS / (_EYE + z)
    return WIDTH / 2 + scale * x, 142.0 - scale * (y + _RISE)


def _path(points: list[Point], *, close: bool = True) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if close else "")


def _outline(held: Held, faces_cameras: bool, size: float = 1.0) -> str:
    corners = [(-_LONG, _SHORT), (_LONG, _SHORT), (_LONG, -_SHORT), (-_LONG, -_SHORT)]
    inset = 1.0 - size
    return _path(
        [
            _on_paper(
                _in_space(held, u - math.copysign(inset, u), v - math.copysign(inset, v), faces_cameras)
            )
            for u, v in corners
        ]
    )


def _grip(held: Held, faces_cameras: bool, side: int) -> Point:
    """Where a hand holds the rim: at the operator's left (-1) or right (1) whatever the turn."""
    quarter = held.turn * math.pi / 2
    reach = _LONG * abs(math.cos(quarter)) + _SHORT * abs(math.sin(quarter))
    x, y = side * reach, -0.12
    u = x * math.cos(quarter) + y * math.sin(quarter)
    v = -x * math.sin(quarter) + y * math.cos(quarter)
    return _on_paper(_in_space(held, u, v, faces_cameras))


def _dots(held: Held) -> str:
    """The printed face as a person behind the cameras sees it: one path of small rounds."""
    pieces = []
    for row in range(4):
        for column in range(6):
            x, y = _on_paper(_in_space(held, -0.75 + 0.3 * column, 0.45 - 0.3 * row, False))
            pieces.append(f"M{x:.1f} {y:.1f}h0.01")
    return "".join(pieces)


def _arrow(start: Held, end: Held, part: Part, *, faces_cameras: bool) -> tuple[str, str]:
    """Shaft and head of the arrow that tells the way; empty when the plate is to be still."""
    if part is Part.STILL:
        return "", ""
    if part is Part.ROLL:
        way = 1.0 if end.turn > start.turn else -1.0
        points = []
        for i in range(13):
            angle = math.radians(90 - way * 50 + way * 100 * i / 12)
            points.append((WIDTH / 2 + 62 * math.cos(angle), 142 - 62 * math.sin(angle)))
        return _path(points, close=False), _head(points[-2], points[-1], 15)
    if part is Part.LEAN:
        middle = _between(start, end, 0.5)
        u, v = _leading_edge(start, end)
        out = 0.15 if end.tip_deg or end.swing_deg else -0.55
        tail, tip = (0.12, 0.75) if out > 0 else (0.75, 0.12)
        points = [_on_paper(_in_space(middle, u, v, faces_cameras, tail + (tip - tail) * k)) for k in (0, 1)]
    else:
        a = _on_paper(_in_space(start, 0, 0, faces_cameras))
        b = _on_paper(_in_space(end, 0, 0, faces_cameras))
        if part is Part.REACH:
            a, b = (WIDTH / 2, 168.0), (WIDTH / 2, 112.0)
            toward_cameras = (end.near > start.near) == faces_cameras
            if not toward_cameras:
                a, b = b, a
        points = [a, b]
    return _path(points, close=False), _head(points[0], points[1], 16)


def _leading_edge(start: Held, end: Held) -> Point:
    """The middle of the edge that moves toward the cameras, on the plate as it is turned."""
    tip = end.tip_deg - start.tip_deg
    swing = end.swing_deg - start.swing_deg
    x, y = (0.0, math.copysign(1.0, tip)) if tip else (math.copysign(1.0, swing), 0.0)
    quarter = end.turn * math.pi / 2
    u = x * math.cos(quarter) + y * math.sin(quarter)
    v = -x * math.sin(quarter) + y * math.cos(quarter)
    return u * _LONG * 0.8, v * _SHORT * 0.8


def _head(a: Point, b: Point, size: float) -> str:
    angle = math.atan2(b[1] - a[1], b[0] - a[0])
    tip = (b[0] + size * math.cos(angle), b[1] + size * math.sin(angle))
    wings = [
        (b[0] + size * math.cos(angle + turn), b[1] + size * math.sin(angle + turn))
        for turn in (math.pi * 0.62, -math.pi * 0.62)
    ]
    return _path([wings[0], tip, wings[1]])


def _field_corners() -> tuple[Point, Point]:
    return (WIDTH / 2 - 168, 142 - 104), (WIDTH / 2 + 168, 142 + 104)


def _field() -> str:
    (x0, y0), (x1, y1) = _field_corners()
    return _path([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


def _field_reach(place: Place, *, faces_cameras: bool) -> str:
    """The edge, or the two edges of the corner, to be reached."""
    dx, dy = OFFSET[place]
    dx = _side(dx, faces_cameras)
    (x0, y0), (x1, y1) = _field_corners()
    pieces = []
    if dx:
        x = x1 if dx > 0 else x0
        pieces.append(_path([(x, y0), (x, y1)], close=False))
    if dy:
        y = y0 if dy > 0 else y1
        pieces.append(_path([(x0, y), (x1, y)], close=False))
    return "".join(pieces)


def _camera_places(cameras: int) -> tuple[Point, ...]:
    """Centres of the small cameras: in a row, at most five drawn."""
    count = max(1, min(cameras, 5))
    spread = 0.0 if count == 1 else min(190.0, 95.0 * (count - 1))
    return tuple((WIDTH / 2 + spread * (i / max(1, count - 1) - 0.5), 20.0) for i in range(count))
