"""The adjustment's own steps, stopping rule and covariance on certified nonlinear regressions.

Source: NIST/ITL Statistical Reference Datasets, nonlinear regression (``tests/data/nist_strd``).
Certified parameters must come out to four digits and more, standard deviations to three and more.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from holdstill.solve.descent import DenseNormals, covariance, descend

FOLDER = Path(__file__).resolve().parents[1] / "data" / "nist_strd"
Model = Callable[[np.ndarray, np.ndarray], np.ndarray]
exp = np.exp


def _gauss(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return (b[0] * exp(-b[1] * x) + b[2] * exp(-((x - b[3]) ** 2) / b[4] ** 2)
            + b[5] * exp(-((x - b[6]) ** 2) / b[7] ** 2))


def _lanczos(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * exp(-b[1] * x) + b[2] * exp(-b[3] * x) + b[4] * exp(-b[5] * x)


def _cubics(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1 + x * (b[4] + x * (b[5] + x * b[6])))


def _enso(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    turn = 2 * np.pi * x
    return (b[0] + b[1] * np.cos(turn / 12) + b[2] * np.sin(turn / 12)
            + b[4] * np.cos(turn / b[3]) + b[5] * np.sin(turn / b[3])
            + b[7] * np.cos(turn / b[6]) + b[8] * np.sin(turn / b[6]))


def _chwirut(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return exp(-b[0] * x) / (b[1] + b[2] * x)


def _misra1c(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5)


MODELS: dict[str, Model] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1 - exp(-b[1] * x)),
    "Chwirut1": _chwirut,
    "Chwirut2": _chwirut,
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": _enso,
    "Eckerle4": lambda b, x: b[0] / b[1] * exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _gauss,
    "Gauss2": _gauss,
    "Gauss3": _gauss,
    "Hahn1": _cubics,
    "Kirby2": lambda b, x: (b[0] + x * (b[1] + x * b[2])) / (1 + x * (b[3] + x * b[4])),
    "Lanczos1": _lanczos,
    "Lanczos2": _lanczos,
    "Lanczos3": _lanczos,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1 - exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2),
    "Misra1c": _misra1c,
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1 + b[1] * x),
    "Nelson": lambda b, x: b[0] - b[1] * x[:, 0] * exp(-b[2] * x[:, 1]),
    "Rat42": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1 + exp(b[1] - b[2] * x)) ** (1 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": _cubics,
}


def load(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """y, x, starts (2, p), certified values, certified standard deviations."""
    lines = (FOLDER / f"{name}.dat").read_text().splitlines()
    table = [
        [float(v) for v in m.group(1).split()]
        for line in lines[38:58] if (m := re.match(r"\s*b\d+\s*=\s*(.+)", line))
    ]
    values = np.array(table)
    first = int(re.search(r"Data\s+\(lines (\d+)", "\n".join(lines)).group(1))  # type: ignore[union-attr]
    data = np.array([[float(v) for v in line.split()] for line in lines[first - 1 :] if line.strip()])
    x = data[:, 1] if data.shape[1] == 2 else data[:, 1:]
    y = np.log(data[:, 0]) if name == "Nelson" else data[:, 0]
    return y, x, values[:, :2].T, values[:, 2], values[:, 3]


def solve_from(name: str, start: np.ndarray, y: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    model = MODELS[name]

    def evaluate(b: np.ndarray) -> DenseNormals:
        with np.errstate(all="ignore"):
            residual = y - model(b, x)
            jacobian = np.empty((len(y), len(b)))
            for i in range(len(b)):
                # Complex step: exact derivatives without differences (Squire & Trapp 1998).
                shifted = b.astype(complex)
                step = 1e-30 * max(1e-20, abs(b[i]))
                shifted[i] += 1j * step
                jacobian[:, i] = model(shifted, x).imag / step
            matrix, slope = jacobian.T @ jacobian, jacobian.T @ residual
            cost = float(residual @ residual)
        if not (np.isfinite(cost) and np.isfinite(matrix).all() and np.isfinite(slope).all()):
            return DenseNormals(np.eye(len(b)), np.zeros(len(b)), float("inf"))
        return DenseNormals(matrix, slope, cost)

    found = descend(
        start, evaluate, lambda b, change: b + change, degrees_of_freedom=len(y) - len(start),
        max_steps=20000, tolerance=1e-6,
    )
    assert found.converged
    variance = found.normals.cost / (len(y) - len(start))
    return found.state, np.sqrt(np.diag(covariance(found.normals.matrix, variance)))


@pytest.mark.parametrize(("name", "which"), [(n, w) for n in sorted(MODELS) for w in (0, 1)])
def test_certified_values_and_deviations(name: str, which: int) -> None:
    y, x, starts, certified, deviations = load(name)
    values, sigmas = solve_from(name, starts[which], y, x)
    assert np.abs(values / certified - 1).max() < 5e-5
    if name != "Lanczos1":  # its data are exact to 14 digits: the residual is rounding
        assert np.abs(sigmas / deviations - 1).max() < 5e-4
