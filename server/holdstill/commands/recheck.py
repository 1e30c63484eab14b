"""``holdstill recheck``: whether the cameras have moved since a session's calibration."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from holdstill import session, solve
from holdstill.archive import Journal
from holdstill.archive.packing import journal_of
from holdstill.archive.sessions import find_session
from holdstill.compose import default_home
from holdstill.errors import BadInput
from holdstill.intake.folder import read_folder
from holdstill.loop.worker import Eye
from holdstill.phrases import say
from holdstill.phrases.cues import trouble_says
from holdstill.records import DriftResult, Nothing, Say, View
from holdstill.session import Live, State


def add(subparsers: Any) -> None:
    """Add the command."""
    p: argparse.ArgumentParser = subparsers.add_parser(
        "recheck",
        help="tell from later shots of the plate whether the cameras have moved",
        description="Exit status: 0 it still holds, 1 a camera has moved and it matters, 2 bad input.",
    )
    p.add_argument("session", metavar="SESSION", help="a session's id, folder or packed file")
    p.add_argument("folder", type=Path, metavar="DIR", help="one or more later shots of the same plate")
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")
    p.add_argument("--pattern", metavar="PATTERN", help="how the files are named")
    p.add_argument("--json", action="store_true", help="print one JSON object")
    p.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Recheck a session against a folder of later shots."""
    state = stored(args.session, args.home or default_home())
    views, refused = later_views(state, args.folder, args.pattern)
    if state.estimate is None or not views:
        told = " ".join(refused[:3])
        raise BadInput(
            f"no shot in {args.folder} shows the plate clearly in the session's cameras "
            f"({', '.join(state.cameras)}). {told} Take one or two shots with the whole plate in each."
        )
    result = solve.recheck(state.plate, state.rig, state.estimate, views)
    if isinstance(result, Nothing):
        raise BadInput(f"the shots in {args.folder} can't be compared: {result.why}. Take one or two more.")
    if args.json:
        print(json.dumps({"views": [v.name for v in views], "not_used": refused, **asdict(result)}, indent=2))
    else:
        tell(result, views, refused)
    return 1 if result.moved and result.matters else 0


def stored(name: str, home: Path) -> State:
    """The session called `name` (an id under `home`, a folder, or a packed session). Raises BadInput."""
    packed = Path(name)
    if packed.is_file():
        with journal_of(packed) as folder:
            state = replayed(folder)
    else:
        state = replayed(find_session(name, home))
    if state.estimate is None:
        raise BadInput(
            f"session {name} has no calibration yet: it can't be rechecked. Keep views until it is "
            "solved, or name another session."
        )
    return state


def replayed(folder: Path) -> State:
    """The state that the journal in `folder` gives. Raises StorageTrouble."""
    with Journal.read_only(folder) as journal:
        return session.replay(journal.events())


def later_views(state: State, folder: Path, pattern: str | None) -> tuple[list[View], list[str]]:
    """Clean views of the plate in `folder`, and why other shots were not used. Raises BadInput."""
    refused: list[str] = []
    shots = read_folder(
        folder, pattern, complain=lambda n, c, message: refused.append(message), cameras=len(state.cameras)
    )
    eye, live, views = Eye(state.plate, previews=False), Live(), []
    for number, shot in enumerate(shots, start=1):
        strange = set(shot.originals) - set(state.cameras)
        if strange:
            raise BadInput(
                f"{folder} has pictures of {', '.join(sorted(strange))}, the session's cameras are "
                f"{', '.join(state.cameras)}. Name the files as in the session, or give --pattern."
            )
        report = eye.look_at(shot)
        live = session.look(replace(live, seen_trouble=None), state, report)
        if live.seen_trouble is not None:
            headline, _ = trouble_says(live.seen_trouble.trouble, live.seen_trouble.camera, None)
            refused.append(f"{shot.name}: {say(headline)}.")
            continue
        views.append(View(number, shot.name, shot.taken_at_ms, dict(live.sightings), dict(report.measures)))
    return views, refused


def tell(result: DriftResult, views: list[View], refused: list[str]) -> None:
    """The outcome in words."""
    for message in refused:
        print(f"  not used  {message}")
    key = "moved" if result.moved and result.matters else "within" if result.moved else "unmoved"
    print(f"{say(Say(f'advice.recheck.{key}'))} (from {len(views)} views)")
    camera = result.camera or "the cameras against each other"
    moved = f"{result.shift_px:.3f} px, {result.turn_deg:.4f} degrees"
    print(f"  {camera}: {moved}, {result.significance:.1f} sigma")
    for reason in result.reasons:
        print(f"  - {reason}")
