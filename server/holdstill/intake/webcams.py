"""Webcams on this machine, and why one can't be used (Linux; elsewhere by trying the first few)."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import cv2

from .camera import CameraTrouble
from .genicam_find import Listed
from .streams import Kind, open_capture, quiet

_TRIED_ELSEWHERE = 4


def webcams_listed(
    devices: Path = Path("/dev"), names: Path = Path("/sys/class/video4linux")
) -> list[Listed]:
    """Every webcam that can take pictures, by its number."""
    quiet()
    if not sys.platform.startswith("linux"):
        return [_tried(str(n), f"webcam {n}") for n in range(_TRIED_ELSEWHERE) if _opens(str(n))]
    out = []
    nodes = sorted(devices.glob("video*"), key=lambda p: int("0" + p.name.removeprefix("video")))
    for node in nodes:
        number = node.name.removeprefix("video")
        told = names / node.name / "name"
        name = told.read_text("utf-8").strip() if told.is_file() else node.name
        if not os.access(node, os.R_OK | os.W_OK):
            out.append(_listed(number, name, CameraTrouble("no-permission", address=str(node))))
            continue
        index = names / node.name / "index"
        if index.is_file() and index.read_text("utf-8").strip() != "0":
            continue  # a webcam's second node tells of its pictures and gives none
        out.append(_tried(number, name))
    return out


def _opens(number: str) -> bool:
    capture = open_capture(Kind.WEBCAM, number)
    try:
        return bool(capture.isOpened())
    finally:
        capture.release()


def _tried(number: str, name: str) -> Listed:
    try:
        opens = _opens(number)
    except cv2.error:
        opens = False
    return _listed(number, name, None if opens else CameraTrouble("busy", address=f"webcam:{number}"))


def _listed(number: str, name: str, why: CameraTrouble | None) -> Listed:
    return Listed(f"webcam:{number}", name, why.trouble if why else None, why.remedy if why else None)
