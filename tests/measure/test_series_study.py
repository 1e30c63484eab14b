"""The long study of the sharpest frame: series made from photographs. Run by hand:

pytest -m long tests/measure/test_series_study.py -s
"""

import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.special import j1

from holdstill.measure.series import series_frame, sharpest

FOLDER = Path(__file__).parents[1] / "data" / "opencv_doc_stereo"
MODES = ("linear", "JPEG and gamma", "lamps vary", "offset", "noisy", "three depths", "wandering view")


def blurred(light, disc_px, sigma_px=0.5):
    fx, fy = np.fft.rfftfreq(light.shape[1])[None, :], np.fft.fftfreq(light.shape[0])[:, None]
    f = np.hypot(fx, fy)
    z = np.pi * abs(disc_px) * f
    with np.errstate(invalid="ignore", divide="ignore"):
        disc = np.where(z > 1e-9, 2 * j1(z) / z, 1.0)
    transfer = disc * np.exp(-2 * (np.pi * sigma_px * f) ** 2)
    return np.fft.irfft2(np.fft.rfft2(light) * transfer, s=light.shape)


def wandered(light, growth, rng):
    m, (h, w) = 1 + growth, light.shape
    matrix = np.array(
        [[m, 0, (1 - m) * w / 2 + rng.normal() * 1.5], [0, m, (1 - m) * h / 2 + rng.normal() * 1.5]]
    )
    return cv2.warpAffine(light, matrix, (w, h), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def picture_of(light, z, mode, exposure, rng):
    """uint8 frame of the photograph `z` px of blur circle away from focus."""
    if mode == "three depths":
        third = np.arange(light.shape[1])[None, :] * 3 // light.shape[1]
        seen = np.select(
            [third == 0, third == 1], [blurred(light, z + 1), blurred(light, z)], blurred(light, z - 1)
        )
    else:
        seen = blurred(light, z)
    if mode == "wandering view":
        seen = wandered(seen, 0.003 * z, rng)
    if mode == "lamps vary":
        seen = seen * (1 + 0.15 * np.sin(rng.uniform(0, 6)))
    seen = seen * exposure
    if mode == "offset":
        seen = seen * 0.9 + 0.05
    noise = np.sqrt(np.maximum(seen, 0) * 2e-4 + 1e-6) * (3 if mode == "noisy" else 1)
    seen = np.clip(seen + rng.normal(size=seen.shape) * noise, 0, 1)
    grey = np.rint(255 * (seen if mode == "linear" else seen ** (1 / 2.2))).astype(np.uint8)
    if mode == "linear":
        return grey
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.choice([60, 80, 92]))]
    return cv2.imdecode(cv2.imencode(".jpg", grey, quality)[1], cv2.IMREAD_GRAYSCALE)


@pytest.mark.long
def test_series_study():
    rng = np.random.default_rng(int(os.environ.get("SEED", "40")))
    photographs = [cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for p in sorted(FOLDER.glob("left*.jpg"))[:4]]
    print(
        "\n| series | rms error, frames | largest | error over its sigma, rms | file off by more than one |"
    )
    print("|---|---|---|---|---|")
    for mode in MODES:
        errors, sigmas, off = [], [], 0
        for k in range(int(os.environ.get("SERIES", "12"))):
            light = (photographs[k % 4] / 255.0) ** 2.2
            count, reach = int(rng.integers(6, 30)), rng.uniform(3, 14)
            z0, z, exposure = rng.uniform(-0.6, 0.6) * reach, np.linspace(-reach, reach, count), 1.0
            frames = []
            for v in z:
                if rng.random() < 0.15:
                    exposure = 2 ** rng.uniform(-1.5, 0.3)
                frames.append(series_frame(picture_of(light, v - z0, mode, exposure, rng), full_scale=255))
            got, true = sharpest(frames), float(np.interp(z0, z, np.arange(count)))
            errors.append(got.peak - true)
            sigmas.append(got.sigma_frames)
            off += abs(got.index - round(true)) > 1
        e, s = np.array(errors), np.array(sigmas)
        cells = [np.sqrt((e**2).mean()), np.abs(e).max(), np.sqrt(((e / s) ** 2).mean())]
        print(f"| {mode} | " + " | ".join(f"{v:.2f}" for v in cells) + f" | {off} of {len(e)} |", flush=True)
        if mode != "wandering view":
            assert off == 0
