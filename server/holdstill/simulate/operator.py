"""A simulated operator: follows the cues with a person's pace, error, tremor and lapses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from holdstill.records import Advice, FloatArray, Order, Part, Step, Trouble

from .hand import Limb, holding, laid_over
from .held import Held, held_of, nearest_turn
from .optics import SimRig
from .scene import PlateBody


@dataclass(frozen=True, slots=True)
class Skill:
    """How good the operator is.

    tilt_sigma_deg, place_sigma_mm
        Error of a first move, one sigma per axis. `tilt_sigma_deg` 6 and `place_sigma_mm` 10: a
        careful person; 10 and 18: a sloppy one (chosen).
    reaction_s
        Mean time from a cue to the hand's start; `pace`: 1 = usual speed, 2 = twice as quick.
    lapse_rate
        Share of cues at which something goes wrong on purpose: a finger over the dots, moving
        while the picture is taken, the same pose again, the plate half out of the picture.
    sway_mm, tremor_mm
        Slow sway (below 1 Hz) and tremor (about 8 Hz) of hands that hold still, one sigma.
    """

    tilt_sigma_deg: float = 6.0
    place_sigma_mm: float = 10.0
    reaction_s: float = 0.65
    pace: float = 1.0
    lapse_rate: float = 0.2
    sway_mm: float = 0.10
    tremor_mm: float = 0.012


class Lapse(StrEnum):
    """What goes wrong on purpose."""

    NONE = "none"
    FINGER = "finger"
    RESTLESS = "restless"
    REPEAT = "repeat"
    HALF_OUT = "half out"


AWAY = Held(0.0, -35.0, 0.0, 40.0, 420.0, 60.0)
"""The plate put down: below the pictures."""

MIDDLE = Held()

PLAIN = Held(6.0, -5.0, 0.0, 0.0, 0.0, 15.0)
"""A way of holding that every camera can see: lying, in the middle, hardly leaning."""


@dataclass(frozen=True, slots=True)
class Move:
    """A hand's move from one way of holding to another, smooth (minimum jerk), from `start_s` on."""

    start_s: float
    seconds: float
    begin: FloatArray
    end: FloatArray

    def at(self, now_s: float) -> FloatArray:
        """The six numbers at a time; minimum jerk after Flash & Hogan, J. Neurosci. 5 (1985) 1688."""
        t = float(np.clip((now_s - self.start_s) / max(self.seconds, 1e-9), 0, 1))
        share = t**3 * (10 - 15 * t + 6 * t * t)
        return np.asarray(self.begin + share * (self.end - self.begin))


def move_seconds(begin: FloatArray, end: FloatArray, pace: float) -> float:
    """Time a hand takes, 0.35-2.2 s at pace 1: grows with the root of the way (chosen; cf. Fitts' law)."""
    step = end - begin
    way = float(np.hypot(np.linalg.norm(step[3:]), 1.6 * np.linalg.norm(step[:3])))
    return float(np.clip(0.28 + 0.155 * np.sqrt(way), 0.35, 2.2)) / pace


class Operator:
    """The person at the rig. Advance with `attend`; `held_at` tells where the plate is.

    All times in seconds on the caller's clock. Randomness from the generator given.
    """

    def __init__(self, rig: SimRig, thing: PlateBody, skill: Skill, rng: np.random.Generator) -> None:
        self.skill = skill
        self.lapse = Lapse.NONE
        self._rig = rig
        self._thing = thing
        self._rng = rng
        self._moves: list[Move] = []
        self._rest = AWAY.array()
        self._wish: FloatArray | None = None
        self._goal = AWAY.array()
        self._cue_number: int | None = None
        self._before: FloatArray | None = None
        self._lapse_until_s = -1.0
        self._finger: Limb | None = None
        self._trouble: Trouble | None = None
        self._trouble_since_s = 0.0
        self._tries = 0
        self._ready_at_s = 0.0
        self._settled_s = 0.0
        self._phases = rng.uniform(0, 2 * np.pi, (6, 5))
        self._grip = float(rng.uniform(-1, 1))

    # -- what the bench asks -------------------------------------------------------------------

    def held_at(self, now_s: float) -> Held:
        """How the plate is held at a time (not before the last `attend`), with sway and tremor."""
        six = self._steady(now_s) + self._unrest(now_s)
        return Held.of(six)

    def limbs(self, turn_deg: float) -> tuple[Limb, ...]:
        """The hands (and a stray finger) as they are now."""
        hands = holding(self._thing, turn_deg=turn_deg, rest=self._grip)
        return (*hands, self._finger) if self._finger is not None else hands

    def moving(self, now_s: float) -> bool:
        """Whether a move is under way."""
        return bool(self._moves) and now_s < self._moves[-1].start_s + self._moves[-1].seconds

    def away(self, now_s: float) -> bool:
        """Whether the plate lies out of sight."""
        return not self.moving(now_s) and bool(np.allclose(self._steady(now_s), AWAY.array(), atol=1e-6))

    def put_at(self, held: Held, now_s: float) -> None:
        """The plate is somewhere else now (a visitor let go of it): go on from there."""
        self._moves = []
        self._rest = held.array()
        self._goal = self._rest.copy()
        self._settled_s = now_s
        self._ready_at_s = now_s + 0.5

    # -- what the operator does ----------------------------------------------------------------

    def attend(self, now_s: float, advice: Advice | None) -> None:
        """Read what the coach says and act on it, as a person would: late, and one thing at a time."""
        if self._moves and not self.moving(now_s):
            self._rest = self._moves[-1].end
            self._settled_s = self._moves[-1].start_s + self._moves[-1].seconds
            self._moves = []
        if advice is None or self.moving(now_s) or now_s < self._ready_at_s:
            return
        if self._idle(now_s, advice):
            return
        self._lapses_end(now_s, advice)
        if advice.cue is not None and advice.cue.number != self._cue_number:
            self._follow(now_s, advice)
        elif self._remedy(now_s, advice):
            return
        elif self._wish is not None and now_s >= self._lapse_until_s:
            self._correct(now_s, advice)

    def _idle(self, now_s: float, advice: Advice) -> bool:
        """Steps and orders in which no pose is asked for. True when that settles it."""
        away = bool(np.allclose(self._rest, AWAY.array()))
        if advice.order in (Order.PAUSED, Order.DONE) or advice.step is Step.FOCUS:
            if not away:
                self._go(now_s, AWAY.array())
                self._forget()
            return True
        if advice.order is Order.WAIT and advice.cue is None and advice.trouble is None and not away:
            return True
        if advice.cue is None and away:
            shows = advice.order is Order.SHOW_PLATE or advice.step in (Step.LIGHT, Step.POSES, Step.RECHECK)
            if shows:
                self._wish = MIDDLE.array()
                self._go(now_s, self._with_error(self._wish, 0.5))
            return True
        return False

    def _follow(self, now_s: float, advice: Advice) -> None:
        """Start for a new cue: first turn, place and reach, then lean."""
        assert advice.cue is not None
        self._cue_number = advice.cue.number
        wished = held_of(advice.cue.pose_rig_from_plate, self._thing, self._rig)
        self._before = self._goal if self._wish is not None else None
        self._wish = self._near(wished).array()
        self._trouble = None
        self._tries = 0
        self.lapse = self._pick_lapse()
        goal = self._with_error(self._wish, 1.0)
        if self.lapse is Lapse.REPEAT and self._before is not None:
            goal = self._before + self._scatter(0.12)
        elif self.lapse is Lapse.HALF_OUT:
            way = self._wish[3:5] if np.linalg.norm(self._wish[3:5]) > 5 else np.array([1.0, 0.3])
            goal[3:5] += way / np.linalg.norm(way) * self._rng.uniform(48, 65)
        self._ready_at_s = now_s + self._delay()
        begin = self._ready_at_s
        self._grip = float(np.clip(self._grip + self._rng.normal(0, 0.35), -1, 1))
        between = self._rest.copy()
        between[2:] = goal[2:]
        if np.linalg.norm(between - self._rest) > 8 and np.linalg.norm(goal[:2] - self._rest[:2]) > 6:
            first = move_seconds(self._rest, between, self.skill.pace)
            second = move_seconds(between, goal, self.skill.pace)
            self._moves = [
                Move(begin, first, self._rest, between),
                Move(begin + first + 0.15, second, between, goal),
            ]
        else:
            self._moves = [Move(begin, move_seconds(self._rest, goal, self.skill.pace), self._rest, goal)]
        self._goal = goal
        end = self._moves[-1].start_s + self._moves[-1].seconds
        if self.lapse is not Lapse.NONE:
            self._lapse_until_s = end + float(self._rng.uniform(2.6, 4.0))
        if self.lapse is Lapse.FINGER:
            plate = self._thing.plate
            self._finger = laid_over(
                self._thing,
                plate.columns * float(self._rng.uniform(0.55, 0.85)),
                plate.rows * float(self._rng.uniform(0.3, 0.8)),
            )

    def _pick_lapse(self) -> Lapse:
        if self._rng.uniform() >= self.skill.lapse_rate:
            return Lapse.NONE
        kinds = [Lapse.FINGER, Lapse.RESTLESS, Lapse.HALF_OUT]
        if self._before is not None:
            kinds.append(Lapse.REPEAT)
        return kinds[int(self._rng.integers(len(kinds)))]

    def _lapses_end(self, now_s: float, advice: Advice) -> None:
        """A lapse ends when its time is over, or when the coach has named it and the person reacted."""
        if self.lapse is Lapse.NONE:
            return
        named = {
            Lapse.FINGER: (Trouble.FINGER, Trouble.SHADOW),
            Lapse.RESTLESS: (Trouble.MOVED, Trouble.BLURRED, Trouble.UNSYNCHRONISED),
            Lapse.REPEAT: (Trouble.SAME_AS_BEFORE,),
            Lapse.HALF_OUT: (Trouble.HALF_OUT, Trouble.ONE_CAMERA, Trouble.NO_PLATE),
        }[self.lapse]
        if advice.trouble in named:
            self._lapse_until_s = min(self._lapse_until_s, now_s + 1.6 * self._delay())
        if now_s < self._lapse_until_s:
            return
        lapse, self.lapse = self.lapse, Lapse.NONE
        self._finger = None
        if lapse in (Lapse.REPEAT, Lapse.HALF_OUT) and self._wish is not None:
            self._go(now_s, self._with_error(self._wish, 0.7))

    def _remedy(self, now_s: float, advice: Advice) -> bool:
        """Act on a trouble that has stood for a while. True when something was done."""
        trouble = advice.trouble
        if trouble is not self._trouble:
            self._trouble, self._trouble_since_s = trouble, now_s
        if trouble is None or now_s < self._lapse_until_s:
            return False
        if (
            now_s - max(self._trouble_since_s, self._settled_s)
            < 1.1 * self.skill.reaction_s / self.skill.pace
        ):
            return False
        self._tries += 1
        goal = self._mended(trouble, advice)
        if goal is None:
            self._tries -= 1
            return False
        if self._tries >= 3:  # nothing helps: as asked, with care; in the end plainly in the middle
            wish = self._wish if self._wish is not None else MIDDLE.array()
            goal = wish + self._scatter(0.3) if self._tries % 3 else PLAIN.array() + self._scatter(0.3)
            goal = self._near(Held.of(goal)).array()
        self._go(now_s, goal)
        return True

    def _mended(self, trouble: Trouble, advice: Advice) -> FloatArray | None:
        """Where to hold the plate so that the trouble goes; None where only waiting helps."""
        wish = self._wish if self._wish is not None else MIDDLE.array()
        goal = self._rest.copy()
        if trouble in (Trouble.HALF_OUT, Trouble.ONE_CAMERA, Trouble.NO_PLATE):
            goal[3:5] *= 0.6
            goal[5] = min(goal[5] + 12.0, max(wish[5], 0.0) + 40.0)
        elif trouble is Trouble.GLARE:
            goal[:2] += self._tipped(advice)
        elif trouble in (Trouble.DEFOCUSED, Trouble.BLURRED):
            goal[5] *= 0.5
            goal[:2] *= 0.85
        elif trouble is Trouble.TURNED:
            goal[2] += 180.0 if goal[2] < 90 else -180.0
        elif trouble in (Trouble.FINGER, Trouble.SHADOW):
            self._finger = None
            self._grip = float(self._rng.uniform(-1, 1))
            goal[:2] *= 0.95
        elif trouble is Trouble.SAME_AS_BEFORE:
            goal = self._with_error(wish, 0.8)
        else:
            return None
        return goal

    def _tipped(self, advice: Advice) -> FloatArray:
        """The tip that the coach asked for against glare; any, where it named none. Degrees (2,)."""
        remedy = advice.remedy
        told = "" if remedy is None else remedy.key
        if ".tip." not in told or remedy is None:
            return np.asarray(self._rng.choice([-1.0, 1.0], 2) * np.array([4.0, 9.0]))
        side = str(remedy.values.get("side", ""))
        ways = {"left": (-9.0, 0.0), "right": (9.0, 0.0)}
        tip = ways.get(side, (0.0, 9.0 if ".top." in told else -9.0))
        return np.array(tip) + self._rng.normal(0.0, 1.5, 2)

    def _correct(self, now_s: float, advice: Advice) -> None:
        """Take off most of the remaining error, of the part the coach names first."""
        assert self._wish is not None
        since = now_s - self._settled_s
        asked = advice.order in (Order.MOVE, Order.A_LITTLE_MORE, Order.BACK_A_LITTLE)
        if advice.cue is None or since < self.skill.reaction_s or not (asked or since > 4.5):
            return
        if since > 4.5 and not asked and advice.order is not Order.HOLD_STILL:
            return
        error = self._wish - self._rest
        weight = np.full(6, 0.25)
        part = advice.guide.part if advice.guide is not None else None
        columns = {
            Part.ROLL: [2],
            Part.REACH: [5],
            Part.PLACE: [3, 4],
            Part.LEAN: [0, 1],
            Part.STILL: [0, 1, 2, 3, 4, 5],
        }
        weight[columns[part] if part is not None else list(range(6))] = self._rng.uniform(0.65, 0.95)
        self._go(now_s, self._rest + weight * error + self._scatter(0.15))

    def _near(self, held: Held) -> Held:
        """The same to the eye, with the least turn from where the plate is."""
        alike = self._thing.plate.turned_ids() is not None
        return nearest_turn(held, float(self._rest[2]), looks_turned=alike)

    # -- hands ---------------------------------------------------------------------------------

    def _forget(self) -> None:
        self._wish = None
        self._cue_number = None
        self.lapse = Lapse.NONE
        self._finger = None

    def _go(self, now_s: float, goal: FloatArray) -> None:
        start = now_s + 0.5 * self._delay()
        self._moves = [Move(start, move_seconds(self._rest, goal, self.skill.pace), self._rest.copy(), goal)]
        self._goal = goal
        self._ready_at_s = start

    def _delay(self) -> float:
        return float(self.skill.reaction_s * self._rng.lognormal(0, 0.25)) / self.skill.pace

    def _scatter(self, share: float) -> FloatArray:
        size = np.array(
            [
                *[self.skill.tilt_sigma_deg] * 2,
                0.5 * self.skill.tilt_sigma_deg,
                *[self.skill.place_sigma_mm] * 3,
            ]
        )
        return np.asarray(share * size * self._rng.standard_normal(6))

    def _with_error(self, wish: FloatArray, share: float) -> FloatArray:
        return wish + self._scatter(share)

    def _steady(self, now_s: float) -> FloatArray:
        where = self._rest
        for move in self._moves:
            if now_s >= move.start_s:
                where = move.at(now_s)
        return where

    def _unrest(self, now_s: float) -> FloatArray:
        """Sway and tremor, and the unrest of a person who does not hold still, (6,)."""
        hertz = np.array([0.23, 0.41, 0.68, 7.9, 9.3])
        sway, tremor = self.skill.sway_mm, self.skill.tremor_mm
        size = np.array([sway, 0.6 * sway, 0.3 * sway, tremor, 0.7 * tremor])
        if self.lapse is Lapse.RESTLESS and self._settled_s <= now_s < self._lapse_until_s:
            size = size + np.array([0, 0, 6.0, 0, 0])
        wave = np.sqrt(2.0) * np.sin(2 * np.pi * hertz * now_s + self._phases) @ size
        wave[:3] *= 0.5  # degrees for millimetres: a hand's breadth of lever
        return np.asarray(wave)


def sloppy(skill: Skill) -> Skill:
    """The same person on a bad day: 10 degrees and 18 mm."""
    return replace(skill, tilt_sigma_deg=10.0, place_sigma_mm=18.0)
