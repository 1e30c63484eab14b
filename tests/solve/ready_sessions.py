"""Whole sessions from numbers alone, as an operator would live through them: views judged, solved and
proven, the rig rechecked, and what the session's own verdict says at the end; with defects that can
be put together.

A script tells, shot by shot, what the rig and the plate truly are and how the dots are read; a defect
changes a script. The truth at the end is compared with the calibration by projecting a grid of the
measuring volume through the true cameras and measuring it with the solved ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from holdstill import session, solve
from holdstill.geometry import compose, matrices, project, visible_in
from holdstill.geometry.quantities import Volume, gauge_ends
from holdstill.geometry.two_view import epipolar_px, triangulate
from holdstill.limits import limit
from holdstill.records import (
    CameraEstimate,
    DriftResult,
    Estimate,
    FrameMeasures,
    Nothing,
    Pose,
    ProofResult,
    Ready,
    Rig,
    Say,
    ShotReport,
    Sighting,
    Step,
    Verdict,
    View,
)
from holdstill.records import events as ev
from holdstill.session import Keep, Live, Refuse, State
from solve.sighting_rigs import CENTRE, DOTS, REFERENCE, TAPED, Truth, noise, plate_poses

CAMERAS = ("left", "right")
SOLVE, MORE, PROOF, LATER = "solve", "more", "proof", "later"


@dataclass(slots=True)
class ShotScript:
    """One shot: what it is for, the plate's pose, what rig and plate truly are then, how dots are read.

    sigma_px: true noise of a dot; told_px: what the finder says of it; correlated: share of the
    variance that is smooth over the plate. apart: motion of the plate between the cameras (rad, mm).
    fill: level of the dots; blur_px: blur of the edges; after: changes of the finished sightings.
    """

    use: str
    pose: Pose
    truth: Truth
    sigma_px: float = 0.05
    told_px: float = 0.05
    correlated: float = 0.2
    apart: tuple[float, float] = (0.0, 0.0)
    fill: float = 0.92
    noise_gray: float = 1.5
    blur_px: float = 1.0
    scale_px: float = 1.0
    """Binning: pixels per old pixel."""
    after: list[Callable[[dict[str, Sighting], np.random.Generator], dict[str, Sighting]]] = field(
        default_factory=list
    )


@dataclass(slots=True)
class Script:
    """A session to be lived through."""

    rig: Rig
    shots: list[ShotScript]
    rng: np.random.Generator

    def part(self, *uses: str) -> list[ShotScript]:
        return [s for s in self.shots if s.use in uses]

    def since(self, use: str, share: float = 0.0) -> list[ShotScript]:
        """All shots from `share` of the way through the shots of one use."""
        mine = [i for i, s in enumerate(self.shots) if s.use == use]
        return self.shots[mine[int(share * len(mine))] :]


def plain(rng: np.random.Generator, *, views: int = 18, more: int = 12) -> Script:
    """A clean session: views as an attentive operator takes them, a taped baseline. `more`: views in
    hand should the goals not be met yet."""
    uses = [SOLVE] * views + [MORE] * more + [PROOF] * 3 + [LATER] * 2
    truth = Truth()
    sigma, correlated = float(rng.uniform(0.03, 0.05)), float(rng.uniform(0.0, 0.2))
    tape = replace(TAPED, tape_baseline_mm=243.1 + float(rng.normal(0.0, 1.0)))
    poses = whole_poses(rng, len(uses), truth)
    shots = [
        ShotScript(use, pose, truth, sigma, sigma, correlated) for use, pose in zip(uses, poses, strict=True)
    ]
    return Script(tape, shots, rng)


def whole_poses(rng: np.random.Generator, count: int, truth: Truth) -> list[Pose]:
    """Poses in which every camera sees nearly the whole plate, out to the pictures' borders."""
    out: list[Pose] = []
    while len(out) < count:
        for pose in plate_poses(rng, count, spread_mm=45.0, depth_mm=45.0):
            r, t = matrices(pose)
            at = truth.points() @ r.T + t
            seen = [visible_in(lens, lens.size_px, cam, at).mean()
                    for lens, cam in zip(truth.lenses, truth.poses, strict=True)]
            if min(seen) > 0.92:
                out.append(pose)
    return out[:count]


# -- from a script to sightings -------------------------------------------------------------------


def sightings_of(shot: ShotScript, rng: np.random.Generator) -> dict[str, Sighting]:
    """What the cameras see in a shot."""
    out = {}
    turn, shift = shot.apart
    later = compose(Pose.of(rng.normal(0, 1, 3) * turn, rng.normal(0, 1, 3) * shift), shot.pose)
    truth = shot.truth
    for camera, name in enumerate(CAMERAS):
        r, t = matrices(shot.pose if camera == 0 else later)
        in_rig = truth.points() @ r.T + t
        lens = truth.lenses[camera]
        seen = visible_in(lens, lens.size_px, truth.poses[camera], in_rig)
        if seen.sum() < 20:
            continue
        cr, ct = matrices(truth.poses[camera])
        pixels = project(lens, in_rig @ cr.T + ct)
        pixels = pixels + noise(rng, DOTS, shot.sigma_px, correlated=shot.correlated)
        pixels = (pixels + 0.5) * shot.scale_px - 0.5
        ids = np.flatnonzero(seen).astype(np.int32)
        missing = np.flatnonzero(~seen).astype(np.int32)[:0]
        width, height = lens.size_px
        out[name] = Sighting(
            name, (round(width * shot.scale_px), round(height * shot.scale_px)), ids, pixels[ids],
            np.full(len(ids), shot.told_px), np.zeros(len(ids), dtype=np.int32), missing,
            np.zeros((0, 2)), absolute=True, blur_px=shot.blur_px, dot_diameter_px=60.0,
        )
    for change in shot.after:
        out = change(out, rng)
    return out


def measures_of(shot: ShotScript, camera: str) -> FrameMeasures:
    """Measures of a frame whose dots are as bright and as sharp as the script says."""
    return FrameMeasures(
        camera, mean_level=120.0 * shot.fill, sharpness=1.0, sharpness_regions=(1.0,), region_grid=(1, 1),
        region_means=(120.0 * shot.fill,),
        edge_width_px=2.6 * shot.blur_px, saturated_share=0.0, saturated_in_dots=0.0, saturated_outside=0.0,
        clip_level=255.0, dot_fill=shot.fill, ground_fill=0.12 * shot.fill, evenness=0.9,
        noise_gray=shot.noise_gray, high_share=shot.fill,
    )


def report_of(shot: ShotScript, number: int, rng: np.random.Generator) -> ShotReport:
    """The shot as the eye reports it."""
    seen = sightings_of(shot, rng)
    sizes = {c: s.image_size_px for c, s in seen.items()}
    for camera, lens in zip(CAMERAS, shot.truth.lenses, strict=True):
        sizes.setdefault(camera, lens.size_px)
    whole: dict[str, Sighting | Nothing] = {
        c: seen.get(c, Nothing("too few dots", {"found": 0, "needed": 24})) for c in CAMERAS
    }
    return ShotReport(
        number, f"shot {number:03d}", 1000.0 * number, True, whole,
        {c: measures_of(shot, c) for c in CAMERAS}, {}, sizes, dict.fromkeys(CAMERAS, 8),
    )


# -- living through it ----------------------------------------------------------------------------


@dataclass(slots=True)
class Lived:
    """What came of a session: its state, the verdict before and after the recheck, why later shots
    could not be compared."""

    state: State
    proven: Verdict
    final: Verdict
    refused: list[str]

    @property
    def estimate(self) -> Estimate | None:
        return self.state.estimate

    def reasons(self) -> list[Say]:
        return [*self.final.reasons]


def live_through(script: Script, *, brought_back: bool = False) -> Lived:
    """Take every shot of the script as a careful operator with a folder of single shots does.

    `brought_back`: the operator overrules every setting aside.
    """
    rng, live, at = script.rng, Live(), 0.0
    state = session.step(State(), ev.SessionOpened(0.0, "fork", "ab", DOTS, script.rig, CAMERAS, True))
    refused: list[str] = []

    def happen(event: ev.Event) -> None:
        nonlocal state
        state = session.step(state, event)

    def take(shot: ShotScript, number: int) -> None:
        nonlocal live, at
        report = report_of(shot, number, rng)
        at = report.taken_at_ms
        live = session.look(replace(live, seen_trouble=None), state, report)
        decision = session.judge(state, live, report)
        if isinstance(decision, Keep):
            view = View(number, report.name, at, dict(live.sightings), dict(report.measures),
                        proof=shot.use == PROOF)
            happen(ev.ViewKept(at, view, None, decision.grounds))
        elif isinstance(decision, Refuse):
            refused.append(decision.trouble.value)
            happen(ev.ShotRefused(at, report.name, decision.trouble, decision.camera))

    number = 0
    for shot in script.part(SOLVE):
        number += 1
        take(shot, number)
    _work(state_of := [state], at)
    state = state_of[0]
    for shot in script.part(MORE):
        # the coach goes on asking while a goal is not met
        if state.estimate is None or all(q.value <= 0.8 * q.goal for q in state.estimate.quantities):
            break
        number += 1
        take(shot, number)
        if number % 4 == 0:
            _work(state_of := [state], at)
            state = state_of[0]
    _work(state_of := [state], at)
    state = state_of[0]
    if brought_back and state.estimate is not None:
        for aside in {a.view_id for a in state.estimate.set_aside if not a.point_ids}:
            happen(ev.ViewBroughtBack(at, aside))
        _work(state_of := [state], at)
        state = state_of[0]
    happen(ev.StepEntered(at, Step.PROOF))
    for shot in script.part(PROOF):
        number += 1
        take(shot, number)
    happen(ev.SettingChanged(at, "proof_views", min(3, len(state.standing(proof=True)))))
    _work(state_of := [state], at)
    state = state_of[0]
    proven = session.verdict(state)
    later = []
    for shot in script.part(LATER):
        number += 1
        report = report_of(shot, number, rng)
        seen = session.look(replace(live, seen_trouble=None), state, report)
        if seen.seen_trouble is not None:
            refused.append(f"later: {seen.seen_trouble.trouble.value}")
            spoken = session.against(state, report.sizes_px, report.taken_at_ms)
            if spoken is not None:
                happen(spoken)
            continue
        at_ms, kept = report.taken_at_ms, dict(seen.sightings)
        later.append(View(number, report.name, at_ms, kept, dict(report.measures)))
    if later and state.estimate is not None:
        found = solve.recheck(state.plate, state.rig, state.estimate, later)
        if isinstance(found, DriftResult):
            happen(ev.Rechecked(at + 1.0, found, later[0].name))
        else:
            refused.append(f"recheck: {found.why}")
    return Lived(state, proven, session.verdict(state), refused)


def _work(box: list[State], at_ms: float) -> None:
    """What the session wants worked out, done, as the loop does it."""
    from holdstill.loop.outcome import event_of
    from holdstill.loop.worker import do

    while (work := session.wanted(box[0])) is not None and not isinstance(work, session.PlanWork):
        event = event_of(work, do(work), at_ms=at_ms, took_ms=0.0)
        if event is None:
            return
        box[0] = session.step(box[0], event)


# -- the truth -------------------------------------------------------------------------------------


def true_errors(truth: Truth, estimate: Estimate, rig: Rig = REFERENCE) -> dict[str, float]:
    """True error over its goal, by quantity: shape, length, epipolar, each rms over the volume."""
    volume = Volume(CENTRE, np.eye(3), np.array(rig.volume_mm))
    points = volume.points()
    solved = {c.name: c for c in estimate.cameras}
    cameras = [solved[n] for n in CAMERAS]
    first, second = gauge_ends(volume, 100.0)
    everything = np.concatenate([points, first, second])
    pixels = [
        project(lens, everything @ matrices(pose)[0].T + matrices(pose)[1])
        for lens, pose in zip(truth.lenses, truth.poses, strict=True)
    ]
    at, _ = triangulate([c.lens for c in cameras], [c.pose_cam_from_rig for c in cameras], pixels)
    at = np.nan_to_num(at, nan=1e6)
    n, m = len(points), len(first)
    scale_um = 1000.0 * 700.0 / truth.lenses[0].fx
    rest = _after_motion(points, at[:n])
    long = np.linalg.norm(at[n + m :] - at[n : n + m], axis=1) - np.linalg.norm(second - first, axis=1)
    gap = epipolar_px(cameras[0].lens, cameras[1].lens, _between(cameras), pixels[0][:n], pixels[1][:n])
    gap = np.nan_to_num(gap, nan=1e3)
    return {
        "shape": 1000.0 * float(np.sqrt((rest**2).sum(axis=1).mean()))
        / (limit("goal_shape_share_px") * scale_um),
        "length": 1000.0 * float(np.sqrt((long**2).mean())) / (limit("goal_length_share_px") * scale_um),
        "epipolar": float(np.sqrt((gap**2).mean())) / limit("goal_epipolar_px"),
    }


def _between(cameras: list[CameraEstimate]) -> Pose:
    from holdstill.geometry import invert

    return compose(cameras[1].pose_cam_from_rig, invert(cameras[0].pose_cam_from_rig))


def _after_motion(true: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Rest (n, 3) mm once the best rigid motion is taken off (Kabsch)."""
    a, b = true - true.mean(axis=0), found - found.mean(axis=0)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return b @ turn - a


def is_ready(verdict: Verdict) -> bool:
    return verdict.state is Ready.READY


__all__ = [
    "CAMERAS",
    "LATER",
    "MORE",
    "PROOF",
    "SOLVE",
    "Lived",
    "ProofResult",
    "Script",
    "ShotScript",
    "is_ready",
    "live_through",
    "plain",
    "true_errors",
]
