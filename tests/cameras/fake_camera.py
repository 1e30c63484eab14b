"""A GigE Vision camera in software: Debian's Aravis answers on the wire, and this script puts the
pictures into it, as bright as exposure and gain make them.

Run as a program of its own, one camera each, so that killing it is pulling the plug:

    python fake_camera.py --address 127.0.0.1 --serial GV-LEFT --scene scene.npy

``scene.npy`` is a memory-mapped array (pictures, rows, columns) of uint8: the scene at the exposure
`USUAL_MS` without gain.  Lines on standard input command it: ``show N`` (which picture), ``lost N``
(packets lost per thousand), ``quit``.  With ``--stage FILE --seat N`` whoever draws the scene says in a
shared array which picture is on, and the camera counts in its seat the frames it has taken.
"""

from __future__ import annotations

import argparse
import ctypes
import ctypes.util
import signal
import sys
from pathlib import Path

import cv2
import numpy as np

USUAL_MS = 5.0
"""Exposure at which the scene is as it stands in the file."""
GAIN_STEP_DB = 1.0
"""What one step of the camera's raw gain means."""
MONO8, MONO16 = 0x01080001, 0x01100007  # GenICam Pixel Format Naming Convention 2.4, section 8

_FILL = ctypes.CFUNCTYPE(
    None, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint32, ctypes.c_uint32
)


def library() -> ctypes.CDLL:
    """Debian's libaravis (package libaravis-0.8-0), with the types of what is used."""
    arv = ctypes.CDLL("libaravis-0.8.so.0")
    gobject = ctypes.CDLL("libgobject-2.0.so.0")
    arv.arv_gv_fake_camera_new.restype = ctypes.c_void_p
    arv.arv_gv_fake_camera_new.argtypes = [ctypes.c_char_p, ctypes.c_char_p]
    arv.arv_gv_fake_camera_is_running.argtypes = [ctypes.c_void_p]
    arv.arv_gv_fake_camera_get_fake_camera.restype = ctypes.c_void_p
    arv.arv_gv_fake_camera_get_fake_camera.argtypes = [ctypes.c_void_p]
    arv.arv_fake_camera_set_fill_pattern.argtypes = [ctypes.c_void_p, _FILL, ctypes.c_void_p]
    arv.arv_buffer_get_data.restype = ctypes.c_void_p
    arv.arv_buffer_get_data.argtypes = [ctypes.c_void_p, ctypes.POINTER(ctypes.c_size_t)]
    for name in ("width", "height", "x", "y"):
        getattr(arv, f"arv_buffer_get_image_{name}").argtypes = [ctypes.c_void_p]
    arv.set_lost = lambda camera, per_thousand: gobject.g_object_set(
        ctypes.c_void_p(camera),
        b"gvsp-lost-ratio",
        ctypes.c_double(per_thousand / 1000.0),
        ctypes.c_void_p(None),
    )
    return arv


class Scene:
    """Pictures in a file, and which of them is before the camera."""

    def __init__(self, path: Path, stage: Path | None = None, seat: int = 1) -> None:
        self.pictures = np.load(path, mmap_mode="r")
        self.stage = np.load(stage, mmap_mode="r+") if stage is not None else np.zeros(3, np.int64)
        self._seat = seat
        self._drawn: tuple[tuple[int, ...], np.ndarray] | None = None

    def picture(self, exposure_us: int, gain: int, full_scale: int) -> np.ndarray:
        """The picture shown, as bright as exposure and gain make it; clipped at `full_scale`."""
        self.stage[self._seat] += 1
        key = (int(self.stage[0]), exposure_us, gain, full_scale)
        if self._drawn is None or self._drawn[0] != key:
            self._drawn = (key, self._draw(*key))
        return self._drawn[1]

    def _draw(self, shown: int, exposure_us: int, gain: int, full_scale: int) -> np.ndarray:
        scale = exposure_us / (1000.0 * USUAL_MS) * 10.0 ** (gain * GAIN_STEP_DB / 20.0)
        levels = np.arange(256) * scale * (full_scale / 255.0)
        table = np.minimum(np.rint(levels), full_scale).astype(np.uint8 if full_scale == 255 else np.uint16)
        return np.asarray(cv2.LUT(np.ascontiguousarray(self.pictures[shown % len(self.pictures)]), table))


def main() -> int:
    """Be a camera until told to stop."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--address", required=True)
    parser.add_argument("--serial", required=True)
    parser.add_argument("--scene", type=Path, required=True)
    parser.add_argument("--stage", type=Path)
    parser.add_argument("--seat", type=int, default=1)
    given = parser.parse_args()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    arv, scene = library(), Scene(given.scene, given.stage, given.seat)

    def fill(buffer: int, _data: int, exposure_us: int, gain: int, pixel_format: int) -> None:
        size = ctypes.c_size_t()  # stays 0: nothing was received into this buffer yet
        data = arv.arv_buffer_get_data(buffer, ctypes.byref(size))
        width, height = arv.arv_buffer_get_image_width(buffer), arv.arv_buffer_get_image_height(buffer)
        x, y = arv.arv_buffer_get_image_x(buffer), arv.arv_buffer_get_image_y(buffer)
        deep = pixel_format == MONO16
        picture = scene.picture(exposure_us, gain, 65535 if deep else 255)
        part = np.zeros((height, width), picture.dtype)
        seen = picture[y : y + height, x : x + width]
        part[: seen.shape[0], : seen.shape[1]] = seen
        ctypes.memmove(data, part.ctypes.data, part.nbytes)

    held = _FILL(fill)
    camera = arv.arv_gv_fake_camera_new(given.address.encode(), given.serial.encode())
    if not camera or not arv.arv_gv_fake_camera_is_running(camera):
        print("could not start", flush=True)
        return 1
    arv.arv_fake_camera_set_fill_pattern(arv.arv_gv_fake_camera_get_fake_camera(camera), held, None)
    print("running", flush=True)
    for line in sys.stdin:
        word, _, rest = line.strip().partition(" ")
        if word == "quit":
            break
        if word == "show":
            scene.stage[0] = int(rest)
        elif word == "lost":
            arv.set_lost(camera, float(rest))
        print("done", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
