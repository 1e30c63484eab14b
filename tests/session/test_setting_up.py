"""The Focus and Light steps from shot to shot: what is said, what counts as done, what is wrong."""

import math
from dataclasses import replace

import numpy as np
import pytest

from holdstill import session
from holdstill.limits import limit
from holdstill.measure import causes
from holdstill.measure.lighting import Aim
from holdstill.phrases import say
from holdstill.records import (
    CameraDescription,
    Coverage,
    FrameMeasures,
    GlarePatch,
    Nothing,
    Place,
    PlateLight,
    Rhythm,
    Rig,
    Say,
    ShotReport,
    Standstill,
    Step,
    Trouble,
    View,
)
from holdstill.records import events as ev
from holdstill.session.aiming import RigWatch, warm_note
from holdstill.session.focusing import (
    Focusing,
    aperture,
    box_cells,
    focus_gauge,
    focus_shown,
    focusing_step,
    part_cells,
    snapped,
)
from holdstill.session.light import LightWatch, findings, light_shown, light_step, on_plate, with_subject
from holdstill.session.rig_form import described
from holdstill.session.setup import SettingUp, focus_done, light_done
from holdstill.session.troubles import Found
from session.fabric import CAMERAS, RIG, estimate, opening, sighting, view

GRID = (8, 9)
RHYTHM = Rhythm("stream", 0.1, 10, True, 0.0)
AROUND = session.Around(0.0, "dots", RHYTHM, Coverage((), None, dict.fromkeys(Place, 0), None, ()))


def measures(
    camera: str,
    blur_px: float = 0.0,
    *,
    level: float = 80.0,
    pattern: np.ndarray | None = None,
    **changes: object,
) -> FrameMeasures:
    """A patterned scene with a blur circle: the sharpness of a step edge, in every region."""
    sharp = 0.02 / math.sqrt(0.7**2 + (blur_px / 4.0) ** 2)
    regions = np.full(GRID, sharp) if pattern is None else sharp * pattern
    made = FrameMeasures(
        camera=camera, mean_level=level, sharpness=float(regions.mean()),
        sharpness_regions=tuple(float(v) for v in regions.ravel()), region_grid=GRID,
        edge_width_px=2.563 * math.sqrt(0.7**2 + (blur_px / 4.0) ** 2), saturated_share=0.0,
        saturated_in_dots=None, saturated_outside=None, clip_level=255.0, dot_fill=None, ground_fill=None,
        evenness=None, noise_gray=1.0, high_share=0.6, low_share=0.1, sharpness_sigma=1e-5,
        region_means=tuple([level] * GRID[0] * GRID[1]),
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def shot(number: int, seen: dict[str, FrameMeasures], exposure_ms: float | None = 5.0) -> ShotReport:
    told = {} if exposure_ms is None else dict.fromkeys(seen, exposure_ms)
    sizes = dict.fromkeys(seen, (640, 480))
    return ShotReport(number, str(number), 100.0 * number, False, {}, seen, {}, sizes, {}, exposure_ms=told)


def swept(path: list[float], camera: str = "left", state: Focusing | None = None) -> Focusing:
    """The Focus step after the ring of one camera was turned along a path of blur circles."""
    state = state or Focusing()
    begun = sum(len(g["whole"].path) for g in state.gauges.values())
    for k, blur in enumerate(path):
        seen = {c: measures(c, blur if c == camera else 6.0) for c in CAMERAS}
        state = focusing_step(state, shot(begun + k, seen), routine=True)
    return state


PAST_AND_BACK = [*np.linspace(8, 0, 30), *np.linspace(0, 4, 14), *np.linspace(4, 0, 14), *[0.0] * 16]


def test_parts_share_out_the_picture() -> None:
    named = [part_cells(GRID, part) for part in ("centre", "edges", "corners")]
    assert sorted(k for cells in named for k in cells) == list(range(72))
    assert 0 in named[2]
    assert 4 * 9 + 4 in named[0]


def test_a_dragged_box_takes_the_regions_it_touches() -> None:
    assert box_cells(GRID, (0.0, 0.0, 1.0, 1.0)) == tuple(range(72))
    assert box_cells(GRID, (0.5, 0.5, 0.51, 0.51)) == (4 * 9 + 4,)
    left, top, right, bottom = snapped(GRID, (0.3, 0.3, 0.5, 0.4))
    assert left <= 0.3
    assert top <= 0.3
    assert right >= 0.5
    assert bottom >= 0.4


def test_the_gauge_follows_the_part_that_was_dragged() -> None:
    corner = np.ones(GRID)
    corner[:2, :2] = 0.25
    state = replace(Focusing(), boxes={"left": (0.0, 0.0, 0.2, 0.2)})
    for k, soft in enumerate([1.0] * 6 + [0.6] * 8):
        pattern = np.where(corner < 1, soft, 1.0)
        seen = {"left": measures("left", 0.0, pattern=pattern)}
        state = focusing_step(state, shot(k, seen), routine=False)
    told = focus_gauge(state, "left")
    shares = {p.part: p.share for p in told.parts}
    assert told.share == pytest.approx(0.6, abs=0.02)
    assert shares["whole"] is not None
    assert shares["whole"] > 0.95
    assert shares["corners"] is not None
    assert shares["corners"] < 0.95
    assert told.box is not None


def test_the_ring_that_alone_changes_is_the_one_turned() -> None:
    state = swept(list(np.linspace(8, 4, 12)))
    assert state.turned == "left"
    state = swept(list(np.linspace(8, 4, 12)), "right", state)
    assert state.turned == "right"
    held = swept(list(np.linspace(4, 8, 12)), "left", replace(state, turned="right", held=True))
    assert held.turned == "right"


def test_focus_is_done_when_every_ring_was_left_at_its_peak() -> None:
    state = swept(PAST_AND_BACK)
    told = focus_gauge(state, "left")
    assert told.order == "there"
    assert told.passed
    assert told.peak_at is not None
    assert not focus_shown(state, CAMERAS)
    assert focus_shown(swept(PAST_AND_BACK, "right", state), CAMERAS)


def test_after_an_opened_aperture_the_check_at_the_working_stop_is_wanted_too() -> None:
    state = Focusing()
    k = 0

    def frames(count: int, level: float, exposure_ms: float, blur: float = 0.0) -> None:
        nonlocal state, k
        for _ in range(count):
            seen = {"left": measures("left", blur, level=level)}
            state = focusing_step(state, shot(k, seen, exposure_ms), routine=True)
            k += 1

    frames(12, 20.0, 5.0, 8.0)
    frames(12, 80.0, 5.0, 8.0)  # two stops of aperture
    for blur in PAST_AND_BACK:
        frames(1, 80.0, 5.0, float(blur))
    assert not focus_shown(state, ("left",))
    frames(14, 20.0, 5.0)
    frames(14, 80.0, 20.0)
    assert focus_shown(state, ("left",))


def test_a_solve_alone_makes_neither_step_done() -> None:
    state = session.replay([opening(), ev.Solved(1.0, estimate((1,), 3.0), (1,))])
    assert not focus_done(state)
    assert not light_done(state)
    advice = session.advise(state, session.Live(), RHYTHM, 0.0)
    steps = {s.step: s.state for s in session.snapshot(state, session.Live(), advice, AROUND).steps}
    assert steps[Step.FOCUS] == steps[Step.LIGHT] == "todo"


def test_steps_are_done_by_what_the_pictures_showed() -> None:
    state = session.replay([opening(), ev.StepShown(1.0, Step.FOCUS), ev.StepShown(2.0, Step.LIGHT)])
    assert focus_done(state)
    assert light_done(state)


def kept(count: int, *, blur_px: float, fill: float) -> session.State:
    events: list[ev.Event] = [opening()]
    for n in range(1, count + 1):
        seen = {c: replace(sighting(c), blur_px=blur_px) for c in CAMERAS}
        lit = {c: measures(c, dot_fill=fill, ground_fill=0.1) for c in CAMERAS}
        base = view(n)
        shown = View(n, base.name, base.taken_at_ms, seen, lit)
        events.append(ev.ViewKept(float(n), shown, None))
    return session.replay(events)


def test_kept_views_speak_for_a_folder_that_was_never_focused_here() -> None:
    enough = int(limit("least_views"))
    sharp = kept(enough, blur_px=0.9, fill=0.98)
    assert focus_done(sharp)
    assert light_done(sharp)
    spoilt = kept(enough, blur_px=2.4, fill=0.4)
    assert not focus_done(spoilt)
    assert not light_done(spoilt)
    few = kept(enough - 1, blur_px=0.9, fill=0.98)
    assert not focus_done(few)


def test_views_that_were_darker_than_need_be_are_told_by_how_much() -> None:
    dim = session.dim_views(kept(4, blur_px=0.9, fill=0.25).standing(proof=False))
    assert dim is not None
    assert dim[0] == 0.25
    assert dim[1] == pytest.approx(2.0)
    assert session.dim_views(kept(4, blur_px=0.9, fill=0.97).standing(proof=False)) is None
    assert session.dim_views([]) is None


# -- light -----------------------------------------------------------------------------------------


def lit(camera: str, **changes: object) -> FrameMeasures:
    """A plate in good light."""
    light = PlateLight(0.0, 0.0, 0.02, 0.02, 0.0)
    usual: dict[str, object] = {"dot_fill": 0.96, "ground_fill": 0.1, "evenness": 0.9, "light": light}
    return measures(camera, **(usual | changes))  # type: ignore[arg-type]


def looked(
    left: FrameMeasures, right: FrameMeasures | None = None, **watch: object
) -> list[tuple[str, str | None]]:
    """Findings on one shot, as (kind, camera)."""
    seen = {"left": left, "right": right or lit("right")}
    sightings = {c: sighting(c) for c in CAMERAS if seen[c].dot_fill is not None}
    report = shot(1, seen)
    state = light_step(replace(LightWatch(), **watch), report, sightings, RIG)  # type: ignore[arg-type]
    found = findings(state, report, sightings, RIG)
    for one in found:
        assert say(one.what)
        assert one.remedy is not None
        assert say(one.remedy)
    return [(f.kind, f.camera) for f in found]


def test_good_light_has_no_findings_and_is_done_after_a_while() -> None:
    seen = {c: lit(c) for c in CAMERAS}
    sightings = {c: sighting(c) for c in CAMERAS}
    state = LightWatch()
    assert looked(lit("left")) == []
    for k in range(int(limit("light_good_frames"))):
        assert not light_shown(state, single=False)
        state = light_step(state, shot(k, seen), sightings, RIG)
    assert light_shown(state, single=False)
    dark = light_step(
        state, shot(99, seen | {"left": lit("left", dot_fill=0.3, ground_fill=0.03)}), sightings, RIG
    )
    assert not light_shown(dark, single=False)


@pytest.mark.parametrize(
    ("spoilt", "kind"),
    [
        ({"dot_fill": 0.3, "ground_fill": 0.03}, "dark"),
        ({"dot_fill": 1.0, "ground_fill": 0.5}, "bright"),
        (
            {"high_share": 0.01, "dot_fill": None, "ground_fill": None, "evenness": None, "light": None},
            "covered",
        ),
        ({"glare": (GlarePatch(120.0, 110.0, 30.0, 0.06),)}, "glare"),
        ({"light": PlateLight(0.0, 0.0, 0.0, 0.0, 0.2), "evenness": 0.8}, "hot spot"),
        ({"light": PlateLight(1.0, 0.0, 0.3, 0.0, 0.0), "evenness": 0.5}, "uneven"),
    ],
)
def test_each_fault_is_told_first(spoilt: dict[str, object], kind: str) -> None:
    assert looked(lit("left", **spoilt))[0] == (kind, "left")


def test_a_gap_between_the_cameras_and_what_would_not_stand_still() -> None:
    gap = looked(lit("left", dot_fill=0.9), lit("right", dot_fill=0.55, ground_fill=0.06))
    assert ("gap", "right") in gap
    restless = {
        "left": Standstill("left", "flicker", (), flicker_share=0.03),
        "right": Standstill("right", "vibration", ("heat shimmer",), vibration_px=0.3, shimmer_px=0.05),
    }
    kinds = [kind for kind, _ in looked(lit("left"), standstill=restless)]
    assert kinds == ["vibration", "flicker", "shimmer"]


def test_dots_that_just_saturate_are_not_called_too_bright() -> None:
    full = {"dot_fill": 1.0, "ground_fill": 0.12}
    assert looked(lit("left", **full), lit("right", **full)) == []
    assert looked(lit("left", dot_fill=1.0, ground_fill=0.45))[0] == ("bright", "left")


def test_both_dark_is_said_once() -> None:
    dark = {"dot_fill": 0.3, "ground_fill": 0.03}
    assert looked(lit("left", **dark), lit("right", **dark)) == [("dark", None)]


def test_where_on_the_plate_glare_sits() -> None:
    seen = sighting("left")  # points from (100, 100) to (260, 220)
    assert on_plate(105, 105, seen) == "upper left"
    assert on_plate(180, 160, seen) == "centre"
    assert on_plate(259, 160, seen) == "right"


def test_a_specimen_may_not_saturate() -> None:
    bright = measures("left", saturated_share=0.002, high_share=0.95)
    seen = {"left": bright}
    report = shot(1, seen)
    state = light_step(with_subject(LightWatch(), "specimen"), report, {}, RIG)
    assert next(f.kind for f in findings(state, report, {}, RIG)) == "saturated"


# -- rig -------------------------------------------------------------------------------------------


def test_the_form_describes_the_rig() -> None:
    fields = {"pixel_um": "3,45", "focal_mm": "25", "stand_off_mm": "700", "volume_width_mm": "120",
              "volume_height_mm": "100", "volume_depth_mm": "60", "goal_displacement_um": ""}  # fmt: skip
    rig = described(RIG, fields, CAMERAS)
    assert isinstance(rig, Rig)
    assert rig.volume_mm == (120.0, 100.0, 60.0)
    assert [c.pixel_um for c in rig.cameras] == [3.45, 3.45]
    one = described(rig, {"focal_mm": "16", "camera": "right"}, CAMERAS)
    assert isinstance(one, Rig)
    assert [c.focal_mm for c in one.cameras] == [25.0, 16.0]


@pytest.mark.parametrize("fields", [{"focal_mm": "wide"}, {"width_px": "2448.5"}, {"volume_width_mm": "120"},
                                    {"focal_mm": "5", "camera": "middle"}])  # fmt: skip
def test_what_the_form_cannot_use_is_said(fields: dict[str, str]) -> None:
    trouble = described(RIG, fields, CAMERAS)
    assert isinstance(trouble, Say)
    assert say(trouble)


def test_a_described_rig_is_the_sessions_from_then_on() -> None:
    rig = replace(RIG, stand_off_mm=812.0)
    state = session.replay([opening(), ev.RigDescribed(1.0, rig)])
    assert state.rig.stand_off_mm == 812.0


def test_too_small_an_aperture_is_called_out() -> None:
    wide = Rig(
        cameras=(CameraDescription("left", pixel_um=3.45, focal_mm=25.0, f_number=8.0),), stand_off_mm=700
    )
    small = replace(wide, cameras=(replace(wide.cameras[0], f_number=22.0),))
    told, called = aperture(wide, "left"), aperture(small, "left")
    assert told is not None
    assert called is not None
    assert not told.too_small
    assert called.too_small
    # Greenleaf's formula at a pixel of blur: the same numbers as the rig on paper.
    assert told.far_mm is not None
    assert told.far_mm - told.near_mm == pytest.approx(41.8, abs=0.2)
    assert aperture(RIG, "left") is None


def test_a_covered_lens_is_told_as_such_while_taking_poses_too() -> None:
    dark = measures("left", high_share=0.012, low_share=0.005)
    (cause,) = causes(Nothing("no candidates"), dark)
    assert cause.trouble is Trouble.TOO_DARK
    found = Found(cause.trouble, cause.camera, numbers=cause.numbers)
    live = replace(session.Live(), report=shot(1, {"left": dark}), trouble=found)
    advice = session.advise(session.replay([opening()]), live, RHYTHM, 0.0)
    assert say(advice.headline) == "The left camera sees nothing"
    assert advice.remedy is not None
    assert "cap" in say(advice.remedy)
    (dim,) = causes(Nothing("no candidates"), measures("left", high_share=0.08))
    assert not dim.numbers["covered"]


def test_the_list_of_steps_tells_that_cameras_still_warm_up() -> None:
    def noted(px_per_min: float) -> dict[Step, str]:
        drift = tuple((k / 2.0, (px_per_min * k / 2.0, 0.0)) for k in range(30))
        watch = RigWatch(drift={"left": drift}, unseen=False)
        return {step: note.key for step in Step if (note := warm_note(watch, step)) is not None}

    assert noted(0.01) == {Step.RIG: "note.warming", Step.POSES: "note.warming"}
    assert noted(0.0) == {Step.RIG: "note.warm"}
    assert warm_note(RigWatch(), Step.POSES) is None


def test_the_rig_step_says_which_camera_to_turn() -> None:
    state = session.replay([opening(), ev.StepEntered(1.0, Step.RIG)])
    level = Aim(20.0, 10.0, 10.0, 0.3, 1.0, 0.95, 40)
    off = replace(level, roll_deg=-2.1, shift_y_px=148.0, overlap=0.7)

    def said(seen: Aim) -> list[str]:
        moment = SettingUp(rig=RigWatch(aims={"right": seen}))
        report = shot(1, {c: measures(c) for c in CAMERAS})
        live = replace(session.Live(), report=report, setup=moment)
        advice = session.advise(state, live, RHYTHM, 0.0)
        shown = session.snapshot(state, live, advice, AROUND).setup.rig.aims
        assert (advice.remedy is None) == (not shown[0].says)
        return [say(one) for one in shown[0].says]

    assert said(level) == []
    assert said(off) == [
        "Turn the right camera 2.0 degrees anticlockwise, seen from behind it.",
        "Tip the right camera down by 150 px.",
        "Only 70 % of the field is seen by both.",
    ]
