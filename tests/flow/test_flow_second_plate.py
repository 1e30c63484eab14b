"""A second plate from pictures to the verdict: a folder of it, and the running loop's own part."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from flow.test_flow_recheck import GOOD, home
from holdstill import session, target
from holdstill.archive import Journal, Originals
from holdstill.archive.codec import read, write
from holdstill.archive.facts import facts_of
from holdstill.archive.plain_files import calibration_json
from holdstill.archive.report_parts import sections
from holdstill.cli import main
from holdstill.intake.folder import read_folder
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.loop.outcome import event_of
from holdstill.loop.second import SecondLoop, described, second_plate
from holdstill.loop.worker import do
from holdstill.phrases import say
from holdstill.records import Nothing, Ready, Say, Shot, Step, Tap, TapKind
from holdstill.records import events as ev
from holdstill.session import Live, State
from holdstill.simulate.backdrop import backdrop
from holdstill.simulate.held import Held
from holdstill.simulate.samples import GOOD as GOOD_SHOTS
from holdstill.simulate.samples import SampleShot, Spoil, frame, png, sample_rig

__all__ = ["home"]
RIGHT = "dots 11x8 14mm±0.014mm d7mm bright"
WRONG = "dots 11x8 14.14mm±0.014mm d7mm bright"
PLACES = (Held(3, -2, 1, 0, 0, 0), Held(-20, 12, 2, 8, 4, 10), Held(16, 14, -3, -8, -5, -6))


@pytest.fixture(scope="module")
def second_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three shots of the second plate before the rig of the sample frames, drawn exactly."""
    folder, rig, plate = tmp_path_factory.mktemp("second"), sample_rig(), target.parse(RIGHT)
    behind = {c.name: backdrop(c, rig.pose_rig_from_bench) for c in rig.cameras}
    for number, held in enumerate(PLACES, 1):
        shot = SampleShot(GOOD_SHOTS, number, held, Spoil(plate=plate))
        for camera in rig.cameras:
            made = frame(77, shot, camera, rig, behind[camera.name])
            (folder / made.file_name).write_bytes(png(made.picture))
    return folder


@dataclass
class Bench:
    """As much of a runner as a second plate needs, real but for its clock and its workers."""

    state: State
    originals: Originals
    live: Live = field(default_factory=Live)
    events: list[ev.Event] = field(default_factory=list)
    reports: dict[str, Any] = field(default_factory=dict)
    pictures: Any = field(default_factory=lambda: SimpleNamespace(now=0, bump=lambda: None))
    still: Any = field(default_factory=lambda: SimpleNamespace(running=False))

    @property
    def parts(self) -> SimpleNamespace:
        async def run(work: Callable[..., object], *values: object) -> object:
            return work(*values)

        return SimpleNamespace(eye=SimpleNamespace(run=run), now_ms=lambda: 5e12)

    async def append(self, event: ev.Event) -> bool:
        self.events.append(event)
        self.state = session.step(self.state, event)
        return True

    async def stored(self, shot: Shot) -> dict[str, str]:
        return {c: self.originals.keep(o) for c, o in shot.originals.items()}

    def touched(self) -> None:
        """What the mind would be woken to."""
        while isinstance(work := session.wanted(self.state), session.SecondWork):
            event = event_of(work, do(work), at_ms=5e12, took_ms=0.0)
            assert event is not None
            self.events.append(event)
            self.state = session.step(self.state, event)


def bench_of(home: Path, tmp_path: Path) -> Bench:
    """The stored session, its proof done, in the Proof step."""
    with Journal.read_only(home / "fork") as journal:
        state = session.replay(journal.events())
    assert state.step is Step.PROOF
    return Bench(state, Originals(tmp_path / "originals", preview_of=preview_of_file, png_of=png_of_file))


def tapped(bench: Bench, **values: str) -> Say | Nothing:
    return asyncio.run(second_plate(bench, Tap(TapKind.SECOND_PLATE, None, values)))  # type: ignore[arg-type]


def show(bench: Bench, shots: list[Shot]) -> None:
    loop = SecondLoop(bench)  # type: ignore[arg-type]

    async def all_of_them() -> list[bool]:
        return [await loop.takes(shot) for shot in shots]

    assert asyncio.run(all_of_them())[0]


def shots_of(folder: Path) -> list[Shot]:
    return read_folder(folder, None, complain=lambda *told: None)


def test_a_right_second_plate_verifies_the_scale(home: Path, second_folder: Path, tmp_path: Path) -> None:
    bench = bench_of(home, tmp_path)
    assert session.verdict(bench.state).state is Ready.PROVISIONAL
    assert not session.scale_known(bench.state)
    answer = tapped(bench, spec="dots 11x8 14mm d7mm bright", sigma_mm="0.014")
    assert isinstance(answer, Say)
    before = session.advise(bench.state, bench.live, None, 5e12)  # type: ignore[arg-type]
    assert say(before.headline) == "Show the second plate alone, still"
    show(bench, shots_of(second_folder))
    second = bench.state.second
    assert second is not None
    assert len(second.views) == 3
    assert not second.looking, "three are enough"
    assert second.result is not None
    assert second.result.check.ok
    assert abs(second.result.share) < 3 * second.result.share_sigma
    assert second.result.share_sigma == pytest.approx(0.001, rel=0.5)
    found = session.verdict(bench.state)
    assert found.state is Ready.READY
    assert "borne out by a second plate of 14 mm pitch, to 0.1" in " ".join(say(r) for r in found.reasons)
    assert [v.name for v in bench.state.kept_views()] == [e.view.name for e in bench.state.entries]
    replayed = bench_of(home, tmp_path).state
    for event in bench.events:
        replayed = session.step(replayed, read(write(event)))
    assert session.verdict(replayed) == found
    assert replayed.second is not None
    assert replayed.second.result == second.result


def test_a_wrong_second_plate_withholds_ready(home: Path, second_folder: Path, tmp_path: Path) -> None:
    bench = bench_of(home, tmp_path)
    assert isinstance(tapped(bench, spec=WRONG), Say)
    show(bench, shots_of(second_folder)[:1])
    found = session.verdict(bench.state)
    assert found.state is Ready.STOP
    assert found.reasons[0].values["check"] == "second plate"
    assert "-0.9" in say(found.reasons[0])
    assert found.remedy == Say("remedy.second plate")
    report = sections(facts_of(bench.state, 5e12))
    table = next(s for s in report if s.title == "A second plate").tables[0]
    assert any("-0.9" in cell for row in table.rows for cell in row)
    assert any("second plate" in row[0] for s in report for t in s.tables for row in t.rows)
    plain = json.loads(calibration_json(facts_of(bench.state, 5e12)))
    assert plain["second_plate"]["share"] == pytest.approx(-0.0099, abs=0.001)
    assert plain["solve"]["scale_verified"] is False
    assert isinstance(tapped(bench), Say), "no more shots"
    assert bench.state.second is not None
    assert session.second_due(bench.state) is None
    assert session.verdict(bench.state) == found
    assert isinstance(tapped(bench, spec=RIGHT), Say), "described anew: what was shown before is left behind"
    assert session.verdict(bench.state).state is Ready.PROVISIONAL


def test_in_a_stream_it_is_taken_once_at_rest_and_once_a_place(
    home: Path, second_folder: Path, tmp_path: Path
) -> None:
    bench = bench_of(home, tmp_path)
    assert isinstance(tapped(bench, spec=RIGHT), Say)
    one, other, _ = shots_of(second_folder)
    frames = [one] * 6 + [other] * 6
    stream = [
        replace(s, number=n, name=f"s {n}", taken_at_ms=1000.0 + 125.0 * n, single=False)
        for n, s in enumerate(frames)
    ]
    show(bench, stream)
    taken = [e.view.name for e in bench.events if isinstance(e, ev.SecondPlateShown)]
    assert len(taken) == 2
    assert int(taken[0].split()[1]) < 6 <= int(taken[1].split()[1])


def test_what_was_shown_is_measured_anew_after_a_new_solve(
    home: Path, second_folder: Path, tmp_path: Path
) -> None:
    bench = bench_of(home, tmp_path)
    assert isinstance(tapped(bench, spec=RIGHT), Say)
    show(bench, shots_of(second_folder)[:1])
    assert bench.state.estimate is not None
    again = session.step(bench.state, ev.Solved(6e12, bench.state.estimate, bench.state.estimate_from))
    assert again.second is not None
    assert again.second.answer is None
    assert isinstance(session.wanted(again), session.SecondWork)
    late = session.step(again, ev.SecondPlateMeasured(6e12, None, 3, "not this plate"))
    assert late.second is not None
    assert late.second.answer is None, "an answer for other shots"


def test_refusals_tell_the_next_step(home: Path, tmp_path: Path) -> None:
    bench = bench_of(home, tmp_path)
    for values, key in (
        ({}, "tap.refused.not-now"),
        ({"spec": "dots 11x8 14mm"}, "tap.refused.second-spec"),
        ({"spec": "dots 11x8 14mm", "sigma_mm": "15"}, "tap.refused.second-spec"),
        ({"spec": "plate of some kind", "sigma_mm": "0.01"}, "tap.refused.second-spec"),
    ):
        answer = tapped(bench, **values)
        assert isinstance(answer, Nothing)
        assert answer.why == key
        assert say(Say(answer.why, answer.numbers))
    bench.state = session.step(bench.state, ev.StepEntered(5e12, Step.POSES))
    assert tapped(bench, spec=RIGHT) == Nothing("tap.refused.second-step")
    bench.state = replace(bench.state, estimate=None)
    assert tapped(bench, spec=RIGHT) == Nothing("tap.refused.no-estimate")
    with pytest.raises(ValueError, match="no second plate"):
        session.step(bench.state, ev.SecondPlateAway(5e12))
    assert described(RIGHT, 0.0).words.startswith("dots 11x8 14mm±0.014mm")


def test_a_folder_of_a_second_plate_is_reviewed_along(
    second_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = ["--second-dir", str(second_folder), "--json"]
    assert main(["review", str(GOOD), "--second-plate", RIGHT, *more]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"]["state"] == "ready"
    assert abs(told["second_plate"]["share"]) < 3 * told["second_plate"]["share_sigma"]
    assert main(["review", str(GOOD), "--second-plate", RIGHT]) == 2
    assert "--second-dir DIR" in capsys.readouterr().err
    assert main(["review", str(GOOD), "--second-plate", "dots 11x8 14mm", *more]) == 2
    assert "uncertainty" in capsys.readouterr().err
