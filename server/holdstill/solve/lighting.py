"""How bright a kept picture's dots were against what its camera usually shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holdstill.records import FrameMeasures, View


def contrast_gray(measures: FrameMeasures) -> float | None:
    """Level of a picture's dots above their ground, grey values; None where it was not measured."""
    if measures.dot_fill is None or measures.ground_fill is None:
        return None
    return (measures.dot_fill - measures.ground_fill) * measures.clip_level


def usual_contrast_gray(views: Sequence[View], camera: str) -> float | None:
    """What a camera's dots stand above their ground in its brighter half of pictures; None: unknown."""
    seen = [contrast_gray(v.measures[camera]) for v in views if camera in v.measures]
    known = sorted(c for c in seen if c is not None)
    return float(np.median(known[len(known) // 2 :])) if len(known) >= 4 else None
