"""Static series spoilt in one way each, drawn from physics: air, machines, mains, and a knock.

Air: two frozen screens of refractive index with a Kolmogorov-like spectrum drift past each other
with the warm air; a picture's shift is the screens' slope. Machines: one to three sines with their
own directions and a little turn. Mains: rectified 100 or 120 Hz light through the exposure. A knock:
the camera sits elsewhere from some frame on, with a settling swing, or creeps. Nothing here knows
how the series will be judged.
"""

from __future__ import annotations

import cv2
import numpy as np

from measure.focus_sweeps import light

SIZE = 320


def warped(base, u, v):
    y, x = np.mgrid[0 : base.shape[0], 0 : base.shape[1]].astype(np.float32)
    return cv2.remap(
        base,
        x + u.astype(np.float32),
        y + v.astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )


def screen(rng, size=1024, outer_px=400.0):
    f = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.fftfreq(size)[None, :])
    amplitude = (f**2 + (1 / outer_px) ** 2) ** (-11 / 12)
    phase = np.fft.ifft2(np.fft.fft2(rng.normal(size=(size, size))) * amplitude).real
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(phase, (0, 0), 6))
    scale = np.sqrt(slope_x.var() + slope_y.var())
    return slope_x / scale, slope_y / scale


def series(kind, rng, *, frames=24, size=SIZE):
    """uint8 frames and a line that says how hard they were spoilt."""
    scene = str(rng.choice(["speckle", "dots", "natural"]))
    base = (light(scene, rng.uniform(0, 1.5), size=size, seed=int(rng.integers(4))) * 190).astype(np.float32)
    rate_hz = rng.choice([10.0, 25.0, 50.0])
    t = np.arange(frames) / rate_hz
    u = np.zeros((frames, 1, 1)) * np.zeros((1, size, size))
    v = u.copy()
    gain, rows = np.ones(frames), np.ones((frames, size))
    size_of_it = 0.0
    y, x = (np.mgrid[0:size, 0:size] - size / 2) / size
    if kind == "heat shimmer":
        size_of_it = 10 ** rng.uniform(np.log10(0.04), np.log10(0.8))
        for share in (0.7, 0.7):
            sx, sy = screen(rng, outer_px=rng.uniform(60, 400))
            speed, angle = rng.uniform(20, 300), rng.uniform(0, 2 * np.pi)
            for k in range(frames):
                i, j = (int(400 + speed * t[k] * f) % 1024 for f in (np.sin(angle), np.cos(angle)))
                take = np.ix_((np.arange(size) + i) % 1024, (np.arange(size) + j) % 1024)
                u[k] += share * size_of_it / np.sqrt(2) * sx[take]
                v[k] += share * size_of_it / np.sqrt(2) * sy[take]
    elif kind == "vibration":
        size_of_it = 10 ** rng.uniform(np.log10(0.06), np.log10(2.0))
        for _ in range(int(rng.integers(1, 4))):
            angle, phase, hz = rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi), rng.uniform(3, 90)
            swing = size_of_it * rng.uniform(0.4, 1) * np.sin(2 * np.pi * hz * t + phase)
            turn = rng.normal() * 0.3
            for k in range(frames):
                u[k] += swing[k] * (np.cos(angle) - turn * y)
                v[k] += swing[k] * (np.sin(angle) + turn * x)
    elif kind == "moved camera":
        size_of_it = 10 ** rng.uniform(np.log10(0.1), np.log10(6.0))
        angle, when, turn = rng.uniform(0, 2 * np.pi), int(rng.integers(4, frames - 4)), rng.normal() * 0.2
        course = (np.arange(frames) >= when).astype(float)
        if rng.random() < 0.3:
            course += (
                course
                * 0.3
                * np.exp(-(np.arange(frames) - when) / 1.5)
                * np.cos(2.0 * (np.arange(frames) - when))
            )
        elif rng.random() < 0.3:
            course = np.clip((np.arange(frames) - when + 3) / 6, 0, 1)
        for k in range(frames):
            u[k] += size_of_it * course[k] * (np.cos(angle) - turn * y)
            v[k] += size_of_it * course[k] * (np.sin(angle) + turn * x)
    elif kind == "flicker":
        size_of_it = 10 ** rng.uniform(np.log10(0.02), np.log10(0.6))
        mains, exposure_s = rng.choice([100.0, 120.0]), 10 ** rng.uniform(-3.3, -2.3)
        drift = rng.uniform(0.5, 3.0)
        line_s = 0.0 if rng.random() < 0.6 else 2e-5
        start = t[:, None] * (1 + drift * 1e-2) + np.arange(size)[None, :] * line_s
        fine = np.linspace(0, exposure_s, 9)
        wave = np.mean(0.5 - 0.5 * np.cos(2 * np.pi * mains * (start[..., None] + fine)), axis=-1)
        rows = 1 - size_of_it + size_of_it * 2 * wave * 0.5
    pictures = []
    read, shot = rng.uniform(0.6, 2.0), rng.uniform(0.01, 0.05)
    wobble = rng.normal(size=(frames, 2)) * 0.003
    for k in range(frames):
        level = warped(base, u[k] + wobble[k, 0], v[k] + wobble[k, 1]) * rows[k][:, None] * gain[k]
        noisy = level + rng.normal(size=level.shape) * np.sqrt(np.maximum(level, 0) * shot + read**2)
        pictures.append(np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
    return pictures, f"{scene} {size_of_it:.3f} at {rate_hz:.0f}/s"
