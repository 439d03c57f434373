"""Residuals of a calibration as a picture: of characters, or as PNG or SVG by matplotlib."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from daq.errors import CalibrationError

WIDTH, HEIGHT = 60, 11
MARKS = {"up": "^", "down": "v", "": "o"}


def characters(
    x: ArrayLike, residual: ArrayLike, direction: tuple[str, ...], unit: str, x_unit: str
) -> list[str]:
    """Residuals against the reading, in lines of text; ^ rising, v falling, o neither.

    The zero line is in the middle; two points in one place show the later one.
    """
    at, rest = np.asarray(x, np.float64), np.asarray(residual, np.float64)
    top = float(np.max(np.abs(rest), initial=0.0)) or 1.0
    low, span = float(at.min()), float(np.ptp(at)) or 1.0
    rows = [[" "] * WIDTH for _ in range(HEIGHT)]
    rows[HEIGHT // 2] = ["-"] * WIDTH
    for place, size, way in zip(at, rest, direction, strict=True):
        row = round((1 - size / top) / 2 * (HEIGHT - 1))
        rows[row][round((place - low) / span * (WIDTH - 1))] = MARKS[way]
    scale = {0: f"{top:+.3g}", HEIGHT // 2: "0", HEIGHT - 1: f"{-top:+.3g}"}
    lines = [f"{scale.get(n, ''):>10} |{''.join(row).rstrip()}" for n, row in enumerate(rows)]
    ends = f"{low:.4g}".ljust(WIDTH - 8) + f"{low + span:.4g}".rjust(8)
    return [f"residuals in {unit or '1'}", *lines, f"{'':>12}{ends} {x_unit}"]


def save(
    path: Path,
    title: str,
    x: ArrayLike,
    residual: ArrayLike,
    expanded: ArrayLike,
    direction: tuple[str, ...],
    unit: str,
    x_unit: str,
) -> None:
    """Residuals with the expanded uncertainty (k = 2) about them, as PNG or SVG by its ending.

    Raises CalibrationError when matplotlib is not installed or the picture cannot be written.
    """
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise CalibrationError(
            f"{path}: pictures need the extra 'plot': pip install 'rollerdaq[plot]'"
        ) from None
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    axes = figure.add_subplot()
    at, rest, band = (np.asarray(values, np.float64) for values in (x, residual, expanded))
    order = np.argsort(at)
    axes.fill_between(at[order], -band[order], band[order], alpha=0.2, label="± U (k = 2)")
    for way, mark, words in (("up", "^", "rising"), ("down", "v", "falling"), ("", "o", "points")):
        chosen = np.array([name == way for name in direction])
        if chosen.any():
            axes.plot(at[chosen], rest[chosen], mark, label=words)
    axes.axhline(0.0, linewidth=0.8)
    axes.set(title=title, xlabel=f"reading, {x_unit or '1'}", ylabel=f"residual, {unit or '1'}")
    axes.legend()
    try:
        figure.savefig(path)
    except (OSError, ValueError) as error:
        raise CalibrationError(f"{path}: the picture cannot be written: {error}") from None
