"""A deck over a real session made from a folder of pictures, for the full-size page of a shot."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from holdstill import session, target
from holdstill.archive import Originals
from holdstill.intake.clipped import clipped_of_file
from holdstill.intake.folder import read_folder
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.intake.rig_file import read_rig
from holdstill.loop.offline import Review
from holdstill.loop.outcome import event_of
from holdstill.loop.worker import do
from holdstill.records import Nothing, Say, Sheet, Snapshot, Tap, TapKind
from holdstill.records import events as ev
from holdstill.session import SolveWork, State
from web.fake_deck import FakeDeck

FRAMES = Path(__file__).parents[2] / "sample_frames"


@lru_cache(maxsize=2)
def reviewed(name: str, store: Path) -> tuple[State, Originals]:
    """The session of a folder of sample frames, its pictures in `store`."""
    folder = FRAMES / name
    rig, spec = read_rig(folder / "rig.toml")
    assert spec is not None
    originals = Originals(store / "originals", preview_of=preview_of_file, png_of=png_of_file)
    review = Review(target.parse(spec), rig, ("left", "right"), name=name)
    shots = read_folder(folder, None, complain=lambda *_: None)
    for shot in shots:
        for original in shot.originals.values():
            originals.keep(original)
    for _ in review.see(shots):
        pass
    review.solve()
    return review.state, originals


class SheetDeck(FakeDeck):
    """Shows a real session's shots; taps change the session, and the solve follows at once."""

    state: State
    originals: Originals

    @classmethod
    def over(cls, state: State, originals: Originals) -> type[SheetDeck]:
        """This deck over a session."""

        class Made(cls):  # type: ignore[misc, valid-type]
            def __init__(self, snapshot: Snapshot, files: Path | None = None) -> None:
                super().__init__(replace(snapshot, views=session.rows(state)), files)
                self.state, self.originals = state, originals

        return Made

    def sheet(self, place: int) -> Sheet | Nothing:
        return session.sheet(self.state, place)

    def clipped(self, digest: str, level: float) -> bytes | Nothing:
        path = self.originals.path(digest)
        return path if isinstance(path, Nothing) else clipped_of_file(path, level)

    def picture(self, digest: str, *, preview: bool) -> Path | bytes | Nothing:
        return self.originals.preview(digest) if preview else self.originals.shown(digest)

    def _follow(self) -> None:
        while isinstance(work := session.wanted(self.state), SolveWork):
            event = event_of(work, do(work), at_ms=0.0, took_ms=0.0)
            assert event is not None
            self.state = session.step(self.state, event)

    async def tap(self, tap: Tap) -> Say | Nothing:
        made = {TapKind.DROP_VIEW: ev.ViewDropped, TapKind.BRING_BACK: ev.ViewBroughtBack,
                TapKind.SET_ASIDE: ev.ViewSetAside}
        if tap.kind in made:
            self.state = session.step(self.state, made[tap.kind](0.0, int(tap.values["view_id"])))
            self._follow()
        return await super().tap(tap)
