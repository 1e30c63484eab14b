"""While the lenses are focused, an opened aperture floods the picture: the exposure gives way by itself."""

from __future__ import annotations

from holdstill.intake.source import Feeding, Source
from holdstill.limits import limit
from holdstill.records import ShotReport

STEP_STOPS = -1.0
"""Darker by so much at a time: a clipped picture does not tell how far over it is."""


class FocusExposure:
    """Shortens the exposure of live cameras while their pictures clip. One per runner."""

    def __init__(self) -> None:
        self._bright: dict[str, int] = {}

    def after(self, report: ShotReport, source: Source) -> tuple[str, ...]:
        """The cameras whose exposure was shortened after one more shot.

        A camera's picture counts as flooded when more than `focus_flooded_share` of it clips, in
        `trouble_frames` frames in a row that were taken with a known exposure (one that is just being
        changed is not known).
        """
        if not isinstance(source, Feeding):
            return ()
        flooded = []
        for camera, measures in report.measures.items():
            known = report.exposure_ms.get(camera) is not None
            over = measures.saturated_share > limit("focus_flooded_share")
            self._bright[camera] = self._bright.get(camera, 0) + 1 if known and over else 0
            if self._bright[camera] >= limit("trouble_frames"):
                self._bright[camera] = 0
                flooded.append(camera)
        return tuple(c for c in flooded if source.control({"exposure": f"{STEP_STOPS}", "camera": c}) is None)
