"""Made-up states of the Rig, Focus and Light steps."""

from __future__ import annotations

import math
from dataclasses import replace

from holdstill.measure.routine import RoutineStep
from holdstill.records import (
    AimView,
    Aperture,
    CameraDescription,
    Finding,
    FocusGauge,
    FocusSetup,
    GlareMark,
    LightCamera,
    LightSetup,
    PartFocus,
    Rig,
    RigSetup,
    RoomView,
    RoutineItem,
    Say,
    Setup,
    Snapshot,
    SpecimenLight,
    Standstill,
    Step,
    WarmView,
)
from web.scenes import HOSTILE, scenes

RIG = Rig(
    "fork bench",
    tuple(CameraDescription(n, 2448, 2048, 3.45, 25.0, 8.0, 5.0) for n in ("left", "right")),
    700.0, 20.0, (120.0, 100.0, 60.0),
)  # fmt: skip


def gauge(camera: str, share: float = 0.93, **changes: object) -> FocusGauge:
    """A gauge just past its peak."""
    path = tuple(-(((k - 50) / 30) ** 2) / 4 for k in range(70))
    cells = tuple(0.0 if k % 9 < 2 else 0.9 - 0.004 * k for k in range(72))
    made = FocusGauge(
        camera, "past it, turn back", Say("focus.falling"), -1, share, path, 50, True,
        (PartFocus("whole", share, True), PartFocus("centre", 0.99, True), PartFocus("corners", None, False)),
        cells, (8, 9), None, 2.6, 2.1, None,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def routine(at: int) -> tuple[RoutineItem, ...]:
    """The routine at its step number `at`, the second one passed over."""
    states = ["done" if k < at else "now" if k == at else "todo" for k in range(len(RoutineStep))]
    states[1] = "passed" if at > 1 else states[1]
    return tuple(
        RoutineItem(s.value, w, s is RoutineStep.OPEN_APERTURE)
        for s, w in zip(RoutineStep, states, strict=True)
    )


def focusing() -> Snapshot:
    """Past the peak of the left ring."""
    apertures = tuple(
        Aperture(c, 8.0, 700.0, 680.0, 721.0, 1.0, 11.1, 3.2, 12.4, False) for c in ("left", "right")
    )
    focus = FocusSetup(
        "left", (gauge("left", box=(0.0, 0.25, 0.5, 0.75)), gauge("right", 0.4)),
        {"left": routine(3), "right": routine(0)}, apertures,
    )  # fmt: skip
    return replace(scenes()["focus"], setup=Setup(focus=focus), rig=RIG)


def lighting() -> Snapshot:
    """Too dark, with glare in the right picture."""
    cameras = (
        LightCamera(
            "left", 0.62, 0.08, 0.86, 1.36, 0.62, 0.8, 5.0, 0.0, 8.7, 0.0, 255.0, True, 0.0, 0.0, 0.0, 0.8
        ),
        LightCamera(
            "right", 0.98, 0.1, 0.86, 1.36, 1.02, 0.1, 5.0, 3.0, 5.2, 3.0, 255.0, False, 0.01, 0.4, 0.0,
            0.91, (GlareMark(0.3, 0.4, 0.05, "upper left", 0.04),),
        ),
    )  # fmt: skip
    found = (
        Finding("dark", Say("light.plate.dark", {"camera": "left"}),
                Say("exposure-brighter", {"stops": 0.8, "exposure_ms": 8.7}), "left"),
        Finding("glare", Say("light.patch", {"camera": "right", "place": "upper left", "percent": 4.0}),
                Say("light.patch.remedy"), "right"),
    )  # fmt: skip
    still = (Standstill("left", "flicker", ("vibration",), 0.02, 0.05, 0.0, 0.003),)
    light = LightSetup("plate", cameras, found, True, "", 0, 0, still)
    return replace(scenes()["light"], setup=Setup(light=light), rig=RIG)


def specimen() -> Snapshot:
    """A specimen in view."""
    histogram = tuple(math.exp(-(((k - 30) / 12) ** 2)) for k in range(64))
    seen = SpecimenLight(0.0, 0.8, 0.06, 0.6, 4.9, 0.52, 0.006, 0.009, 21, histogram, 3.2)
    cameras = tuple(LightCamera(c, 0.8, 0.06, 0.64, 1.0, 0.8, 0.0, specimen=seen) for c in ("left", "right"))
    return replace(lighting(), setup=Setup(light=LightSetup("specimen", cameras, can_set=False)))


def describing(name: str = "right") -> Snapshot:
    """The Rig step with the plate in view."""
    seen = RigSetup(
        (RoomView("left", 0.78, "fits", 34.0, 41.0), RoomView(name, 0.5, "too small", 90.0, None)),
        (AimView(name, "left", 120.0, -8.0, -9.0, -1.6, 0.83,
                 (Say("aim.roll.anticlockwise", {"camera": name, "degrees": 1.6}),)),),
        (WarmView("left", "settled", 0.0006, 14.0), WarmView(name, "drifting", 0.0061, 14.0)),
    )  # fmt: skip
    return replace(scenes()["rig"], step=Step.RIG, setup=Setup(rig=seen), rig=RIG)


def hostile() -> Snapshot:
    """Names that want to be markup."""
    rig = replace(RIG, cameras=(replace(RIG.cameras[0], name=HOSTILE), RIG.cameras[1]))
    return replace(describing(HOSTILE), rig=rig)
