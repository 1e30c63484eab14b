"""The drawing of the move and the small charts: right way round, inside their boxes."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.records import Instruction, Lean, Order, Part, Place, Reach, Roll, TiltMark, TracePoint
from holdstill.web.views.charts import dial_mark, field_cells, focus_path, needle_deg, trace_drawing
from holdstill.web.views.move import MoveDrawing, move_drawing
from web.scenes import asking


def corners(path: str) -> list[tuple[float, float]]:
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", path)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def drawn(part: Part, *, faces: bool, direction: str = "", **wish: object) -> MoveDrawing:
    base = {
        "lean": Lean.FLAT,
        "lean_deg": 30.0,
        "place": Place.CENTRE,
        "reach": Reach.MIDDLE,
        "roll": Roll.LYING,
    }
    instruction = Instruction(**(base | wish))  # type: ignore[arg-type]
    made = move_drawing(asking(instruction, part, Order.MOVE, direction), faces_cameras=faces, cameras=2)
    assert made is not None
    return made


def edge_lengths(path: str) -> dict[str, float]:
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners(path)
    return {
        "top": abs(bx - ax), "bottom": abs(cx - dx), "right": abs(cy - by), "left": abs(dy - ay),
    }  # fmt: skip


@pytest.mark.parametrize("faces", [True, False])
def test_the_edge_that_goes_toward_the_cameras_recedes_only_for_who_faces_them(faces: bool) -> None:
    opposite = {"top": "bottom", "bottom": "top", "left": "right", "right": "left"}
    for lean in (Lean.TOP, Lean.BOTTOM, Lean.LEFT, Lean.RIGHT):
        edge = lean.value
        if faces and edge in ("left", "right"):
            edge = opposite[edge]  # the operator's side
        lengths = edge_lengths(drawn(Part.LEAN, faces=faces, lean=lean).face_frames[-1])
        if faces:
            assert lengths[edge] < lengths[opposite[edge]], lean
        else:
            assert lengths[edge] > lengths[opposite[edge]], lean


def test_who_faces_the_cameras_sees_the_back_and_the_cameras_beyond_it() -> None:
    front = drawn(Part.LEAN, faces=True, lean=Lean.TOP)
    behind = drawn(Part.LEAN, faces=False, lean=Lean.TOP)
    assert front.dots_frames == ()
    assert behind.dots_frames
    assert front.cameras[0].y < min(y for _, y in corners(front.face_frames[0]))
    assert behind.cameras[0].y > max(y for _, y in corners(behind.face_frames[0]))


def test_nearer_the_cameras_is_smaller_for_who_faces_them_and_larger_for_who_does_not() -> None:
    for faces in (True, False):
        made = drawn(Part.REACH, faces=faces, reach=Reach.NEARER, direction="nearer")
        first, last = (edge_lengths(path)["top"] for path in (made.face_frames[0], made.face_frames[-1]))
        assert (last < first) == faces


@pytest.mark.parametrize("place", [Place.LEFT, Place.UPPER_LEFT, Place.RIGHT, Place.BOTTOM])
def test_a_place_lies_on_the_operators_side(place: Place) -> None:
    ends = {}
    for faces in (True, False):
        made = drawn(Part.PLACE, faces=faces, place=place, direction=place.value)
        xs, ys = zip(*corners(made.face_frames[-1]), strict=True)
        ends[faces] = (sum(xs) / 4, sum(ys) / 4)
        assert made.field_reach
        assert made.cameras == ()
    assert ends[True][0] == pytest.approx(-ends[False][0], abs=0.2)
    assert ends[True][1] == pytest.approx(ends[False][1], abs=0.2)
    if place is Place.LEFT:
        assert ends[True][0] > 50


def test_a_plate_to_be_held_still_does_not_move() -> None:
    made = drawn(Part.STILL, faces=True, lean=Lean.TOP)
    assert len(set(made.face_frames)) == 1
    assert made.arrows == ()
    assert not made.moving


@given(
    part=st.sampled_from(list(Part)), faces=st.booleans(), lean=st.sampled_from(list(Lean)),
    place=st.sampled_from(list(Place)), reach=st.sampled_from(list(Reach)), roll=st.sampled_from(list(Roll)),
)  # fmt: skip
def test_everything_drawn_lies_in_the_box(
    part: Part, faces: bool, lean: Lean, place: Place, reach: Reach, roll: Roll
) -> None:
    made = drawn(part, faces=faces, lean=lean, place=place, reach=reach, roll=roll)
    left, top, width, height = (float(n) for n in made.view_box.split())
    assert width >= 1.49 * height
    for path in (made.face_frames[0], made.face_frames[-1], made.wished, *made.arrows, made.field):
        for x, y in corners(path):
            assert left <= x <= left + width
            assert top <= y <= top + height


@given(x=st.floats(-90, 90), y=st.floats(-90, 90), faces=st.booleans())
def test_a_tilt_stays_on_the_dial_and_on_its_side(x: float, y: float, faces: bool) -> None:
    mark = dial_mark(TiltMark(x, y), faces_cameras=faces)
    assert (mark.x - 50) ** 2 + (mark.y - 50) ** 2 <= 44.01**2
    assert (mark.x - 50) * (-x if faces else x) >= 0
    assert (50 - mark.y) * y >= 0


def test_the_field_map_reads_from_the_operators_side() -> None:
    cells = field_cells({Place.UPPER_LEFT: 3}, Place.RIGHT, faces_cameras=True)
    full = next(c for c in cells if c.views == 3)
    wished = next(c for c in cells if c.wished)
    assert (full.column, full.row) == (2, 0)
    assert (wished.column, wished.row) == (0, 1)


@given(st.lists(st.floats(1e-3, 1e4), min_size=1, max_size=60), st.floats(1e-2, 1e3))
def test_the_trace_falls_when_the_value_falls_and_stays_in_its_box(values: list[float], goal: float) -> None:
    trace = trace_drawing([TracePoint(i + 1, v) for i, v in enumerate(values)], goal, 12)
    points = corners(trace.path)
    for (_, y0), (_, y1), v0, v1 in zip(points, points[1:], values, values[1:], strict=False):
        assert (y1 >= y0 - 0.11) if v1 <= v0 else (y1 <= y0 + 0.11)
    assert all(0 <= x <= trace.width and 0 <= y <= trace.height for x, y in points)
    assert 0 <= trace.goal_y <= trace.height
    assert trace.reached == (values[-1] <= goal)


def test_a_trace_leaves_out_what_is_no_number() -> None:
    trace = trace_drawing([TracePoint(1, float("nan")), TracePoint(2, 0.0), TracePoint(3, 5.0)], 2.0, 12)
    assert len(corners(trace.path)) == 1


@given(st.lists(st.floats(0, 10), max_size=200), st.one_of(st.none(), st.floats(0, 10)))
def test_the_focus_path_stays_below_the_best(values: list[float], best: float | None) -> None:
    made = focus_path(values, best)
    assert 0 <= made.best_y <= made.height
    assert all(-6 <= x <= made.width and 0 <= y <= made.height for x, y in corners(made.path))


def test_the_needle_turns_with_the_share() -> None:
    turns = [needle_deg(share) for share in (-1, 0, 0.25, 0.5, 1, 2)]
    assert turns == sorted(turns)
    assert turns[0] == -80
    assert turns[-1] == 80
