"""Whether to rely on a calibration record: sealed, valid, made for this sensor, traceable."""

from __future__ import annotations

import datetime
from typing import NamedTuple

from daq.calibration import document
from daq.calibration.document import Record


class Finding(NamedTuple):
    """Something a user must know about a record before relying on it."""

    kind: str
    """``expired``, ``changed_by_hand``, ``other_sensor``, ``not_sealed``, ``not_traceable``,
    ``reference_expired``, ``not_calibrated``, ``in_the_future``, ``no_uncertainty``."""
    serious: bool
    """The values are in doubt; otherwise it is only said."""
    text: str


def findings(
    record: Record,
    content_sha256: str,
    now: datetime.datetime,
    sensor_serial: str = "",
    *,
    traceable: bool,
    states_uncertainty: bool,
) -> list[Finding]:
    """What a user must know about *record* at *now* (with offset), with the sensor that is fitted.

    *content_sha256* is the hash of what the record now says.
    """
    found = [*_authenticity(record, content_sha256), *_validity(record, now)]
    own = record.sensor.serial
    if sensor_serial and own and own != sensor_serial:
        text = f"made for sensor {own!r}, and {sensor_serial!r} is fitted"
        found.append(Finding("other_sensor", True, text))
    if not states_uncertainty:
        text = "nothing is stated about the uncertainty of its values"
        found.append(Finding("no_uncertainty", False, text))
    if record.performed is not None and not traceable:
        found.append(_untraceable(record))
    return found


def certified(record: Record) -> bool:
    """A reference certificate that was valid at the calibration is on record."""
    if record.reference is None or not record.reference.certificate or not record.performed:
        return False
    until = record.reference.certificate_valid_until
    return not until or document.moment(record.performed.at) <= document.moment(until)


def _untraceable(record: Record) -> Finding:
    if record.reference is None or not record.reference.certificate:
        return Finding("not_traceable", False, "no reference certificate on record")
    text = (
        f"the reference's certificate {record.reference.certificate!r} had expired on "
        f"{record.reference.certificate_valid_until}"
    )
    return Finding("reference_expired", True, text)


def _authenticity(record: Record, content_sha256: str) -> list[Finding]:
    noted = record.sha256
    if not noted:
        return [Finding("not_sealed", False, "the record was written by hand and bears no hash")]
    if noted != content_sha256:
        text = (
            f"the record was changed after it was written: content {content_sha256[:12]}"
            f", noted {noted[:12]}"
        )
        return [Finding("changed_by_hand", True, text)]
    return []


def _validity(record: Record, now: datetime.datetime) -> list[Finding]:
    if record.performed is None:
        return [Finding("not_calibrated", False, "nobody calibrated it: values as published")]
    found = []
    performed = document.moment(record.performed.at)
    if performed > now:
        found.append(
            Finding("in_the_future", True, f"performed at {record.performed.at}, later than now")
        )
    until = record.performed.valid_until
    if until and document.moment(until) < now:
        found.append(Finding("expired", True, f"valid until {until}"))
    return found
