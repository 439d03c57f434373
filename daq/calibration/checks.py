"""The outcome of a check on a sensor: a number, its limit, and what it means for the user."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Level = Literal["good", "warn", "refuse"]
_ORDER: tuple[Level, ...] = ("good", "warn", "refuse")


@dataclass(frozen=True)
class Check:
    """One check. ``value`` and ``limit`` are in ``unit``; ``text`` is for the technician."""

    name: str
    level: Level
    value: float
    limit: float
    unit: str
    text: str


def judge(name: str, value: float, warn: float, refuse: float, unit: str, meaning: str) -> Check:
    """Compare |value| with two limits; a value that is no number is refused."""
    size = abs(value)
    if not math.isfinite(value):
        return Check(name, "refuse", value, refuse, unit, f"{meaning}: no valid reading")
    level: Level = "refuse" if size > refuse else "warn" if size > warn else "good"
    limit = refuse if level == "refuse" else warn
    relation = "within" if level == "good" else "beyond"
    text = f"{meaning}: {value:+.4g} {unit}, {relation} ± {limit:g} {unit}"
    return Check(name, level, value, limit, unit, text)


def worst(checks: Iterable[Check]) -> Level:
    """The worst level among *checks*; good when there are none."""
    return max((check.level for check in checks), key=_ORDER.index, default="good")


def normalised_error(
    first: float, first_expanded: float, second: float, second_expanded: float
) -> float:
    """E_n = (a - b) / √(U_a² + U_b²): within ± 1 two results agree. Source: ISO 13528.

    Infinite when both uncertainties are 0 and the results differ.
    """
    spread = math.hypot(first_expanded, second_expanded)
    if spread == 0.0:
        return 0.0 if first == second else math.copysign(math.inf, first - second)
    return (first - second) / spread
