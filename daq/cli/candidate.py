"""A calibration that is proposed: what it says for itself, and what becomes of it."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from daq.calibration import evidence, guide, picture, store
from daq.calibration.document import Point
from daq.calibration.guide import Proposal
from daq.calibration.record import Calibration
from daq.calibration.signal import Array
from daq.cli.subject import Subject
from daq.errors import CalibrationError

K = 2.0
STEPS = 5
APART = 10.0
"""Span of the readings over their noise below which there is no curve. Common practice."""


@dataclass
class Candidate:
    """The proposed record as tables and as a calibration; how it was fitted, by a polynomial."""

    subject: Subject
    points: tuple[Point, ...]
    tables: dict[str, Any]
    calibration: Calibration
    proposal: Proposal | None

    def expanded(self, indication: Sequence[float] | Array) -> Array:
        """Expanded uncertainty (k = 2) of values at these readings, noise left out."""
        inputs = evidence.nominal_inputs(self.calibration)
        signal = self.calibration.record.signal
        raw = signal.raw_of(signal.terminal_of(np.asarray(indication, np.float64)), inputs)
        return K * self.calibration.uncertainty(raw, inputs)

    @property
    def residuals(self) -> evidence.Points:
        """The points with what the curve leaves of them."""
        return evidence.points(self.calibration)


def candidate_of(
    subject: Subject, points: Sequence[Point], degree: int | None, facts: dict[str, Any]
) -> Candidate:
    """Fit *points*; *facts* are the tables performed, reference and so on of the new record.

    A thermistor is fitted by Steinhart–Hart, everything else by a polynomial. What the former
    record said of the sensor's uncertainty does not pass over: the points now say it.
    """
    _check_spread(points, subject.signal_unit)
    tables = {**subject.tables, **facts, "channel": subject.name}
    before = subject.in_force
    tables["supersedes"] = before.record.id if before is not None else ""
    tables["note"] = "; ".join(_found_lines(subject, points))
    tables = {key: value for key, value in tables.items() if value not in ("", {}, None)}
    if not tables.get("range"):
        references = [point.reference for point in points]
        if references and min(references) < max(references):
            tables["range"] = {"low": min(references), "high": max(references)}
    name, number = str(subject.path), str(uuid.uuid4())
    if tables["model"] == "steinhart_hart" and degree is None:
        fitted = guide.thermistor_table(tables, points, number)
        return Candidate(subject, tuple(points), fitted, _checked(fitted, name), None)
    proposal = guide.propose(points, degree)
    fitted = guide.record_table(tables, proposal, number)
    return Candidate(subject, proposal.points, fitted, _checked(fitted, name), proposal)


def _check_spread(points: Sequence[Point], unit: str) -> None:
    """Readings that differ by little more than their noise give no slope."""
    readings = [point.indication for point in points]
    noise = max((point.indication_noise for point in points), default=0.0)
    span = max(readings, default=0.0) - min(readings, default=0.0)
    if len(points) > 1 and span < APART * noise:
        raise CalibrationError(
            f"the readings of all points lie within {span:.2g} {unit} of each other, and their"
            f" noise is {noise:.2g} {unit}; take points over the whole range"
        )


def _checked(tables: dict[str, Any], name: str) -> Calibration:
    return Calibration.load(store.sealed(tables, name), name)


# --- what it says for itself


def lines(candidate: Candidate, at: Sequence[float], now: datetime) -> Iterator[str]:
    """Points, models, curve, state found, uncertainty, picture, what to know of the record."""
    unit, signal_unit = candidate.subject.unit, candidate.subject.signal_unit
    yield from _point_lines(candidate, unit, signal_unit)
    if candidate.proposal is not None:
        yield from _model_lines(candidate.proposal, unit)
    for name, known in evidence.parameters(candidate.calibration).items():
        yield f"{name} = {known.value:.8g} ± {known.error:.2g} {known.unit} (standard)"
    yield from _found_lines(candidate.subject, candidate.points)
    yield f"expanded uncertainty (k = {K:g}), the reading's noise left out:"
    for place, value, u in _uncertainties(candidate, at):
        yield f"  at {place:10.5g} {signal_unit}: {value:10.5g} {unit} ± {u:.3g} {unit}"
    found = candidate.residuals
    yield from picture.characters(
        found.indication, found.residual, found.direction, unit, signal_unit
    )
    for finding in candidate.calibration.state(now):
        yield f"note: {finding.text}"


def _point_lines(candidate: Candidate, unit: str, signal_unit: str) -> Iterator[str]:
    found = candidate.residuals
    yield f"{'no':>3} {'reading ' + signal_unit:>14} {'reference ' + unit:>15} {'residual':>10}"
    columns = found.indication, found.reference, found.residual, found.direction
    for number, (x, y, rest, way) in enumerate(zip(*columns, strict=True), 1):
        yield f"{number:3} {x:14.6g} {y:15.6g} {rest:+10.3g}  {way}"


def _model_lines(proposal: Proposal, unit: str) -> Iterator[str]:
    names = {1: "straight line", 2: "parabola", 3: "cubic"}
    for model in proposal.models:
        mark = "*" if model.degree == proposal.fit.degree else " "
        name = names.get(model.degree, f"degree {model.degree}")
        yield f"{mark} {name:<14} scatter {model.fit.deviation:.3g} {unit}: {model.reason}"
    repeats = proposal.repeats
    if repeats.levels:
        yield f"hysteresis {repeats.hysteresis:.3g} {unit} ({repeats.levels} levels up and down)"
    if math.isfinite(repeats.repeatability):
        yield f"repeatability {repeats.repeatability:.3g} {unit}"


def _found_lines(subject: Subject, points: Sequence[Point]) -> Iterator[str]:
    """The record in force held against the points, before anything is adjusted."""
    before = subject.in_force
    if before is None:
        return
    try:
        found = guide.verify(before, points, {})
    except CalibrationError as error:
        yield f"as found: {error}"
        return
    worst = int(np.argmax(np.abs(found.error)))
    verdict = "within its uncertainty" if found.agrees else "beyond its uncertainty"
    yield (
        f"as found: the record in force errs by up to {found.error[worst]:+.3g}"
        f" {subject.unit} (point {worst + 1}), {verdict} of ±"
        f" {found.expanded[worst]:.3g}"
    )


def _uncertainties(
    candidate: Candidate, at: Sequence[float]
) -> Iterator[tuple[float, float, float]]:
    indications = [point.indication for point in candidate.points]
    places = [*np.linspace(min(indications), max(indications), STEPS).tolist(), *at]
    value = candidate.calibration.at_signal(places, evidence.nominal_inputs(candidate.calibration))
    yield from zip(places, value.tolist(), candidate.expanded(places).tolist(), strict=True)


def data(candidate: Candidate, at: Sequence[float]) -> dict[str, Any]:
    """The same for a script."""
    found = candidate.residuals
    proposal, parameters = candidate.proposal, evidence.parameters(candidate.calibration)
    return {
        "channel": candidate.subject.name,
        "unit": candidate.subject.unit,
        "reading_unit": candidate.subject.signal_unit,
        "points": [
            {"reading": x, "reference": y, "residual": rest, "direction": way}
            for x, y, rest, way in zip(
                found.indication.tolist(), found.reference.tolist(), found.residual.tolist(),
                found.direction, strict=True,
            )
        ],
        "models": [
            {"degree": m.degree, "scatter": m.fit.deviation, "p": m.p_value, "reason": m.reason}
            for m in (proposal.models if proposal else ())
        ],
        "parameters": {name: known._asdict() for name, known in parameters.items()},
        "uncertainty": [
            {"reading": x, "value": y, "expanded_uncertainty": u, "coverage_factor": K}
            for x, y, u in _uncertainties(candidate, at)
        ],
        "record": candidate.calibration.record.id,
    }  # fmt: skip


def draw(candidate: Candidate, path: Path) -> None:
    """The residual picture as PNG or SVG."""
    found = candidate.residuals
    picture.save(
        path,
        f"{candidate.subject.name}: residuals",
        found.indication,
        found.residual,
        candidate.expanded(found.indication),
        found.direction,
        candidate.subject.unit,
        candidate.subject.signal_unit,
    )


# --- what becomes of it


def history_of(path: Path) -> Path:
    """The history beside a record."""
    return path.with_name(f"{path.stem}.history.toml")


def accept(candidate: Candidate, at: str, by: str, why: str) -> None:
    """Append to the history, then put the sealed record in force.

    Raises CalibrationError when either cannot be written or the history was altered.
    """
    path, before = candidate.subject.path, candidate.subject.in_force
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if before is not None and not _is_known(path, before):
            _append(path, before, "superseded", at, by, why)
        _append(path, candidate.calibration, "accepted", at, by, why)
        store.write(path, store.sealed(candidate.tables, str(path)))
    except OSError as error:
        raise CalibrationError(f"{path}: {error.strerror}; nothing was put in force") from None


def discard(candidate: Candidate, at: str, by: str, why: str) -> None:
    """Keep the evidence in the history; the record in force stays."""
    path = candidate.subject.path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _append(path, candidate.calibration, "discarded", at, by, why)
    except OSError as error:
        raise CalibrationError(f"{history_of(path)}: {error.strerror}") from None


def _is_known(path: Path, record: Calibration) -> bool:
    entries = store.read_history(_history(path), str(path))
    return any(entry["record_sha256"] == record.record_sha256 for entry in entries)


def _append(
    path: Path, record: Calibration, action: store.Action, at: str, by: str, why: str
) -> None:
    store.append(history_of(path), store.entry(_history(path), record, action, at, by, why))


def _history(path: Path) -> bytes:
    """The history so far, unaltered."""
    place = history_of(path)
    found = place.read_bytes() if place.exists() else b""
    try:
        store.read_history(found, str(place))
    except CalibrationError as error:
        raise CalibrationError(f"{error}; move it aside to begin a new history") from None
    return found
