"""The loop goes on: whatever breaks inside, whatever the disk says, however two phones tap."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from holdstill import session
from holdstill.archive import Journal
from holdstill.archive.codec import fingerprint
from holdstill.limits import limit
from holdstill.loop.pool import WorkerLost
from holdstill.loop.taps import act
from holdstill.loop.worker import do, look_at
from holdstill.records import FrameBytes, Nothing, Say, Shot, Tap, TapKind
from holdstill.records import events as ev
from loop.running import running
from trust.made_up import Here, Story, think


def test_a_bug_while_looking_costs_one_shot_and_is_reported(tmp_path: Path) -> None:
    story = Story(6)

    def look(shot: Shot) -> object:
        if shot.number == 2:
            raise ZeroDivisionError("name of a person")
        return story.look(shot)

    async def run() -> None:
        async with running(tmp_path / "s", eye=Here({look_at: look})) as here:
            for number in (1, 2, 3):
                here.runner.arrive(story.shot(number))
            await here.until(lambda: len(here.kept()) == 2 and bool(here.runner.state.file_messages))
            assert here.kept() == ["fork_0001", "fork_0003"]
            (message,) = here.runner.state.file_messages
            assert "fork_0002" in message
            assert "a1b2c3" in message
            assert "person" not in message
            assert [type(e) for e in here.reports] == [ZeroDivisionError]

    asyncio.run(run())


@pytest.mark.parametrize("kind", [session.PlanWork, session.SolveWork])
def test_a_bug_while_thinking_is_told_until_read_and_tried_again(
    tmp_path: Path, kind: type[session.Work]
) -> None:
    failures = [RuntimeError("a"), RuntimeError("b")]

    def broken(work: session.Work) -> object:
        if failures and isinstance(work, kind):
            raise failures.pop()
        return think(work)

    async def run() -> None:
        async with running(tmp_path / "s", mind=Here({do: broken})) as here:
            for number in (1, 2, 3, 4):
                here.runner.arrive(here.story.shot(number))
            await here.until(lambda: here.runner.state.estimate is not None and not failures)
            await here.until(lambda: here.runner.state.cue is not None)
            assert len(here.reports) == 2
            # everything since was journalled within the same tick of its clock: still told
            assert "a1b2c3" in (here.runner.message or "")
            here.now[0] += limit("broken_told_ms")
            assert isinstance(await act(here.runner, Tap(TapKind.PAUSE)), Say)
            assert here.runner.message is None

    asyncio.run(run())


def test_a_lost_worker_costs_at_most_its_shot_and_shots_on_purpose_are_looked_at_again(
    tmp_path: Path,
) -> None:
    story, calls = Story(6), []

    def look(shot: Shot) -> object:
        calls.append(shot.number)
        if shot.number == 2 or calls == [1]:
            raise WorkerLost("gone")
        return story.look(shot)

    async def run() -> None:
        async with running(tmp_path / "s", eye=Here({look_at: look})) as here:
            for number in (1, 2, 3):
                here.runner.arrive(story.shot(number))
            await here.until(lambda: len(here.kept()) == 2 and bool(here.runner.state.file_messages))
            assert calls == [1, 1, 2, 2, 3]
            assert "fork_0002" in here.runner.state.file_messages[0]

    asyncio.run(run())


def test_workers_that_do_not_start_are_told_and_waited_for(tmp_path: Path) -> None:
    class Late(Here):
        left = 3

        async def ready(self) -> None:
            if self.left:
                self.left -= 1
                raise WorkerLost("no memory")

    async def run() -> None:
        story = Story(6)
        async with running(tmp_path / "s", eye=Late({look_at: story.look})) as here:
            await here.until(lambda: "does not start" in (here.runner.message or ""))
            here.runner.arrive(story.shot(1))
            await here.until(lambda: here.kept() == ["fork_0001"])

    asyncio.run(run())


def test_an_event_that_can_not_follow_is_never_journalled(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            with pytest.raises(ValueError, match="no view 99"):
                await here.runner.append(ev.ViewDropped(1.0, 99))
            await here.until(lambda: here.runner.state.cue is not None)
            assert await here.runner.append(ev.Paused(2.0))
            told = fingerprint(here.runner.state)
        with Journal.read_only(tmp_path / "s") as journal:
            assert fingerprint(session.replay(journal.events())) == told

    asyncio.run(run())


def test_a_folder_that_vanishes_is_told_and_nothing_is_written_into_the_void(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            here.runner.arrive(here.story.shot(1))
            await here.until(lambda: len(here.kept()) == 1)
            (tmp_path / "s").rename(tmp_path / "away")
            assert isinstance(await act(here.runner, Tap(TapKind.PAUSE)), Nothing)
            assert "can't be reached" in (here.runner.message or "")
            assert not here.runner.state.paused
            (tmp_path / "away").rename(tmp_path / "s")
            assert isinstance(await act(here.runner, Tap(TapKind.PAUSE)), Say)
            assert here.runner.message is None
            shutil.copytree(tmp_path / "s", tmp_path / "copy")
            shutil.rmtree(tmp_path / "s")
            (tmp_path / "copy").rename(tmp_path / "s")  # another file of the same content, as a share's
            assert isinstance(await act(here.runner, Tap(TapKind.RESUME)), Say)
            (tmp_path / "s" / "journal.sqlite").unlink()
            (tmp_path / "s" / "journal.sqlite").write_bytes(b"")
            assert isinstance(await act(here.runner, Tap(TapKind.PAUSE)), Nothing)

    asyncio.run(run())


def test_a_session_that_another_process_has_gone_on_with_is_left_alone(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            await here.runner.append(ev.Paused(1.0))
            shutil.copytree(tmp_path / "s", tmp_path / "copy")
            shutil.rmtree(tmp_path / "s")
            (tmp_path / "copy").rename(tmp_path / "s")
            with Journal.open(tmp_path / "s") as other:
                other.append(ev.Resumed(2.0))
                assert not await here.runner.append(ev.Resumed(3.0))
                assert "another process" in (here.runner.message or "")
            assert not await here.runner.append(ev.Resumed(3.0))
            assert "another" in (here.runner.message or "")
        with Journal.read_only(tmp_path / "s") as journal:
            assert [e.at_ms for e in journal.events()] == [0.0, 1.0, 2.0]

    asyncio.run(run())


def test_two_phones_that_drop_the_last_view_drop_one(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            for number in (1, 2, 3):
                here.runner.arrive(here.story.shot(number))
            await here.until(lambda: len(here.kept()) == 3 and here.runner.state.cue is not None)
            answers = await asyncio.gather(*(act(here.runner, Tap(TapKind.DROP_LAST)) for _ in range(4)))
            assert sum(isinstance(a, Say) for a in answers) == 1
            refused = [a for a in answers if isinstance(a, Nothing)]
            assert {a.why for a in refused} == {"tap.refused.passed"}
            assert [e.view.view_id for e in here.runner.state.entries if e.dropped] == [3]
            here.now[0] += limit("tap_again_ms") + 1
            assert isinstance(await act(here.runner, Tap(TapKind.DROP_LAST)), Say)
            assert [e.view.view_id for e in here.runner.state.entries if e.dropped] == [2, 3]

    asyncio.run(run())


def test_two_phones_that_ask_for_another_pose_skip_one(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            await here.until(lambda: here.runner.state.cue is not None)
            taps = (Tap(TapKind.SKIP_CUE, here.runner.state.cue_number) for _ in range(3))
            answers = await asyncio.gather(*(act(here.runner, tap) for tap in taps))
            assert sum(isinstance(a, Say) for a in answers) == 1
            await here.until(lambda: here.runner.state.cue_number == 2)
            assert len(here.runner.state.skipped) == 1

    asyncio.run(run())


def test_take_it_now_just_after_a_view_was_kept_was_meant_for_that_one(tmp_path: Path) -> None:
    async def run() -> None:
        async with running(tmp_path / "s") as here:
            here.runner.arrive(here.story.shot(1))
            await here.until(lambda: len(here.kept()) == 1)
            assert isinstance(await act(here.runner, Tap(TapKind.TAKE_NOW)), Nothing)
            assert not here.runner.live.take_now
            here.now[0] += limit("tap_again_ms") + 1
            assert isinstance(await act(here.runner, Tap(TapKind.TAKE_NOW)), Say)
            assert here.runner.live.take_now

    asyncio.run(run())


def test_rubbish_is_told_for_a_while_and_then_again_later(tmp_path: Path) -> None:
    most = int(limit("file_storm"))

    async def run() -> None:
        async with running(tmp_path / "s") as here:
            for number in range(most + 50):
                here.runner.complain(f"rubbish {number}", None, "no picture")
            await here.until(lambda: len(here.runner.state.file_messages) == most)
            await asyncio.sleep(0.05)
            assert len(here.runner.state.file_messages) == most
            here.now[0] += limit("file_storm_ms") + 1
            here.runner.complain("later", None, "a new trouble")
            await here.until(lambda: here.runner.state.file_messages[-1] == "a new trouble")

    asyncio.run(run())


def test_pictures_that_wait_in_memory_are_bounded_and_those_too_many_are_told(tmp_path: Path) -> None:
    gate = asyncio.Event()

    class Slow(Here):
        async def run(self, function, *arguments):  # type: ignore[no-untyped-def]
            await gate.wait()
            return await super().run(function, *arguments)

    big = b"x" * int(1e6 * limit("waiting_pictures_mb") / 4)

    async def run() -> None:
        story = Story(6)
        async with running(tmp_path / "s", eye=Slow({look_at: story.look})) as here:
            for number in range(1, 8):
                plain = story.shot(number)
                held = {"left": FrameBytes("left", "l.png", 0.0, data=big), "right": plain.originals["right"]}
                here.runner.arrive(Shot(plain.number, plain.name, plain.taken_at_ms, held, single=True))
            await here.until(lambda: len(here.runner.state.file_messages) >= 2)
            assert all("more pictures came in" in words for words in here.runner.state.file_messages)
            assert 2 <= len(here.runner.state.file_messages) <= 4

    asyncio.run(run())
