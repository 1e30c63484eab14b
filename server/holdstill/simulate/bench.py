"""The simulated bench: rig, plate, light, operator, and a visitor's hand on all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from holdstill.records import Advice, FrameBytes, Plate, PlateKind, Pose, Rig, SimState, Step

from .backdrop import backdrop
from .control import Change
from .hand import Limb, holding, laid_over
from .held import Held, pose_of
from .light import GLARING, LEVEL, Lamp
from .operator import Operator, Skill
from .optics import (
    SimRig,
    about_x,
    about_y,
    after,
    demo_rig,
    moved,
    projected,
    rotation_matrix,
    rotation_vector,
)
from .quick import Grain, QuickCamera, quick_exposed
from .ring import Iris, Ring
from .scene import body
from .sensor import Sensor
from .setting import Setting


def demo_plate() -> Plate:
    """The demo's plate: ``dots 14x10 11mm d5.5mm bright``.

    As large as the field takes it upright too, with a hand's error of 10 mm to spare.
    """
    return Plate(PlateKind.DOTS, 14, 10, 11.0, 5.5, dark_dots=False)


@dataclass(frozen=True, slots=True, eq=False)
class BenchSettings:
    """What a bench is made of.

    exposure_ms
        Exposure time at 0 stops. `level`: level of a white plate then (1 = full well); 1.15 puts
        the dots of the plate just at clipping.
    bow_um
        Sag of the plate (see `PlateBody`).
    """

    rig: SimRig = field(default_factory=demo_rig)
    plate: Plate = field(default_factory=demo_plate)
    sensor: Sensor = field(default_factory=Sensor)
    skill: Skill = field(default_factory=Skill)
    lamps: tuple[Lamp, ...] = LEVEL
    exposure_ms: float = 4.0
    level: float = 1.15
    bow_um: float = 0.0
    volume_mm: tuple[float, float, float] = (120.0, 100.0, 60.0)


class Bench:
    """A rig in time. ``advance(dt_s, advice)`` lets time pass, ``shoot(now_ms)`` takes a picture
    with every camera at once.

    Pure but for the generator it is given: the same seed, advice and steps give the same pictures.
    """

    def __init__(self, settings: BenchSettings, rng: np.random.Generator) -> None:
        self.settings = settings
        self.rig = settings.rig
        self.thing = body(settings.plate, bow_um=settings.bow_um)
        self.operator = Operator(settings.rig, self.thing, settings.skill, rng)
        self._eyes = {
            c.name: QuickCamera(c, self.thing, backdrop(c, settings.rig.pose_rig_from_bench))
            for c in settings.rig.cameras
        }
        self._grain = {c.name: Grain(c.lens.size_px, rng) for c in settings.rig.cameras}
        self._rings = {c.name: Ring(c.set_focus_mm, rng) for c in settings.rig.cameras}
        self._iris = Iris(len(settings.rig.cameras))
        self._now_s = 0.0
        self._shots = 0
        self._visitor: Held | None = None
        self._visitor_wish = Held()
        self._visitor_speed = np.zeros(6)
        self._focus_mm: float | None = None
        self._exposure_stops = 0.0
        self._gain_db = 0.0
        self._glare_lamp = False
        self._finger = False
        self._shake = False

    # -- time ----------------------------------------------------------------------------------

    def advance(self, dt_s: float, advice: Advice | None) -> None:
        """Let `dt_s` seconds pass while the coach says `advice` (None: nothing yet)."""
        self._now_s += dt_s
        self.operator.attend(self._now_s, advice)
        if self._visitor is not None:
            lag = 1 - float(np.exp(-dt_s / 0.12))
            before = self._visitor.array()
            after_move = before + lag * (self._visitor_wish.array() - before)
            self._visitor_speed = (after_move - before) / max(dt_s, 1e-6)
            self._visitor = Held.of(after_move)
        focusing = advice is not None and advice.step is Step.FOCUS
        self._iris.advance(self._now_s, focusing)
        for number, ring in enumerate(self._rings.values()):
            ring.advance(self._now_s, focusing, number)

    def held(self, now_s: float | None = None) -> Held:
        """How the plate is held at a time (default: now), tremor and shaking included."""
        at = self._now_s if now_s is None else now_s
        if self._visitor is None:
            held = self.operator.held_at(at)
        else:
            held = Held.of(self._visitor.array() + self._visitor_speed * (at - self._now_s))
        if self._shake:
            wave = np.sin(2 * np.pi * 3.1 * at + np.arange(6))
            held = Held.of(held.array() + wave * np.array([1.2, 1.2, 0.6, 3.0, 3.0, 1.5]))
        return held

    # -- pictures ------------------------------------------------------------------------------

    def shoot(self, now_ms: float) -> Mapping[str, FrameBytes]:
        """One picture per camera, taken now: raw 8- or 16-bit pictures in `FrameBytes.image`."""
        self._shots += 1
        frames: dict[str, FrameBytes] = {}
        exposure_ms = self.exposure_ms()
        sensor = replace(self.settings.sensor, gain_db=self._gain_db)
        setting = self.setting()
        held_before = self.held(self._now_s - exposure_ms * 1e-3)
        for name, eye in self._eyes.items():
            self._turn_ring(name, eye)
            motion = self._motion_px(eye, setting, held_before)
            image = quick_exposed(eye.level(setting, motion), sensor, self._grain[name])
            frames[name] = FrameBytes(
                camera=name,
                name=f"bench_{name}_{self._shots:05d}",
                taken_at_ms=now_ms,
                image=image,
                full_scale=sensor.full_scale,
                exposure_ms=exposure_ms,
                gain_db=self._gain_db,
            )
        return frames

    def setting(self) -> Setting:
        """The scene as it is now."""
        lamps = (*self.settings.lamps, GLARING) if self._glare_lamp else self.settings.lamps
        stops = self._exposure_stops
        exposure = self.settings.level * 2.0**stops * self._iris.light_share(self.rig.cameras[0].f_number)
        if self._visitor is None and self.operator.away(self._now_s) and not self._shake:
            return Setting(self.rig, self.thing, None, lamps, (), exposure)
        held = self.held()
        return Setting(
            self.rig, self.thing, pose_of(held, self.thing, self.rig), lamps, self._limbs(held), exposure
        )

    def facts(self) -> dict[str, Any]:
        """The truth about the shot taken now: for tests and the demo's pages."""
        setting = self.setting()
        return {
            "pose_rig_from_plate": setting.pose_rig_from_plate,
            "moving": self.operator.moving(self._now_s) if self._visitor is None else None,
            "lapse": str(self.operator.lapse),
            "finger": len(setting.limbs) > len(holding(self.thing)),
            "exposure": setting.exposure,
            "glare_lamp": self._glare_lamp,
            "focus_mm": {name: eye.camera.focus_mm for name, eye in self._eyes.items()},
        }

    def exposure_ms(self) -> float:
        """Exposure time now, ms: shorter while the aperture is open for focusing."""
        share = self._iris.time_share(self.rig.cameras[0].f_number)
        return float(self.settings.exposure_ms * 2.0**self._exposure_stops * share)

    def described(self) -> Rig:
        """The rig as its owner would describe it."""
        return self.rig.described(self.settings.plate, self.settings.volume_mm)

    def _limbs(self, held: Held) -> tuple[Limb, ...]:
        limbs = (
            self.operator.limbs(held.turn_deg)
            if self._visitor is None
            else holding(self.thing, turn_deg=held.turn_deg)
        )
        if self._finger:
            plate = self.settings.plate
            limbs = (*limbs, laid_over(self.thing, plate.columns * 0.68, plate.rows * 0.45))
        return limbs

    def _turn_ring(self, name: str, eye: QuickCamera) -> None:
        focus_mm = self._focus_mm if self._focus_mm is not None else self._rings[name].focus_mm
        eye.focused(focus_mm, self._iris.f_number(self.rig.camera(name).f_number))

    def _motion_px(self, eye: QuickCamera, setting: Setting, before: Held) -> tuple[float, float]:
        if setting.pose_rig_from_plate is None:
            return 0.0, 0.0
        corners = self.thing.surface_mm(np.concatenate([self.thing.outline_mm, self.thing.centre_mm()[None]]))
        lens = eye.camera.lens_now()
        old = after(eye.camera.pose_cam_from_rig, pose_of(before, self.thing, self.rig))
        step = projected(moved(corners, setting.pose_cam_from_plate(eye.camera)), lens) - projected(
            moved(corners, old), lens
        )
        middle = step.mean(axis=0)
        return float(middle[0]), float(middle[1])

    # -- a visitor's hand ----------------------------------------------------------------------

    def set_exposure_stops(self, stops: float) -> None:
        """Exposure `stops` from the usual one (-6..6): time, and so the light caught."""
        self._exposure_stops = float(np.clip(stops, -6, 6))

    def set(self, change: Change) -> None:
        """Change what `control.read` made of a visitor's wishes; what it leaves None stays."""
        if change.visitor_holds is not None:
            self._hand_over(change.visitor_holds)
        held = {k: v for k, v in change.held.items() if v is not None}
        if held:
            self._hand_over(True)
            if "distance_mm" in held:
                held["z_mm"] = held.pop("distance_mm") - self.rig.stand_off_mm
            self._visitor_wish = replace(self._visitor_wish, **held)
        if change.exposure_stops is not None:
            self.set_exposure_stops(change.exposure_stops)
        if change.exposure_by_stops is not None:
            self.set_exposure_stops(self._exposure_stops + change.exposure_by_stops)
        if change.exposure_ms is not None:
            self.set_exposure_stops(float(np.log2(change.exposure_ms / self.settings.exposure_ms)))
        if change.gain_db is not None:
            self._gain_db = change.gain_db
        if change.focus_mm is not None:
            self._focus_mm = change.focus_mm
        self._glare_lamp = self._glare_lamp if change.glare_lamp is None else change.glare_lamp
        self._finger = self._finger if change.finger is None else change.finger
        self._shake = self._shake if change.shake is None else change.shake
        if change.knock_deg is not None:
            self.knock(change.knock_deg)

    def knock(self, angle_deg: float) -> None:
        """Someone bumps the last camera: it turns by `angle_deg` about two axes where it stands."""
        name = self.rig.cameras[-1].name
        r, t = self.rig.cameras[-1].pose_cam_from_rig.arrays()
        bump = about_y(angle_deg) @ about_x(0.6 * angle_deg)
        pose = Pose.of(rotation_vector(bump @ rotation_matrix(r)), bump @ t)
        knocked = replace(self.rig.cameras[-1], pose_cam_from_rig=pose)
        self.rig = replace(self.rig, cameras=(*self.rig.cameras[:-1], knocked))
        self._eyes[name].replaced(replace(self._eyes[name].camera, pose_cam_from_rig=pose))

    def state(self) -> SimState:
        """The controls as they stand."""
        held = self.held()
        first = next(iter(self._rings.values()))
        return SimState(
            visitor_holds=self._visitor is not None,
            tilt_x_deg=held.tilt_x_deg,
            tilt_y_deg=held.tilt_y_deg,
            turn_deg=held.turn_deg,
            x_mm=held.x_mm,
            y_mm=held.y_mm,
            distance_mm=self.rig.stand_off_mm + held.z_mm,
            exposure_stops=self._exposure_stops,
            focus_mm=self._focus_mm if self._focus_mm is not None else first.focus_mm,
            glare_lamp=self._glare_lamp,
            finger=self._finger,
            shake=self._shake,
        )

    def _hand_over(self, to_visitor: bool) -> None:
        if to_visitor and self._visitor is None:
            held = self.held()
            if self.operator.away(self._now_s):
                held = Held()
            self._visitor, self._visitor_wish = held, held
            self._visitor_speed = np.zeros(6)
        elif not to_visitor and self._visitor is not None:
            self.operator.put_at(self._visitor, self._now_s)
            self._visitor = None
