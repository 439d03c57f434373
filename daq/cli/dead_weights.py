"""A load cell's calibration by dead weights, in the words of the candidate that it makes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from daq import units
from daq.calibration import loadcell
from daq.calibration.document import Point
from daq.calibration.loadcell import DeadWeights
from daq.calibration.record import Calibration
from daq.cli.candidate import Candidate, candidate_of
from daq.cli.subject import Subject
from daq.errors import CalibrationError


def candidate_by_weights(
    subject: Subject,
    points: Sequence[Point],
    gravity_m_s2: float | None,
    lever: float,
    facts: dict[str, Any],
) -> tuple[Candidate, list[str]]:
    """A straight line through weights (references in kg), and what they say about the cell.

    Gravity is that of the bench's latitude and altitude unless given.
    Raises CalibrationError for weights that give no line, and where the place is not known.
    """
    if subject.quantity != "force":
        raise CalibrationError(
            f"{subject.name}: dead weights give a force, and the channel is {subject.quantity}"
        )
    g = _gravity(subject) if gravity_m_s2 is None else gravity_m_s2
    masses = [point.reference for point in points]
    found = loadcell.dead_weights(
        masses,
        [point.indication for point in points],
        [point.direction for point in points],
        g,
        lever=lever,
        reading_uncertainty=float(np.median([p.indication_noise for p in points] or [0.0])),
    )
    force = loadcell.weight_force(masses, g) * lever
    force = units.convert(force, "force", "N", subject.unit)
    in_force = [replace(p, reference=float(f)) for p, f in zip(points, force, strict=True)]
    words = f"dead weights up to {max(masses):g} kg, local gravity {g:.5f} m/s2, lever {lever:g}"
    facts["performed"].setdefault("method", words)
    candidate = candidate_of(subject, in_force, 1, facts)
    return candidate, list(_told(subject, found, g))


def _gravity(subject: Subject) -> float:
    place = subject.bench.bench if subject.bench is not None else None
    if place is None or place.latitude_deg is None:
        raise CalibrationError(
            "local gravity is not known: give --gravity in m/s², or latitude_deg and altitude_m"
            " under [bench] in the bench file"
        )
    return loadcell.gravity(place.latitude_deg, place.altitude_m or 0.0)


def _told(subject: Subject, found: DeadWeights, g: float) -> Iterator[str]:
    yield f"local gravity {g:.5f} m/s²; span {found.span_n:.1f} N; empty arm {found.zero_n:+.2f} N"
    for check in loadcell.verdict(found):
        yield f"{check.level}: {check.text}"
    if subject.in_force is not None:
        error = _span_error(found, subject.in_force)
        yield (
            f"as found: the span in force errs by {100 * error:+.3f} %, and inertia and power alike"
        )


def _span_error(found: DeadWeights, before: Calibration) -> float:
    """Relative error of the record's slope over the span that was found."""
    ends = np.array(found.fit.span)
    newton = units.convert(before.at_signal(ends), "force", before.unit, "N")
    return float(np.diff(newton)[0] / np.diff(found.fit.value(ends))[0]) - 1.0
