"""Small pictures for the measures' tests, drawn here from their own formulas (no finder, no simulator)."""

from __future__ import annotations

import cv2
import numpy as np

from holdstill.records import Plate, PlateKind, Sighting

PLATE = Plate(PlateKind.DOTS, 14, 10, 15.0, 8.0)


def homography(size=(800, 640), *, fill=0.85, tilt_deg=0.0, turn_deg=0.0, shift=(0.0, 0.0), plate=PLATE):
    """Plate mm -> px: plate centred in the picture, `fill` of its width, tilted about y."""
    w, h = size
    width_mm, height_mm = plate.size_mm()
    scale = fill * w / (width_mm + plate.pitch_mm)
    t, a = np.radians(tilt_deg), np.radians(turn_deg)
    rot = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]]) @ np.array(
        [[np.cos(t), 0, np.sin(t)], [0, 1, 0], [-np.sin(t), 0, np.cos(t)]]
    )
    d = 6 * width_mm
    f = scale * d
    k = np.array([[f, 0, w / 2 + shift[0]], [0, f, h / 2 + shift[1]], [0, 0, 1.0]])
    back = np.array([[1, 0, -width_mm / 2], [0, 1, -height_mm / 2], [0, 0, 1.0]])
    m = np.column_stack([rot[:, 0], rot[:, 1], np.array([0, 0, d])])
    return k @ m @ back


def project(h, mm):
    w = np.column_stack([mm[:, :2], np.ones(len(mm))]) @ h.T
    return w[:, :2] / w[:, 2:]


def draw(size=(800, 640), h=None, *, plate=PLATE, bright=200.0, dark=30.0, blur=1.0, dark_dots=False, ss=2):
    """float32 (rows, columns), noiseless light: the plate on a flat surround of its ground."""
    w, hh = size
    h = homography(size, plate=plate) if h is None else h
    v, u = np.mgrid[0 : hh * ss, 0 : w * ss]
    px = np.stack([(u.ravel() + 0.5) / ss - 0.5, (v.ravel() + 0.5) / ss - 0.5], axis=1)
    mm = project(np.linalg.inv(h), np.column_stack([px, np.ones(len(px))]))
    cell = np.rint(mm / plate.pitch_mm)
    cell[:, 0] = cell[:, 0].clip(0, plate.columns - 1)
    cell[:, 1] = cell[:, 1].clip(0, plate.rows - 1)
    d = np.hypot(*(mm - cell * plate.pitch_mm).T)
    inside = d < plate.dot_diameter_mm / 2
    ink, ground = (dark, bright) if dark_dots else (bright, dark)
    im = np.where(inside, ink, ground).astype(np.float32).reshape(hh * ss, w * ss)
    im = cv2.resize(im, size, interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(im, (0, 0), blur) if blur else im


def expose(light, rng, *, stops=0.0, gain=0.03, read=0.8, full=255, clip=None, shift_bits=0):
    """A frame: light scaled by 2^stops, shot and read noise, rounded, clipped, uint8 or uint16."""
    x = light * 2.0**stops
    x = x + rng.normal(size=x.shape) * np.sqrt(np.maximum(gain * x, 0) + read**2)
    x = np.clip(np.rint(x), 0, full if clip is None else clip)
    return x.astype(np.uint8) if full == 255 else (x.astype(np.uint16) << shift_bits)


def sighting(h, size=(800, 640), *, plate=PLATE, drop=(), camera="left", absolute=True, sigma=0.01):
    """What a perfect eye would report, without the points in `drop` (those inside count as missing)."""
    mm = plate.points_mm()[:, :2]
    px = project(h, mm)
    inside = (px > 2).all(axis=1) & (px[:, 0] < size[0] - 3) & (px[:, 1] < size[1] - 3)
    ids = np.array([i for i in range(len(mm)) if inside[i] and i not in set(drop)], np.int32)
    missing = np.array([i for i in range(len(mm)) if inside[i] and i in set(drop)], np.int32)
    m = 0.8 * plate.pitch_mm
    wide, high = plate.size_mm()
    outline = project(h, np.array([[-m, -m], [wide + m, -m], [wide + m, high + m], [-m, high + m]]))
    right, down = (project(h, mm[:1] + np.array(step))[0] - px[0] for step in ((1.0, 0.0), (0.0, 1.0)))
    j = np.sqrt(abs(right[0] * down[1] - right[1] * down[0]))
    return Sighting(
        camera,
        size,
        ids,
        px[ids],
        np.full(len(ids), sigma),
        np.zeros(len(ids), np.int32),
        missing,
        outline,
        absolute,
        dot_diameter_px=float(plate.dot_diameter_mm * j),
        dark_dots=False,
    )
