"""The moving drawing of a move, from the operator's side.

The operator's axes: x right, y up, z away from the operator.  Who faces the cameras sees the
plate's back, and *toward the cameras* points away from them (+z); who stands behind the cameras
sees the printed face, and it points at them (-z).  Lengths are half plate widths.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain

from holdstill.records import Advice, Instruction, Lean, Order, Part, Place, Reach, Roll

Point = tuple[float, float]
Point3 = tuple[float, float, float]

_EYE, _FOCUS = 5.2, 440.0
"""The onlooker: how far from the plate, and how strong the lens."""
_LONG, _SHORT = 1.0, 0.7
_LEAN_DRAWN_DEG = 40.0
"""Leans are drawn stronger than they are meant, so that they can be told apart at two metres."""
_SAMPLES = 10

OFFSET: dict[Place, Point] = {
    Place.UPPER_LEFT: (-1, 1), Place.TOP: (0, 1), Place.UPPER_RIGHT: (1, 1),
    Place.LEFT: (-1, 0), Place.CENTRE: (0, 0), Place.RIGHT: (1, 0),
    Place.LOWER_LEFT: (-1, -1), Place.BOTTOM: (0, -1), Place.LOWER_RIGHT: (1, -1),
}  # fmt: skip
"""Where a place lies in the pictures: x right, y up."""


@dataclass(frozen=True, slots=True)
class Eye:
    """The onlooker: the operator's side, and how far raised above the plate (degrees)."""

    faces_cameras: bool
    pitch_deg: float = 24.0

    def side(self, value: float) -> float:
        """A picture's x turned to the operator's."""
        return -value if self.faces_cameras else value

    @property
    def toward(self) -> float:
        """The sign of z that points toward the cameras."""
        return 1.0 if self.faces_cameras else -1.0

    def on_paper(self, point: Point3) -> Point:
        """Where a point of the operator's space falls on paper (y down); away goes up."""
        x, y, z = point
        pitch = math.radians(self.pitch_deg)
        up = y * math.cos(pitch) + z * math.sin(pitch)
        scale = _FOCUS / (_EYE + z * math.cos(pitch) - y * math.sin(pitch))
        return scale * x, -scale * up


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
class CameraMark:
    """A small camera: centre and scale on paper."""

    x: float
    y: float
    scale: float


@dataclass(frozen=True, slots=True)
class MoveDrawing:
    """Ready for the template: SVG paths inside ``view_box``; ``frames`` go from now to wished."""

    view_box: str
    face_frames: tuple[str, ...]
    rim_frames: tuple[str, ...]
    grip_frames: tuple[tuple[Point, ...], tuple[Point, ...]]
    dots_frames: tuple[str, ...]
    wished: str
    arrows: tuple[str, ...]
    field: str
    field_reach: str
    cameras: tuple[CameraMark, ...]
    bar: str
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
    eye = Eye(faces_cameras, 0.0) if part is Part.PLACE else Eye(faces_cameras)
    start, end = _start_and_end(instruction, part, direction, eye)
    frames = tuple(_between(start, end, _ease(i / (_SAMPLES - 1))) for i in range(_SAMPLES))
    outlines = [_outline(held, eye) for held in frames]
    wished = _outline(end, eye, 1.05)
    arrows = _arrows(start, end, part, eye)
    field = _field_corners(eye) if part is Part.PLACE else []
    marks = () if field else _camera_marks(cameras, eye)
    return MoveDrawing(
        view_box=_view_box(
            [*outlines[0], *outlines[-1], *wished, *field, *chain.from_iterable(arrows)], marks
        ),
        face_frames=tuple(_path(outline) for outline in outlines),
        rim_frames=tuple(_path(_outline(held, eye, 0.86)) for held in frames),
        grip_frames=(
            tuple(_grip(held, eye, -1) for held in frames),
            tuple(_grip(held, eye, 1) for held in frames),
        ),
        dots_frames=() if faces_cameras else tuple(_dots(held, eye) for held in frames),
        wished=_path(wished),
        arrows=tuple(_path(arrow) for arrow in arrows),
        field=_path(field) if field else "",
        field_reach=_field_reach(instruction.place, eye) if field else "",
        cameras=marks,
        bar=_path([(marks[0].x - 8, marks[0].y), (marks[-1].x + 8, marks[-1].y)], close=False)
        if marks
        else "",
        faces_cameras=faces_cameras,
        moving=part is not Part.STILL,
        telling=part.value,
    )


def _start_and_end(instruction: Instruction, part: Part, direction: str, eye: Eye) -> tuple[Held, Held]:
    """What is held now (as far as the parts before have brought it) and what is wished."""
    dx, dy = OFFSET[instruction.place]
    there = (eye.side(dx), dy)
    reach = {Reach.MIDDLE: 0.0, Reach.NEARER: 1.0, Reach.FARTHER: -1.0}[instruction.reach]
    tip, swing = _lean(instruction.lean, eye)
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
        return replace(rolled, x=-eye.side(px), y=-py), end
    settled = replace(rolled, x=0.25 * there[0], y=0.2 * there[1])
    leaned = replace(settled, tip_deg=tip, swing_deg=swing)
    if part is Part.STILL:
        return leaned, leaned
    if instruction.lean is Lean.FLAT:
        return replace(settled, tip_deg=_LEAN_DRAWN_DEG), leaned
    return settled, leaned


def _lean(lean: Lean, eye: Eye) -> tuple[float, float]:
    """Tip (top toward the cameras positive) and swing (operator's right toward them), degrees."""
    right = eye.side(_LEAN_DRAWN_DEG)
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


def _in_space(held: Held, u: float, v: float, eye: Eye, out: float = 0.0) -> Point3:
    """A point of the plate (u right, v up, `out` toward the cameras) in the operator's axes."""
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
    return x + 1.05 * held.x, y + 0.62 * held.y, eye.toward * (depth + 1.25 * held.near)


def _path(points: Sequence[Point], *, close: bool = True) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if close else "")


def _view_box(points: Sequence[Point], cameras: Sequence[CameraMark]) -> str:
    """The box that holds everything, never narrower than half as wide again as it is high."""
    xs = [x for x, _ in points] + [c.x + side * 30 * c.scale for c in cameras for side in (-1, 1)]
    ys = [y for _, y in points] + [c.y + side * 22 * c.scale for c in cameras for side in (-1, 1)]
    left, right, top, bottom = min(xs) - 16, max(xs) + 16, min(ys) - 10, max(ys) + 12
    widen = max(0.0, 1.5 * (bottom - top) - (right - left)) / 2
    return f"{left - widen:.0f} {top:.0f} {right - left + 2 * widen:.0f} {bottom - top:.0f}"


def _outline(held: Held, eye: Eye, size: float = 1.0) -> list[Point]:
    inset = 1.0 - size
    return [
        eye.on_paper(_in_space(held, u - math.copysign(inset, u), v - math.copysign(inset, v), eye))
        for u, v in ((-_LONG, _SHORT), (_LONG, _SHORT), (_LONG, -_SHORT), (-_LONG, -_SHORT))
    ]


def _on_plate(held: Held, x: float, y: float) -> Point:
    """The plate's own u, v of a point given upright (x right, y up) whatever the plate's turn."""
    quarter = held.turn * math.pi / 2
    return x * math.cos(quarter) + y * math.sin(quarter), -x * math.sin(quarter) + y * math.cos(quarter)


def _half_size(held: Held) -> Point:
    """Half width and half height as held upright in the hands (exact at quarter turns)."""
    quarter = held.turn * math.pi / 2
    across, along = abs(math.cos(quarter)), abs(math.sin(quarter))
    return _LONG * across + _SHORT * along, _SHORT * across + _LONG * along


def _grip(held: Held, eye: Eye, side: int) -> Point:
    """Where a hand holds the rim: at the operator's left (-1) or right (1) whatever the turn."""
    u, v = _on_plate(held, side * _half_size(held)[0], -0.12)
    return eye.on_paper(_in_space(held, u, v, eye))


def _dots(held: Held, eye: Eye) -> str:
    """The printed face as a person behind the cameras sees it: one path of small rounds."""
    pieces = []
    for row in range(4):
        for column in range(6):
            x, y = eye.on_paper(_in_space(held, -0.75 + 0.3 * column, 0.45 - 0.3 * row, eye))
            pieces.append(f"M{x:.1f} {y:.1f}h0.01")
    return "".join(pieces)


def _arrows(start: Held, end: Held, part: Part, eye: Eye) -> list[list[Point]]:
    """The arrows that tell the way, as outlines; none when the plate is to be still or flat."""
    if part is Part.ROLL:
        return [_turn_arrow(1.0 if end.turn > start.turn else -1.0, eye)]
    if part is Part.PLACE:
        return [_flat_arrow(start, end, eye)]
    toward = eye.toward
    if part is Part.REACH:
        way = toward * (1.0 if end.near > start.near else -1.0)
        reach = _half_size(end)[0] + 0.42
        return [_floor_arrow((side * reach, -0.5, -0.75 * way), way, 1.5, eye) for side in (-1, 1)]
    if part is Part.LEAN and (end.tip_deg or end.swing_deg):
        x, y = _leading_edge(end)
        u, v = _on_plate(end, x, y)
        edge = _in_space(end, u, v, eye)
        if y < 0:  # pushed from the front, so that the plate does not hide it
            return [_floor_arrow((edge[0], edge[1] - 0.05, edge[2] - toward * 1.25), toward, 1.15, eye)]
        return [_floor_arrow((edge[0] * 1.04, edge[1] + 0.02, edge[2] + toward * 0.15), toward, 1.3, eye)]
    return []


def _leading_edge(end: Held) -> Point:
    """The middle of the edge that comes toward the cameras (x right, y up, as held)."""
    across, up = _half_size(end)
    if end.tip_deg:
        return 0.0, math.copysign(up, end.tip_deg)
    return math.copysign(across, end.swing_deg), 0.0


_ARROW = ((-0.1, 0.0), (-0.1, 0.56), (-0.25, 0.56), (0.0, 1.0), (0.25, 0.56), (0.1, 0.56), (0.1, 0.0))
"""An arrow of length 1: across, along."""


def _floor_arrow(base: Point3, way: float, length: float, eye: Eye) -> list[Point]:
    """An arrow lying level, as if painted on a floor, pointing along +z (way 1) or -z (-1)."""
    x, y, z = base
    return [eye.on_paper((x + 1.5 * across, y, z + way * length * along)) for across, along in _ARROW]


def _flat_arrow(start: Held, end: Held, eye: Eye) -> list[Point]:
    """An arrow in the pictures' plane, from where the plate is to where it is wished."""
    x0, y0, z0 = _in_space(start, 0, 0, eye)
    x1, y1, _ = _in_space(end, 0, 0, eye)
    length = math.hypot(x1 - x0, y1 - y0) or 1.0
    dx, dy = (x1 - x0) / length, (y1 - y0) / length
    drawn = min(1.15, length)
    return [
        eye.on_paper((x0 + dx * drawn * along - dy * across, y0 + dy * drawn * along + dx * across, z0))
        for across, along in _ARROW
    ]


def _turn_arrow(way: float, eye: Eye) -> list[Point]:
    """An arc with a head about the plate's middle; way 1 turns anticlockwise on paper."""

    def at(angle_deg: float, radius: float) -> Point:
        angle = math.radians(90 + way * angle_deg)
        return eye.on_paper((radius * math.cos(angle), radius * math.sin(angle), 0.0))

    outer = [at(angle, 0.62) for angle in range(-60, 31, 10)]
    inner = [at(angle, 0.42) for angle in range(30, -61, -10)]
    return [*outer, at(30, 0.78), at(62, 0.52), at(30, 0.26), *inner]


def _field_corners(eye: Eye) -> list[Point]:
    """The frame of the pictures, around every place the plate may be asked to."""
    return [eye.on_paper((x, y, 0.0)) for x, y in ((-2.1, 1.36), (2.1, 1.36), (2.1, -1.36), (-2.1, -1.36))]


def _field_reach(place: Place, eye: Eye) -> str:
    """The edge, or the two edges of the corner, to be reached."""
    dx, dy = OFFSET[place]
    dx = eye.side(dx)
    upper_left, upper_right, lower_right, lower_left = _field_corners(eye)
    edges = []
    if dx:
        edges.append((upper_right, lower_right) if dx > 0 else (upper_left, lower_left))
    if dy:
        edges.append((upper_left, upper_right) if dy > 0 else (lower_left, lower_right))
    return "".join(_path(edge, close=False) for edge in edges)


def _camera_marks(cameras: int, eye: Eye) -> tuple[CameraMark, ...]:
    """The cameras in a row beyond the plate, or before it for who stands behind them; at most five."""
    count = max(1, min(cameras, 5))
    spread = 0.0 if count == 1 else min(2.6, 1.3 * (count - 1))
    y, z = (1.0, 2.7) if eye.faces_cameras else (-1.05, -1.35)
    marks = []
    for i in range(count):
        offset = spread * (i / max(1, count - 1) - 0.5)
        x, up = eye.on_paper((offset, y, z))
        marks.append(CameraMark(x, up, eye.on_paper((offset + 1, y, z))[0] / 85.0 - x / 85.0))
    return tuple(marks)
