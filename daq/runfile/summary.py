"""What a run file holds, as plain data for a script and in words for a person."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.runfile.content import (
    AlignedContent,
    CalibrationContent,
    ChannelContent,
    Fact,
    Facts,
    Quantity,
    ResultContent,
    SourceContent,
    StreamContent,
)
from daq.runfile.read import RunFile
from daq.runfile.verify import root_digest


def describe(path: Path) -> dict[str, Any]:
    """The run file at *path* as dicts, lists, texts and numbers; RunFileError when it is none."""
    with RunFile(path) as run:
        content = run.content()
        told = run.attributes
    return {
        "file": str(path),
        "bytes": path.stat().st_size,
        "digest": root_digest(path),
        "run_id": content.run_id,
        "title": content.title,
        "state": content.state,
        "time_zero": told["time_zero"],
        "t_start_s": content.t_start,
        "t_end_s": content.t_end,
        "streams": [_stream(stream) for stream in content.streams],
        "aligned": None if content.aligned is None else _aligned(content.aligned),
        "calibrations": [_calibration(item) for item in content.calibrations],
        "sources": [_source(item) for item in content.sources],
        "windows": [
            {"name": w.name, "t_start_s": w.t_start, "t_end_s": w.t_end} for w in content.windows
        ],
        "results": [_result(item) for item in content.results],
        "events": [
            {
                "t_s": (event.raw_time - content.time_zero_ns) / 1e9,
                "kind": event.kind,
                "origin": event.origin,
                "text": event.text,
            }
            for event in content.events
        ],
        "documents": [document.name for document in content.documents],
        **{
            name: _facts(getattr(content, name))
            for name in ("settings", "vehicle", "visit", "setup", "ambient", "operator")
        },
        "roller_sets": {name: _facts(facts) for name, facts in content.roller_sets.items()},
        "history": list(content.history),
    }


def _facts(facts: Facts) -> dict[str, Any]:
    return {name: _fact(fact) for name, fact in facts.items()}


def _fact(fact: Fact) -> Any:
    if not isinstance(fact, Quantity):
        return fact
    told = {"value": fact.value, "unit": fact.unit, "uncertainty": fact.uncertainty}
    return {name: item for name, item in told.items() if item is not None}


def _stream(stream: StreamContent) -> dict[str, Any]:
    timing = stream.timing
    return {
        "name": stream.name,
        "device": stream.device,
        "driver": stream.driver,
        "source": stream.source,
        "sampling": stream.sampling,
        "rows": len(stream.time),
        "nominal_rate_hz": stream.nominal_rate_hz,
        "rate_hz": _rate(stream.time),
        "time_method": timing.method,
        "time_uncertainty_s": timing.uncertainty_random_s,
        "clock_skew_ppm": timing.clock_skew_ppm,
        "channels": [_channel(channel) for channel in stream.channels],
    }


def _rate(time: NDArray[np.float64]) -> float | None:
    """Mean rate in Hz over the stream's extent, None for fewer than two rows."""
    extent = float(time[-1] - time[0]) if len(time) > 1 else 0.0
    return (len(time) - 1) / extent if extent > 0 else None


def _channel(channel: ChannelContent) -> dict[str, Any]:
    good = channel.value[np.isfinite(channel.value)]
    flagged = 0 if channel.status is None else int(np.count_nonzero(channel.status))
    return {
        "name": channel.name,
        "long_name": channel.long_name,
        "unit": channel.unit,
        "quantity": channel.quantity,
        "role": channel.role,
        "values": len(good),
        "flagged": flagged,
        "lowest": float(good.min()) if len(good) else None,
        "highest": float(good.max()) if len(good) else None,
        "calibration": channel.calibration,
        "latency_s": channel.latency_s,
        "latency_source": channel.latency_source,
    }


def _aligned(aligned: AlignedContent) -> dict[str, Any]:
    return {
        "rows": len(aligned.time),
        "grid": aligned.grid,
        "grid_rate_hz": aligned.grid_rate_hz,
        "resampling": aligned.resampling,
        "columns": [{"name": c.name, "unit": c.unit} for c in aligned.columns],
    }


def _calibration(item: CalibrationContent) -> dict[str, Any]:
    return {
        "name": item.name,
        "channel": item.channel,
        "model": item.model,
        "formula": item.formula,
        "applied": item.applied,
        "points": 0 if item.indication is None else len(item.indication),
        **_facts(item.info),
    }


def _source(item: SourceContent) -> dict[str, Any]:
    frames = sum(len(part) for part in (item.frames, item.frames_fd) if part is not None)
    size = 0 if item.bytes is None else len(item.bytes.data)
    told = {"name": item.name, "kind": item.kind, "frames": frames, "bytes": size}
    return {**told, "notes": len(item.notes), **_facts(item.info)}


def _result(item: ResultContent) -> dict[str, Any]:
    told = {"name": item.name, "method": item.method, "standard": item.standard}
    return {**told, "values": _facts(item.values)}


def summary_lines(path: Path) -> list[str]:
    """The run file at *path* in words, a line each; RunFileError when it is none."""
    told = describe(path)
    return [*_heading(told), *_streams(told), *_table(told), *_rest(told)]


def _heading(told: dict[str, Any]) -> Iterator[str]:
    duration = told["t_end_s"] - told["t_start_s"]
    yield f"{told['title'] or 'run'} ({told['state']}), {duration:.1f} s, zero {told['time_zero']}"
    yield f"  run {told['run_id']}, digest {told['digest'][:16]}, {told['bytes'] / 1e6:.2f} MB"
    vehicle = ", ".join(str(v) for v in told["vehicle"].values() if isinstance(v, str))
    if vehicle:
        yield f"  vehicle: {vehicle}"


def _streams(told: dict[str, Any]) -> Iterator[str]:
    for stream in told["streams"]:
        rate = f", {stream['rate_hz']:.4g} Hz" if stream["rate_hz"] else ""
        yield (
            f"{stream['name']}: {stream['rows']} rows{rate}, times by {stream['time_method']}"
            f"{_plus_minus(stream['time_uncertainty_s'])}"
        )
        width = max((len(channel["name"]) for channel in stream["channels"]), default=0)
        for channel in stream["channels"]:
            yield f"  {channel['name']:{width}}  {_channel_words(channel)}"


def _plus_minus(uncertainty_s: float | None) -> str:
    return "" if uncertainty_s is None else f" (u = {uncertainty_s * 1e3:.2g} ms)"


def _channel_words(channel: dict[str, Any]) -> str:
    unit = "" if channel["unit"] == "1" else f" {channel['unit']}"
    if channel["lowest"] is None:
        words = f"no values{unit and f' ({unit.strip()})'}"
    else:
        words = f"{channel['lowest']:.5g} to {channel['highest']:.5g}{unit}"
    if channel["flagged"]:
        words += f", {channel['flagged']} flagged"
    if channel["calibration"]:
        words += f", calibration {channel['calibration']}"
    return words


def _table(told: dict[str, Any]) -> Iterator[str]:
    aligned = told["aligned"]
    if aligned is None:
        yield "no aligned table"
        return
    rate = f" at {aligned['grid_rate_hz']:g} Hz" if aligned["grid_rate_hz"] else ""
    base = {"encoder": "on the roller encoder", "time_only": "on time alone: no roller encoder"}
    where = base.get(aligned["grid"], aligned["grid"])
    columns = len(aligned["columns"])
    yield f"aligned: {columns} columns, {aligned['rows']} rows{rate}, {where}"


COUNTS = {
    "frames_bad": "refused",
    "bytes_skipped": "bytes in none",
    "lines_other": "lines of no declared kind",
    "absent": "questions without an answer",
    "late": "answers too late",
    "refused": "answers that say no",
    "restarts": "restarts of the device",
}
"""What decoders count beside sound frames, in words."""


def _decoded(source: dict[str, Any]) -> Iterator[str]:
    """What each device's decoder made of a wire's bytes."""
    for name, sound in source.items():
        device = name.removesuffix("_frames_ok")
        if device != name:
            counts = {words: source.get(f"{device}_{count}") for count, words in COUNTS.items()}
            others = [f", {count:g} {words}" for words, count in counts.items() if count]
            yield f"  {device}: {sound:g} frames read{''.join(others)}"


def _rest(told: dict[str, Any]) -> Iterator[str]:
    for result in told["results"]:
        values = ", ".join(f"{n} {_value_words(v)}" for n, v in result["values"].items())
        standard = f", {result['standard']}" if result["standard"] else ""
        yield f"{result['name']}: {values or 'a table'} (by {result['method']}{standard})"
    for source in told["sources"]:
        what = f"{source['frames']} frames" if source["frames"] else f"{source['bytes']} bytes"
        yield f"wire {source['name']} ({source['kind']}): {what} as they came"
        yield from _decoded(source)
    for event in told["events"]:
        said = " ".join(part for part in (event["kind"], event["text"]) if part)
        origin = f" ({event['origin']})" if event["origin"] else ""
        yield f"{event['t_s']:+9.3f} s  {said}{origin}"


def _value_words(value: Any) -> str:
    if not isinstance(value, dict):
        return str(value)
    spread = f" ± {value['uncertainty']:.2g}" if "uncertainty" in value else ""
    unit = "" if value["unit"] == "1" else f" {value['unit']}"
    return f"{value['value']:.5g}{spread}{unit}"
