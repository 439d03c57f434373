"""A run file's times computed again from what it recorded, by the code that made them first."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from daq.bench import Bench, bench_from_documents
from daq.calibration.record import Calibration
from daq.channels import BenchChannel, bench_channels
from daq.contents import stream_contents
from daq.decode import DeviceRecord, Rows
from daq.driver import Stream
from daq.errors import RunFileError
from daq.evaluate import bus_devices, put_on_grid, stream_times, with_time_status
from daq.evaluation import Evaluation, Key
from daq.findings import gesture_windows, is_of_time, time_results
from daq.runfile.content import (
    CalibrationContent,
    ChannelContent,
    Document,
    ResultContent,
    RunContent,
    SourceContent,
    StreamContent,
    WindowContent,
)
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest
from daq.runfile.write import program_version, write_run
from daq.status import SampleStatus
from daq.table import aligned_content

T = TypeVar("T", ResultContent, WindowContent)
LATENCY_FIELDS = (
    "latency_s", "latency_uncertainty_s", "latency_source", "latency_a_s", "latency_b_s_rpm",
    "latency_sample_s", "latency_reason",
)  # fmt: skip
TIME_FIELDS = ("time", "time_index", "time_segment", "time_flags", "timing")


def realign(path: Path, out: Path, now_utc: str) -> list[str]:
    """Write to *out* the run file at *path* with every time computed again; what was noticed.

    Recorded data and values stay as they are. *now_utc* (ISO) goes into the history.
    Raises RunFileError when a file cannot be read or written, ConfigError when the bench's
    configuration in it asks for a driver that is not installed.
    """
    content = read_run(path)
    problems = align_again(content)
    digest = root_digest(path)[:16]
    line = f"{now_utc} times computed again by rollerdaq {program_version()} from {digest}"
    content.history = (*content.history, line)
    write_run(content, out)
    return problems


def align_again(content: RunContent) -> list[str]:
    """Replace all that was made of *content*'s recorded times; what was noticed on the way."""
    bench = bench_of(content.documents)
    result = evaluation_of(bench, content)
    put_on_grid(bench, result)
    fresh = stream_contents(result, device_records(content.streams))
    content.streams = [_timed(old, new) for old, new in zip(content.streams, fresh, strict=True)]
    content.aligned = aligned_content(bench, result)
    content.results = _renewed(content.results, time_results(result))
    content.windows = _renewed(content.windows, gesture_windows(result))
    return result.problems


def bench_of(documents: Sequence[Document]) -> Bench:
    """The bench as a run file carries it; RunFileError where its file is not among them."""
    data = {document.name: document.data for document in documents}
    for document in documents:
        if document.media_type == "application/toml" and _is_bench(document.data):
            return bench_from_documents(data, document.name)
    raise RunFileError("the bench's configuration is not among the run file's documents")


def _is_bench(data: bytes) -> bool:
    try:
        return {"bench", "device"} <= tomllib.loads(data.decode()).keys()
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return False


# --- from the file's words to rows


def evaluation_of(bench: Bench, content: RunContent) -> Evaluation:
    """The rows of a run file with the values that it holds and times computed again."""
    streams = _streams(bench, content.sources)
    channels = _calibrated(bench_channels(bench, streams), content.calibrations)
    known = {(device, s.name): s for device, its in streams.items() for s in its}
    stored = {_key(stream, known): stream for stream in content.streams}
    rows = {key: _rows(key, known[key], stream, channels) for key, stream in stored.items()}
    times = stream_times(rows, bus_devices(bench))
    result = Evaluation(content.time_zero_ns, channels, rows, times)
    items = {item.name: item for stream in content.streams for item in stream.channels}
    for name in (name for name in channels if name in items):
        result.values[name] = items[name].value
        flags = times[result.key(name)].flags
        result.status[name] = with_time_status(_status(items[name]), flags)
    return result


def _status(item: ChannelContent) -> np.ndarray[Any, np.dtype[np.uint8]]:
    return np.zeros(len(item.value), np.uint8) if item.status is None else item.status


def _streams(bench: Bench, sources: Sequence[SourceContent]) -> dict[str, tuple[Stream, ...]]:
    """Streams of every device, by what its conversation found last."""
    found: dict[str, Mapping[str, Any]] = {name: {} for name in bench.device}
    for source in sources:
        for _, text in source.notes:
            note = _note(text)
            if note.get("note") in ("identified", "preface") and note.get("device") in found:
                found[note["device"]] = note["preface"]["found"]
    return {name: bench.driver(name).streams(known) for name, known in found.items()}


def _note(text: str) -> dict[str, Any]:
    try:
        note = json.loads(text)
    except ValueError:
        return {}
    return note if isinstance(note, dict) else {}


def _calibrated(
    channels: dict[str, BenchChannel], calibrations: Sequence[CalibrationContent]
) -> dict[str, BenchChannel]:
    """Channels with the calibrations that the file applied, were they other than the bench's."""
    applied = {
        item.channel.rpartition("/")[2]: Calibration.of_json(item.record, item.name)
        for item in calibrations
        if item.applied and item.record
    }
    return {
        name: replace(channel, calibration=applied.get(name, channel.calibration))
        for name, channel in channels.items()
    }


def _key(stream: StreamContent, known: Mapping[Key, Stream]) -> Key:
    key = stream.device, stream.name.removeprefix(f"{stream.device}_")
    if key not in known:
        raise RunFileError(
            f"stream {stream.name}: driver {stream.driver!r} as installed has no such stream"
        )
    return key


def _rows(
    key: Key, stream: Stream, stored: StreamContent, channels: Mapping[str, BenchChannel]
) -> Rows:
    n = len(stored.raw_time)
    inputs = {item.name: channels[item.name].input.name for item in stored.channels}
    missing = {
        inputs[item.name]: gone
        for item in stored.channels
        if (gone := _status(item) & SampleStatus.MISSING != 0).any()
    }
    segment = np.zeros(n, np.int64) if stored.segment is None else stored.segment
    return Rows(
        key[0],
        stream,
        stored.raw_time,
        stored.raw_time_low,
        stored.index,
        segment.astype(np.int32),
        {inputs[item.name]: item.raw for item in stored.channels},
        missing,
    )


# --- and back


def device_records(streams: Sequence[StreamContent]) -> dict[str, DeviceRecord]:
    """The devices that the streams of a run file came from."""
    return {s.device: DeviceRecord(s.device, s.source, s.driver) for s in streams}


def _timed(old: StreamContent, new: StreamContent) -> StreamContent:
    """*old* with the times, status and latencies of *new*."""
    fresh = {channel.name: channel for channel in new.channels}
    channels = [
        replace(
            item,
            status=fresh[item.name].status,
            **{name: getattr(fresh[item.name], name) for name in LATENCY_FIELDS},
        )
        for item in old.channels
    ]
    return replace(old, channels=channels, **{name: getattr(new, name) for name in TIME_FIELDS})


def _renewed(old: list[T], new: list[T]) -> list[T]:
    """What is made from times in its old place or at the end, and all else as it was."""
    fresh = {item.name: item for item in new}
    kept = [fresh.pop(item.name, None) if is_of_time(item.name) else item for item in old]
    return [item for item in kept if item is not None] + list(fresh.values())
