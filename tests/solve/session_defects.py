"""Defects of a session, each a change of its script, so that any two can be put together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from holdstill.geometry import compose
from holdstill.records import Lens, Pose, Say, Sighting
from solve import spoilt_sightings
from solve.ready_sessions import LATER, MORE, PROOF, SOLVE, Lived, Script, ShotScript
from solve.sighting_rigs import DOTS, Truth

Change = Callable[[Script], None]
Seen = dict[str, Sighting]


@dataclass(frozen=True, slots=True)
class Defect:
    """What goes wrong; `named`: labels (see `labels`) of which one must be among the verdict's reasons."""

    name: str
    change: Change
    named: tuple[str, ...]
    brought_back: bool = False


def labels(lived: Lived) -> list[str]:
    """The verdict's reasons as short labels, and why shots were refused at the gate."""
    return [_label(r) for r in lived.reasons()] + [f"gate: {r}" for r in dict.fromkeys(lived.refused)]


def _label(reason: Say) -> str:
    values = reason.values
    match reason.key:
        case "reason.check":
            return f"{values['check']}: {values['value']}"
        case "reason.over goal":
            return "over goal"
        case "reason.proof failed":
            return f"proof: {values['why']}"
        case _:
            return reason.key.removeprefix("reason.")


# -- the rig -----------------------------------------------------------------------------------------


def _retruth(shots: list[ShotScript], change: Callable[[Truth], Truth]) -> None:
    made: dict[int, Truth] = {}
    for shot in shots:
        key = id(shot.truth)
        if key not in made:
            made[key] = change(shot.truth)
        shot.truth = made[key]


def bump(use: str, share: float, low_deg: float, high_deg: float) -> Change:
    """One camera is knocked: turned by low to high degrees about a random axis, shifted a little."""

    def change(script: Script) -> None:
        rng = script.rng
        axis = rng.normal(0, 1, 3) * [1, 1, 0.3]
        angle = np.radians(np.exp(rng.uniform(np.log(low_deg), np.log(high_deg))))
        knock = Pose.of(axis / np.linalg.norm(axis) * angle, rng.normal(0, 0.03, 3))
        which = int(rng.integers(2))

        def moved(truth: Truth) -> Truth:
            poses = list(truth.poses)
            poses[which] = compose(knock, poses[which])
            return replace(truth, poses=poses)

        _retruth(script.since(use, share), moved)

    return change


def relens(use: str, share: float, change_lens: Callable[[Lens, np.random.Generator], Lens]) -> Change:
    """One camera's lens or window changes."""

    def change(script: Script) -> None:
        which = int(script.rng.integers(2))
        seed = int(script.rng.integers(1 << 31))

        def other(truth: Truth) -> Truth:
            lenses = list(truth.lenses)
            lenses[which] = change_lens(lenses[which], np.random.default_rng(seed))
            return replace(truth, lenses=tuple(lenses))

        _retruth(script.since(use, share), other)

    return change


def focus_turned(lens: Lens, rng: np.random.Generator) -> Lens:
    factor = 1.0 + float(rng.choice([-1, 1]) * rng.uniform(0.002, 0.01))
    return replace(lens, fx=lens.fx * factor, fy=lens.fy * factor, cx=lens.cx + rng.normal(0, 2),
                   cy=lens.cy + rng.normal(0, 2))


def window_moved(lens: Lens, rng: np.random.Generator) -> Lens:
    step = rng.integers(1, 5, 2) * 16 * rng.choice([-1, 1], 2)
    return replace(lens, cx=lens.cx + float(step[0]), cy=lens.cy + float(step[1]))


def binned(lens: Lens, rng: np.random.Generator) -> Lens:
    del rng
    width, height = lens.size_px
    return replace(lens, fx=lens.fx / 2, fy=lens.fy / 2, cx=(lens.cx + 0.5) / 2 - 0.5,
                   cy=(lens.cy + 0.5) / 2 - 0.5, size_px=(width // 2, height // 2))


def both_binned(script: Script) -> None:
    _retruth(script.since(LATER), lambda t: replace(
        t, lenses=tuple(binned(lens, script.rng) for lens in t.lenses)))


# -- the plate ---------------------------------------------------------------------------------------


def pitch(use: str, share: float) -> Change:
    """Another plate, or a print that shrank: the same dots at another pitch than told."""

    def change(script: Script) -> None:
        factor = float(script.rng.choice([0.857, 0.96, 0.97, 1.03, 1.05]))
        _retruth(script.since(use, share), lambda t: replace(
            t, plate=replace(t.plate, pitch_mm=t.plate.pitch_mm * factor),
            bend=None if t.bend is None else t.bend * factor))

    return change


def _bowl(amount_mm: float, mix: np.ndarray) -> np.ndarray:
    u, v = ((DOTS.points_mm()[:, :2] / DOTS.points_mm()[:, :2].max(axis=0)) * 2 - 1).T
    bend = np.zeros((DOTS.point_count, 3))
    bend[:, 2] = amount_mm * (mix[0] * (1 - u**2) + mix[1] * (1 - v**2) + mix[2] * u * v)
    return bend


def bent(script: Script) -> None:
    """Paper that bulges by half a millimetre and more."""
    amount = float(script.rng.uniform(0.5, 1.2))
    bend = _bowl(amount, np.array([0.5, 0.5, 0.0]))
    _retruth(script.shots, lambda t: replace(t, bend=bend))


def flexing(script: Script) -> None:
    """A plate that bends another way in every view."""
    for shot in script.shots:
        amount = float(script.rng.normal(0, 0.25))
        mix = script.rng.normal(0, 0.6, 3)
        shot.truth = replace(shot.truth, bend=_bowl(amount, mix))


# -- the shots ---------------------------------------------------------------------------------------


def _swap(seen: Seen, rng: np.random.Generator) -> Seen:
    del rng
    return spoilt_sightings.swapped(seen)


def swapped(script: Script) -> None:
    for shot in script.shots:
        shot.after.append(_swap)


def swapped_in_some(script: Script) -> None:
    for i in (4, 9, 14):
        script.shots[i].after.append(_swap)


def mirrored(*cameras: str) -> Change:
    def change(script: Script) -> None:
        for shot in script.shots:
            shot.after.append(lambda seen, rng: {
                n: spoilt_sightings.mirrored(s) if n in cameras else s for n, s in seen.items()})

    return change


def unsynchronised(every: int, low_mm: float, high_mm: float) -> Change:
    """The plate moves between the cameras in each `every`-th shot."""

    def change(script: Script) -> None:
        amount = float(np.exp(script.rng.uniform(np.log(low_mm), np.log(high_mm))))
        for shot in script.shots[every - 1 :: every]:
            shot.apart = (amount / 300.0, amount)

    return change


def wrong_indices(script: Script) -> None:
    """Some pictures of one camera are numbered one column over."""

    def moved(seen: Seen, rng: np.random.Generator) -> Seen:
        del rng
        if "right" not in seen:
            return seen
        return {**seen, "right": spoilt_sightings.one_column_over(seen["right"])}

    for i in (3, 10, 15):
        script.shots[i].after.append(moved)


def blurred(script: Script) -> None:
    """Every third shot is out of focus or smeared, its noise ten times what the finder says."""
    for shot in script.part(SOLVE, MORE)[2::3]:
        shot.blur_px, shot.sigma_px = 1.45, 0.5


def lamp_dies(script: Script) -> None:
    """From half-way on the light is poor and one-sided: dots are pulled by its slope."""
    fill = float(script.rng.uniform(0.3, 0.5))
    for shot in script.since(SOLVE, 0.5):
        shot.fill, shot.noise_gray = fill, 3.0
        shot.sigma_px, shot.correlated = 5.0 * shot.sigma_px, 0.7


def lamp_goes_out(script: Script) -> None:
    """From half-way on it is dark."""
    for shot in script.since(SOLVE, 0.5):
        shot.fill, shot.noise_gray = 0.06, 3.0
        shot.sigma_px, shot.correlated = 20.0 * shot.sigma_px, 0.7


def noisy(script: Script) -> None:
    """Vibration or heat haze: the dots scatter six times as much as their finder believes."""
    for shot in script.shots:
        shot.sigma_px, shot.correlated = 6.0 * shot.sigma_px, 0.5


def glare_unseen(script: Script) -> None:
    """Glare pulls two dozen dots in half of the views by up to a pixel, and no frame measure tells."""

    def pulled(seen: Seen, rng: np.random.Generator) -> Seen:
        out = dict(seen)
        for name, s in seen.items():
            at = s.points_px.copy()
            middle = at[int(rng.integers(len(at)))]
            reach = np.linalg.norm(at - middle, axis=1)
            off = (at - middle) / np.maximum(reach, 1.0)[:, None]
            at += 0.8 * off * np.exp(-0.5 * (reach / 250.0) ** 2)[:, None]
            out[name] = replace(s, points_px=at)
        return out

    for shot in script.part(SOLVE, MORE)[::2]:
        shot.after.append(pulled)


def few_views(script: Script) -> None:
    script.shots = script.part(SOLVE)[:5] + script.part(PROOF, LATER)


def alike_views(script: Script) -> None:
    """The plate is held nearly flat in the middle all the time."""
    from solve.sighting_rigs import plate_poses

    mine = script.part(SOLVE, MORE)
    for shot, pose in zip(mine, plate_poses(script.rng, len(mine), tilt_deg=2.0, spread_mm=5.0,
                                            depth_mm=5.0, upright=0.0), strict=True):
        shot.pose = pose


SINGLE: tuple[Defect, ...] = (
    Defect("cameras swapped", swapped, ("sides",)),
    Defect("cameras swapped in some shots", swapped_in_some, ("odd views: cameras swapped",)),
    Defect("one camera mirrored", mirrored("right"), ("solve.mirrored",)),
    Defect("both cameras mirrored", mirrored("left", "right"), ("sides", "solve.mirrored")),
    Defect("some pairs not at the same moment", unsynchronised(5, 0.1, 0.6),
           ("odd views: moved between", "shutters together")),
    Defect("no pair at the same moment", unsynchronised(1, 0.05, 0.6),
           ("shutters together", "odd views: moved between")),
    Defect("camera knocked half-way", bump(SOLVE, 0.5, 0.002, 0.08), ("cameras steady",)),
    Defect("camera knocked near the end", bump(SOLVE, 0.8, 0.004, 0.08), ("cameras steady",)),
    Defect("camera knocked before the proof", bump(PROOF, 0.0, 0.003, 0.08), ("proof", "withdrawn.moved")),
    Defect("camera knocked during the proof", bump(PROOF, 0.34, 0.003, 0.08), ("proof", "withdrawn.moved")),
    Defect("camera knocked before the recheck", bump(LATER, 0.0, 0.003, 0.08), ("withdrawn.moved",)),
    Defect("focus turned half-way", relens(SOLVE, 0.5, focus_turned), ("lens steady",)),
    Defect("focus turned before the recheck", relens(LATER, 0.0, focus_turned), ("withdrawn.moved",)),
    Defect("window moved half-way", relens(SOLVE, 0.5, window_moved), ("cameras steady", "lens steady")),
    Defect("window moved before the recheck", relens(LATER, 0.0, window_moved), ("withdrawn.moved",)),
    Defect("one camera binned half-way", relens(SOLVE, 0.5, binned), ("withdrawn.size",)),
    Defect("one camera binned before the recheck", relens(LATER, 0.0, binned), ("withdrawn.size",)),
    Defect("both binned before the recheck", both_binned, ("withdrawn.size",)),
    Defect("wrong pitch", pitch(SOLVE, 0.0), ("baseline",)),
    Defect("plate swapped half-way", pitch(SOLVE, 0.5), ("same plate",)),
    Defect("plate swapped near the end", pitch(SOLVE, 0.8), ("same plate",)),
    Defect("plate bent", bent, ("plate",)),
    Defect("plate flexes", flexing, ("noise", "plate", "over goal")),
    Defect("a third blurred", blurred, ("blur", "set aside", "gate: defocused")),
    Defect("lamp fails half-way", lamp_dies, ("light", "gate: too dark")),
    Defect("lamp out half-way", lamp_goes_out, ("gate: too dark",)),
    Defect("haze or vibration", noisy, ("noise", "over goal")),
    Defect("glare nobody measured", glare_unseen, ("noise", "over goal", "set aside", "odd views")),
    Defect("some pictures misnumbered", wrong_indices, ("odd views: wrong index",)),
    Defect("misnumbered and brought back", wrong_indices, ("noise", "shutters together"), brought_back=True),
    Defect("few views", few_views, ("few views",)),
    Defect("views alike", alike_views, ("over goal", "solve.views too alike")),
)
