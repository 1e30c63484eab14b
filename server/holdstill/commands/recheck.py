"""``holdstill recheck``: whether the cameras have moved since a session's calibration."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from holdstill import session, solve
from holdstill.archive import Journal, Originals
from holdstill.archive.packing import journal_of
from holdstill.archive.sessions import find_session
from holdstill.compose import default_home
from holdstill.errors import BadInput
from holdstill.intake.folder import read_folder
from holdstill.intake.preview import png_of_file, preview_of_file
from holdstill.loop.still import no_plate
from holdstill.loop.still_eye import scene_beside, scene_first, scene_next
from holdstill.loop.worker import Eye
from holdstill.measure.scene import scene_floor
from holdstill.phrases import say
from holdstill.phrases.cues import trouble_says
from holdstill.records import DriftResult, FrameFile, Nothing, Original, Say, Shot, View
from holdstill.records.scene import NoiseFloor, SceneMarks, SceneReference, SceneShift
from holdstill.session import Live, State
from holdstill.web.views.panels import drift_reason
from holdstill.web.views.words import Words

HELP = "tell from later shots of the plate, or of a still scene, whether the cameras have moved"
DESCRIPTION = "Exit status: 0 it still holds, 1 a camera has moved and it matters, 2 bad input."


def add(p: argparse.ArgumentParser) -> None:
    """Its options."""
    p.add_argument("session", metavar="SESSION", help="a session's id, folder or packed file")
    p.add_argument(
        "pictures", type=Path, nargs="+", metavar="IMAGES",
        help="a folder, or the pictures themselves: one or more later shots of the same plate, or of the "
        "scene that a still series was taken of",
    )  # fmt: skip
    p.add_argument(
        "--reference", type=Path, metavar="DIR",
        help="pictures of the same still scene taken when the calibration held, where the session has no "
        "still series",
    )  # fmt: skip
    p.add_argument("--home", type=Path, metavar="DIR", help="where sessions are kept")
    p.add_argument("--pattern", metavar="PATTERN", help="how the files are named")
    p.add_argument("--json", action="store_true", help="print one JSON object")


def run(args: argparse.Namespace) -> int:
    """Recheck a session against later shots: by the plate where it is in sight, else by the scene."""
    home = args.home or default_home()
    state = stored(args.session, home)
    shots, refused = later_shots(state, args.pictures, args.pattern)
    views, bare, other, unused = sorted_out(state, shots)
    refused += unused
    if views:
        result, names = by_plate(state, views), [v.name for v in views]
    elif other is not None:
        result, names = other, [s.name for s in shots]
    elif bare:
        result, used = by_scene(state, args, home, bare)
        names = [s.name for s in used]
        refused = [r for r in refused if not r.startswith(tuple(f"{name}:" for name in names))]
    else:
        told = " ".join(refused[:3])
        raise BadInput(
            f"no shot shows the plate clearly in the session's cameras ({', '.join(state.cameras)}). {told} "
            "Take one or two shots with the whole plate in each."
        )
    if args.json:
        told_json = {"views": names, "not_used": refused, **asdict(result)}
        print(json.dumps(_finite(told_json), indent=2, allow_nan=False))
    else:
        tell(result, len(names), refused)
    return 1 if result.moved and result.matters else 0


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def by_plate(state: State, views: Sequence[View]) -> DriftResult:
    """What views of the plate say. Raises BadInput when nothing can be said."""
    assert state.estimate is not None
    result = solve.recheck(state.plate, state.rig, state.estimate, views)
    if isinstance(result, Nothing):
        raise BadInput(f"the shots can't be compared: {result.why}. Take one or two more.")
    return result


def by_scene(
    state: State, args: argparse.Namespace, home: Path, shots: Sequence[Shot]
) -> tuple[DriftResult, list[Shot]]:
    """What shots of a still scene say against its reference, and those that were used. Raises BadInput."""
    assert state.estimate is not None
    if args.reference is not None:
        reference = reference_of(state, args.reference, args.pattern)
        files: dict[str, Path] = {}
    else:
        if state.scene is None:
            raise BadInput(
                "no shot shows the plate, and the session has no still series of the scene to compare with. "
                "Show the plate in one or two shots, or give --reference DIR: pictures of the same scene "
                "taken when the calibration held."
            )
        reference, files = state.scene, kept_files(state.scene, args.session, home)
    seen, used = [], []
    for shot in shots:
        found = scene_beside(files, dict(reference.marks), shot) if files else scene_next(shot)
        shifts = {c: s for c, s in found.items() if isinstance(s, SceneShift)}
        if shifts:
            seen.append(shifts)
            used.append(shot)
    result = solve.recheck_scene(state.rig, state.estimate, reference, seen)
    if isinstance(result, Nothing):
        raise BadInput(
            "the shots show neither the plate nor the scene of the reference. Take them from where the "
            "cameras stand, of what stood before them then."
        )
    return result, used


def reference_of(state: State, folder: Path, pattern: str | None) -> SceneReference:
    """A reference from a folder of earlier pictures: the first is it, the others tell its noise."""
    shots, _ = later_shots(state, [folder], pattern)
    marks = {c: m for c, m in scene_first(shots[0]).items() if isinstance(m, SceneMarks)}
    if not marks:
        raise BadInput(f"{folder} shows too little texture to be found again; use pictures of the specimen.")
    shifts: dict[str, list[SceneShift]] = {c: [] for c in marks}
    for shot in shots[1:]:
        for camera, shift in scene_next(shot).items():
            if isinstance(shift, SceneShift):
                shifts[camera].append(shift)
    floors = {c: scene_floor(marks[c], some) for c, some in shifts.items()}
    sound = {c: f for c, f in floors.items() if isinstance(f, NoiseFloor)}
    return SceneReference(shots[0].name, {}, marks, sound)


def kept_files(scene: SceneReference, name: str, home: Path) -> dict[str, Path]:
    """The reference's pictures in the session's folder. Raises BadInput where they are not there."""
    if Path(name).is_file():
        raise BadInput(f"{name} is packed: unpack it first (holdstill unpack {name}), the scene is inside.")
    store = Originals(
        find_session(name, home) / "originals", preview_of=preview_of_file, png_of=png_of_file
    )
    files = {c: store.path(digest) for c, digest in scene.originals.items()}
    there = {c: path for c, path in files.items() if isinstance(path, Path)}
    if not there:
        raise BadInput(f"the pictures of the still series are no longer in {store.folder}; use the plate.")
    return there


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


def later_shots(
    state: State, pictures: Sequence[Path], pattern: str | None
) -> tuple[list[Shot], list[str]]:
    """The shots in a folder, or those made of the pictures named; and what could not be read. Raises
    BadInput for pictures that are not there or of cameras that the session does not have."""
    refused: list[str] = []
    wanted = {p.resolve() for p in pictures if not p.is_dir()}
    for path in wanted:
        if not path.is_file():
            raise BadInput(f"{path} is not there. Name a folder or pictures.")
    folders = list(dict.fromkeys(p if p.is_dir() else p.parent for p in pictures))
    shots: list[Shot] = []
    count = len(state.cameras)
    for folder in folders:
        shots += read_folder(folder, pattern, complain=lambda n, c, m: refused.append(m), cameras=count)
    if wanted:
        whole = {p.resolve() for p in pictures if p.is_dir()}
        shots = [s for s in shots if any(_is_named(o, wanted, whole) for o in s.originals.values())]
    for shot in shots:
        strange = set(shot.originals) - set(state.cameras)
        if strange:
            raise BadInput(
                f"there are pictures of {', '.join(sorted(strange))}, the session's cameras are "
                f"{', '.join(state.cameras)}. Name the files as in the session, or give --pattern."
            )
    return shots, refused


def _is_named(original: Original, files: set[Path], folders: set[Path]) -> bool:
    if not isinstance(original, FrameFile):
        return False
    path = original.path.resolve()
    return path in files or path.parent in folders


def sorted_out(
    state: State, shots: Sequence[Shot]
) -> tuple[list[View], list[Shot], DriftResult | None, list[str]]:
    """Clean views of the plate, shots that show none, what pictures of another size mean, and why shots
    were not used."""
    sizes: DriftResult | None = None
    eye, live = Eye(state.plate, previews=False), Live()
    views: list[View] = []
    bare: list[Shot] = []
    refused: list[str] = []
    for number, shot in enumerate(shots, start=1):
        report = eye.look_at(shot)
        live = session.look(replace(live, seen_trouble=None), state, report)
        other = session.against(state, report.sizes_px, report.taken_at_ms)
        if other is not None:
            camera = str(other.numbers["camera"])
            why = ("picture size",)
            sizes = DriftResult(True, True, camera, 0.0, 0.0, math.inf, why, None, other.numbers)
            refused.append(f"{shot.name}: {say(Say(f'reason.withdrawn.{other.reason}', other.numbers))}.")
        elif live.seen_trouble is not None:
            if no_plate(report, state.plate):
                bare.append(shot)
            headline, _ = trouble_says(live.seen_trouble.trouble, live.seen_trouble.camera, None)
            refused.append(f"{shot.name}: {say(headline)}.")
        else:
            at_ms, kept = shot.taken_at_ms, dict(live.sightings)
            views.append(View(number, shot.name, at_ms, kept, dict(report.measures)))
    return views, bare, sizes, refused


def tell(result: DriftResult, count: int, refused: list[str]) -> None:
    """The outcome in words."""
    for message in refused:
        print(f"  not used  {message}")
    key = "moved" if result.moved and result.matters else "within" if result.moved else "unmoved"
    print(f"{say(Say(f'advice.recheck.{key}'))} (from {count} shots)")
    camera = result.camera or "the cameras against each other"
    moved = f"{result.shift_px:.3f} px, {result.turn_deg:.4f} degrees"
    print(f"  {camera}: {moved}, {result.significance:.1f} sigma")
    words = Words()
    for reason in result.reasons:
        print(f"  - {drift_reason(reason, words)}")
