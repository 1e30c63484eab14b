"""A camera's depth may not change half-way."""

from __future__ import annotations

import numpy as np
import pytest

from holdstill.errors import BadFrame
from holdstill.intake.consistency import Depths
from holdstill.intake.decode import decode
from holdstill.records import Frame, FrameBytes


def frame(camera: str, kind: type, name: str) -> Frame:
    image = np.full((4, 5), 200, kind)
    return decode(FrameBytes(camera, name, 0.0, image=image))


def test_another_depth_is_refused_and_each_camera_has_its_own():
    depths = Depths()
    for camera, kind in (("left", np.uint16), ("right", np.uint8)):
        for number in (1, 2):
            seen = frame(camera, kind, f"{camera}_{number}.png")
            assert depths.check(seen) is seen
    with pytest.raises(BadFrame, match=r"left_3.png is 8-bit; camera left began with 16-bit .*left_1.png"):
        depths.check(frame("left", np.uint8, "left_3.png"))
    depths.check(frame("left", np.uint16, "left_4.png"))
