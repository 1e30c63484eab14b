"""Did every lens stay as it was through the set? A focus ring that was turned or a picture window
that was moved shows in that camera alone, whatever the cameras' relation says."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdstill.limits import limit
from holdstill.records import Check, SetAside

from .alone import FEWEST_A_SIDE, Alone, alone, best_split
from .drift import chi_to_sigmas
from .fitting import Fit
from .plausible import check_of
from .prepare import Problem


def lens_checks(
    problem: Problem, fitted: Fit, monos: Sequence[Alone | None], inflation: float, asides: Sequence[SetAside]
) -> tuple[Check, ...]:
    """Check ``lens steady``: no camera's own pictures ask for another lens from some view on.

    `inflation`: what correlation adds to the variance (from the jackknife). Where whole pictures were
    set aside because of another camera, the camera is adjusted once more with them. Empty where no
    camera has enough pictures to tell.
    """
    allowed = limit("check_steady_sigmas")
    inflation = min(inflation, limit("check_inflation"))
    worst, found, told = 0.0, "", False
    for camera, name in enumerate(problem.cameras):
        whole = [a for a in asides if not a.point_ids and a.camera == name]
        # A picture that fits by itself may show another lens; the others are no witnesses.
        own = {a.view_id for a in whole if a.reason != "moved between cameras"}
        odd = {a.view_id for a in whole} - own
        mono = alone(fitted, camera, everything=True) if odd else monos[camera]
        if mono is None:
            continue
        sound = np.array([problem.views[v].view_id not in own for v in mono.views])
        views = mono.views[sound]
        if len(views) < 2 * FEWEST_A_SIDE:
            continue
        told = True
        variance = max(mono.variance, 1e-12) * inflation
        at, gained = best_split(
            mono.information[sound] / variance, mono.gradient[sound] / variance, FEWEST_A_SIDE
        )
        sigmas = chi_to_sigmas(gained, mono.information.shape[1])
        if sigmas > max(worst, allowed):
            worst, found = sigmas, f"{name} changed before view {problem.views[int(views[at])].view_id}"
    if not told:
        return ()
    return (
        check_of(
            "lens steady", "check_steady_sigmas", found or "steady", ok=not found, stops=True, sigmas=allowed
        ),
    )
