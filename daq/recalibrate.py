"""A run file's values computed again with another calibration record, by the code that made them.

The recorded layer stays as it is; what changes is the channel of the record, the channels whose
values or ages hang on it, and their columns of the aligned table.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from daq.bench import Bench
from daq.calibration.record import Calibration
from daq.channels import BenchChannel
from daq.config import nearest
from daq.contents import calibration_content, stream_contents
from daq.errors import CalibrationError, RunFileError
from daq.evaluate import in_order, put_on_grid, put_value
from daq.evaluation import Evaluation, inputs_of
from daq.realign import bench_of, device_records, evaluation_of
from daq.runfile.content import CalibrationContent, RunContent, StreamContent
from daq.runfile.layout import NAME_LENGTH
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest, verify
from daq.runfile.write import program_version, write_run
from daq.status import SampleStatus
from daq.table import aligned_content

EXCLUDED = np.uint8(SampleStatus.OPERATOR_EXCLUDED)


@dataclass
class Recalibration:
    """What was done: the channels computed again, the new calibrations, what to know of them."""

    calibrated: list[str] = field(default_factory=list)
    """Channels that have a new record."""
    dependent: list[str] = field(default_factory=list)
    """Further channels whose values or ages changed with them."""
    notes: list[str] = field(default_factory=list)


def recalibrate(
    path: Path, records: Sequence[Calibration], out: Path, now_utc: str
) -> Recalibration:
    """Write to *out* the run file at *path* with *records* in place of those it was made with.

    Each record names its channel. *now_utc* (ISO) goes into the history, with the digest of the
    file that this one was made from. Raises RunFileError when a file cannot be read or written,
    CalibrationError for a record that does not fit.
    """
    altered = verify(path)
    if altered:
        raise RunFileError(
            f"{path}: not as it was written ({'; '.join(altered[:3])}); values are not computed"
            " from a file that was altered"
        )
    content = read_run(path)
    done = calibrate_again(content, records)
    digest = root_digest(path)
    said = ", ".join(f"{name} with {_identity(r)}" for name, r in zip(done.calibrated, records))
    line = f"{now_utc} recalibrated by rollerdaq {program_version()} from {digest}: {said}"
    content.history = (*content.history, line)
    write_run(content, out)
    return done


def _identity(record: Calibration) -> str:
    return f"record {record.record.id or record.name} (sha256 {record.record_sha256[:16]})"


def calibrate_again(content: RunContent, records: Sequence[Calibration]) -> Recalibration:
    """Replace in *content* all that hangs on the channels of *records*."""
    bench = bench_of(content.documents)
    result = evaluation_of(bench, content)
    _check_times(content, result)
    done = Recalibration()
    for record in records:
        name = _fit(result, record)
        if name in done.calibrated:
            raise CalibrationError(f"two records are for channel {name}; give one")
        result.channels[name] = replace(result.channels[name], calibration=record)
        done.calibrated.append(name)
    changed = _compute(result, set(done.calibrated))
    put_on_grid(bench, result)
    _put_back(bench, content, result, changed)
    done.dependent = sorted(changed - set(done.calibrated))
    done.notes = result.problems
    content.calibrations = _calibrations(content, result, done)
    return done


def _check_times(content: RunContent, result: Evaluation) -> None:
    """Only with the file's own times are its other columns those that would be made now."""
    for stream, key in zip(content.streams, result.rows, strict=True):
        if not np.array_equal(result.seconds(key), stream.time):
            raise RunFileError(
                f"stream {stream.name}: this release makes other times of it than those in the"
                " file; run daq realign on it first, then recalibrate what that wrote"
            )


# --- whether a record fits


def _fit(result: Evaluation, record: Calibration) -> str:
    """The channel that *record* is for; CalibrationError where it cannot be applied to it."""
    name = record.channel.rpartition(".")[2]
    there = [n for n in result.channels if n in result.values]
    if name not in there:
        raise CalibrationError(
            f"{record.name}: is for channel {record.channel!r}, and the run has none of this name"
            f"{nearest(name, there)}"
        )
    channel = result.channels[name]
    _check_unit(record, channel)
    missing = [wanted for wanted in _inputs(record) if wanted not in there]
    if missing:
        raise CalibrationError(
            f"{record.name}: needs the values of {', '.join(missing)}, which the run does not hold"
        )
    return name


def _inputs(record: Calibration) -> list[str]:
    return [name.rpartition(".")[2] for name in record.inputs]


def _check_unit(record: Calibration, channel: BenchChannel) -> None:
    """The believable range and all results are in the unit that the run was made with."""
    if channel.calibration is None and not channel.config.unit:
        return
    if record.unit != channel.unit:
        raise CalibrationError(
            f"{record.name}: gives {record.unit!r}, and channel {channel.name} of the run is in"
            f" {channel.unit!r}; make the record in that unit"
        )
    if channel.calibration is not None and record.quantity != channel.calibration.quantity:
        raise CalibrationError(
            f"{record.name}: gives {record.quantity}, and channel {channel.name} of the run is"
            f" {channel.calibration.quantity}"
        )


# --- computing


def _compute(result: Evaluation, changed: Set[str]) -> set[str]:
    """Compute the values of *changed* and of what hangs on them; all that was computed."""
    problems: list[str] = []
    done = set(changed)
    for name in in_order(result.channels, problems):
        if name not in result.values or not done & {name, *inputs_of(result.channels[name])}:
            continue
        done.add(name)
        excluded = result.status[name] & EXCLUDED
        put_value(result, name)
        result.status[name] |= excluded
    if problems:
        raise CalibrationError("; ".join(problems))
    return done


def _put_back(bench: Bench, content: RunContent, result: Evaluation, changed: set[str]) -> None:
    """Put what was computed into *content*; *changed* grows by channels whose age changed."""
    fresh = {s.name: s for s in stream_contents(result, device_records(content.streams))}
    for stream in content.streams:
        changed |= _renew(stream, fresh[stream.name], changed)
    table = aligned_content(bench, result)
    if content.aligned is None or table is None:
        return
    columns = {column.name: column for column in table.columns}
    content.aligned.columns = [
        columns.get(old.name, old) if old.channel.rpartition("/")[2] in changed else old
        for old in content.aligned.columns
    ]


def _renew(old: StreamContent, new: StreamContent, changed: Set[str]) -> set[str]:
    """Take over from *new* what is *changed* or of another age; the channels of another age."""
    fresh = {channel.name: channel for channel in new.channels}
    aged = {c.name for c in old.channels if _age(c) != _age(fresh[c.name])}
    old.channels = [
        replace(fresh[c.name], raw=c.raw) if c.name in changed | aged else c for c in old.channels
    ]
    return aged


def _age(channel: object) -> tuple[object, ...]:
    names = ("latency_s", "latency_uncertainty_s", "latency_source", "latency_a_s")
    return tuple(getattr(channel, name) for name in (*names, "latency_b_s_rpm"))


# --- the calibrations, old and new


def _calibrations(
    content: RunContent, result: Evaluation, done: Recalibration
) -> list[CalibrationContent]:
    """The new ones in the place of the old, and the old ones behind as superseded."""
    fresh = {name: _fresh(content, result, name) for name in done.calibrated}
    names = {item.name for item in content.calibrations}
    kept = [fresh.pop(item.name, item) for item in content.calibrations]
    superseded = [
        replace(item, name=_superseded(item.name, names), applied=False)
        for item in content.calibrations
        if item.name in done.calibrated
    ]
    return [*kept, *fresh.values(), *superseded]


def _fresh(content: RunContent, result: Evaluation, name: str) -> CalibrationContent:
    channel = result.channels[name]
    assert channel.calibration is not None
    return calibration_content(channel, channel.calibration, content.time_zero_utc_ns)


def _superseded(name: str, names: Set[str]) -> str:
    """``<channel>_superseded_1`` and so on, the first that is free."""
    number = 1
    while (found := _numbered(name, number)) in names:
        number += 1
    return found


def _numbered(name: str, number: int) -> str:
    tail = f"_superseded_{number}"
    return name[: NAME_LENGTH - len(tail)] + tail
