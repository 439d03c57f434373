"""Where each part of a run's content goes in the file."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.clock import SECOND_NS, iso_utc
from daq.errors import RunFileError
from daq.runfile import layout
from daq.runfile.content import (
    EVENT_KINDS,
    AlignedContent,
    BytesContent,
    CalibrationContent,
    ChannelContent,
    ColumnContent,
    Document,
    Event,
    Facts,
    ResultContent,
    RunContent,
    SourceContent,
    StreamContent,
    TableContent,
    TimeContent,
    WindowContent,
)
from daq.runfile.node import Node

COLLECTION = "NXcollection"
DAY_NS = 86_400 * SECOND_NS
FLAGS = {
    kind: {
        "standard_name": "status_flag" if kind == "aligned" else None,
        "flag_masks": np.array([1, 2, 4, 8, 16, 32, 64, 128], np.uint8),
        "flag_meanings": " ".join(names),
    }
    for kind, names in (("sample", layout.SAMPLE_FLAGS), ("aligned", layout.ALIGNED_FLAGS))
}


def pick(item: Any, names: Iterable[str], prefix: str = "") -> dict[str, Any]:
    """Attributes called like the fields that they hold."""
    return {prefix + name: getattr(item, name) for name in names}


class Laying:
    """Lays one run's content into groups."""

    def __init__(self, content: RunContent) -> None:
        self.content = content
        self.start = iso_utc(content.time_zero_utc_ns)

    def run(self, root: Node) -> Node:
        """Everything below /run but the digests; returns the group."""
        content = self.content
        run = root.group("run", "NXentry", self._run_attributes())
        self._heading(run)
        if content.aligned is not None:
            self.aligned(run, content.aligned)
        self._each(run, "streams", content.streams, self.stream)
        self._each(run, "calibrations", content.calibrations, self.calibration)
        self._each(run, "results", content.results, self.result)
        self._each(run, "windows", content.windows, self.window)
        self.events(run, content.events)
        run.group("settings", "NXparameters").parameters(content.settings)
        rollers = run.group("roller_sets", COLLECTION)
        for name, facts in content.roller_sets.items():
            rollers.group(name, "NXparameters").parameters(facts)
        self._facts(run, "vehicle", "NXsample", content.vehicle)
        self._facts(run, "operator", "NXuser", content.operator)
        for name in ("visit", "setup", "ambient"):
            self._facts(run, name, COLLECTION, getattr(content, name))
        self.clock(run)
        run.group("journal", COLLECTION).facts(content.journal)
        self.documents(run, content.documents)
        self._each(run, "sources", content.sources, self.source)
        return run

    def _run_attributes(self) -> dict[str, Any]:
        content = self.content
        default = "aligned" if content.aligned else "streams" if content.streams else None
        return {
            "default": default,
            "run_id": content.run_id,
            "state": content.state,
            "time_zero": self.start,
            "t_start": float(content.t_start),
            "t_end": float(content.t_end),
        }

    def _heading(self, run: Node) -> None:
        content = self.content
        run.text("readme", layout.README)
        run.text("title", content.title)
        run.text("start_time", self._utc(content.t_start))
        run.text("end_time", self._utc(content.t_end))
        run.number("duration", float(content.t_end - content.t_start), {"units": "s"})
        run.text("entry_identifier_uuid", content.run_id, {"version": "1.0"})
        run.text("program_name", "rollerdaq")

    def _utc(self, moment: float) -> str:
        return iso_utc(self.content.time_zero_utc_ns + round(moment * SECOND_NS))

    @staticmethod
    def _each(run: Node, name: str, items: list[Any], lay: Any) -> None:
        first = {"default": items[0].name} if items and name == "streams" else {}
        node = run.group(name, COLLECTION, first)
        for item in items:
            lay(node, item)

    @staticmethod
    def _facts(run: Node, name: str, nx_class: str, facts: Facts) -> None:
        run.group(name, nx_class).parameters(facts)

    # --- streams

    def stream(self, parent: Node, stream: StreamContent) -> None:
        """One group: times once, then each channel's raw, value and status."""
        node = parent.group(stream.name, "NXdata", {
            "signal": stream.channels[0].name if stream.channels else None,
            "axes": "time",
            "source": f"/run/sources/{stream.source}" if stream.source else None,
            **pick(stream, layout.STREAM_FACTS),
            "time_method": stream.timing.method,
            **pick(stream.timing, layout.TIMING_FACTS, "time_"),
        })  # fmt: skip
        self._times(node, stream)
        for channel in stream.channels:
            self.channel(node, channel)
        self._timing(node, stream.timing)
        _info(node, "stream", {}, stream.info)

    def _times(self, node: Node, stream: StreamContent) -> None:
        node.axis("time", stream.time, self._time_attributes())
        clock = {"units": "ns", "clock": "CLOCK_MONOTONIC"}
        latest = "host clock when the row had arrived"
        node.array("raw_time", stream.raw_time, ("time",), {"long_name": latest, **clock})
        if stream.raw_time_low is not None:
            earliest = {"long_name": "host clock before the row was sampled", **clock}
            node.array("raw_time_low", stream.raw_time_low, ("time",), earliest)
        if stream.index is not None:
            kind = {"kind": stream.index_kind, "rate_hz": stream.index_hz}
            named = {"long_name": f"device {stream.index_kind or 'index'}", "units": "1"}
            node.array("index", stream.index, ("time",), {**named, **kind})
        if stream.segment is not None:
            named = {"long_name": "grows where the index may have jumped", "units": "1"}
            node.array("segment", stream.segment, ("time",), named)
        self._derived_times(node, stream)

    @staticmethod
    def _derived_times(node: Node, stream: StreamContent) -> None:
        """What the time map was applied to where that was counted, and what is special."""
        if stream.time_index is not None:
            named = {"long_name": "periods counted", "units": "1"}
            node.array("time_index", stream.time_index, ("time",), named)
        if stream.time_segment is not None:
            named = {"long_name": "segment in which they were counted", "units": "1"}
            node.array("time_segment", stream.time_segment, ("time",), named)
        if stream.time_flags is not None:
            meanings = layout.TIME_FLAGS
            masks = np.array([1 << bit for bit in range(len(meanings.split()))], np.uint8)
            about = {"flag_masks": masks, "flag_meanings": meanings}
            node.array("time_flags", stream.time_flags, ("time",), about)

    def _time_attributes(self) -> dict[str, Any]:
        return {"units": "s", "start": self.start, "long_name": "time since the run's zero"}

    def _timing(self, node: Node, timing: TimeContent) -> None:
        if not timing.segments and not timing.info:
            return
        place = node.group("time_map", COLLECTION)
        place.facts(timing.info)
        if not timing.segments:
            return
        place.dimension("map_segment", len(timing.segments))
        for name in layout.SEGMENT_COLUMNS:
            values = [getattr(segment, name) for segment in timing.segments]
            dtype = np.int64 if name in layout.SEGMENT_COUNTS else np.float64
            place.array(name, np.array(values, dtype), ("map_segment",))

    def channel(self, node: Node, channel: ChannelContent) -> None:
        """Raw (recorded), value and status (derived), and what is known about the sensor."""
        name = channel.name
        node.array(f"{name}_raw", _raw(channel), ("time",), {
            "units": channel.raw_unit,
            "bits": channel.raw_bits,
            "signed": channel.raw_signed,
        })  # fmt: skip
        calibration = f"/run/calibrations/{channel.calibration}" if channel.calibration else None
        _value(node, "time", channel, channel.long_name, {"calibration": calibration})
        status = channel.status
        if status is None:
            status = np.zeros(len(channel.value), np.uint8)
        _status(node, "time", name, status, "sample")
        facts = pick(channel, layout.CHANNEL_FACTS)
        if channel.latency_source != "none" or channel.latency_reason:
            facts |= pick(channel, layout.LATENCY_FACTS)
        place = _info(node, name, facts, channel.info, needed=bool(channel.labels))
        if channel.labels and place is not None:
            place.axis("label", np.array(list(channel.labels), np.int64), {"units": "1"})
            place.texts("label_text", channel.labels.values(), "label")

    # --- derived tables

    def aligned(self, run: Node, aligned: AlignedContent) -> None:
        """Every channel on one grid: the default plot."""
        if not (np.diff(aligned.time) > 0).all():
            raise RunFileError("/run/aligned/time: does not grow from row to row")
        names = [column.name for column in aligned.columns]
        signal = aligned.signal or ("roller_speed" if "roller_speed" in names else names[0])
        facts = pick(aligned, layout.ALIGNED_FACTS)
        node = run.group("aligned", "NXdata", {"signal": signal, "axes": "time", **facts})
        node.axis("time", aligned.time, self._time_attributes())
        self._utc_column(node, aligned)
        coordinates = " ".join([*(n for n in ("roller_distance",) if n in names), "utc"])
        for column in aligned.columns:
            own = column.name in ("roller_distance", "roller_speed")
            _column(node, "time", column, {
                "coordinates": None if own else coordinates,
                "channel": _channel_path(column.channel),
            })  # fmt: skip
        _info(node, "aligned", {}, aligned.info)

    def _utc_column(self, node: Node, aligned: AlignedContent) -> None:
        """UTC of every row. Source of the attributes: CF 1.11, sections 4.4 and 4.4.1."""
        since_midnight_ns = self.content.time_zero_utc_ns % DAY_NS
        midnight = iso_utc(self.content.time_zero_utc_ns - since_midnight_ns)[:10]
        node.array("utc", aligned.time + since_midnight_ns / SECOND_NS, ("time",), {
            "standard_name": "time",
            "long_name": "time in UTC",
            "units": f"seconds since {midnight} 00:00:00Z",
            "calendar": "standard",
            "units_metadata": "leap_seconds: unknown",
        })  # fmt: skip

    def result(self, parent: Node, result: ResultContent) -> None:
        """Something computed, with its inputs by path and its method by name."""
        node = parent.group(result.name, "NXprocess", {
            "default": "table" if result.table else None,
            **pick(result, layout.RESULT_FACTS),
            "inputs": " ".join(result.inputs),
        })  # fmt: skip
        node.group("values", "NXparameters").parameters(result.values)
        _info(node, "result", {}, result.info)
        if result.table is not None:
            self._table(node, result.table)

    @staticmethod
    def _table(parent: Node, table: TableContent) -> None:
        signal = table.signal or (table.columns[0].name if table.columns else None)
        node = parent.group("table", "NXdata", {"signal": signal, "axes": table.axis})
        about = {"units": table.axis_unit, "long_name": table.axis_long_name}
        node.axis(table.axis, table.axis_values, about)
        for column in table.columns:
            _column(node, table.axis, column, {"channel": _channel_path(column.channel)})

    def window(self, parent: Node, window: WindowContent) -> None:
        """A short interval with streams of its own."""
        node = parent.group(window.name, COLLECTION, pick(window, layout.WINDOW_FACTS))
        for stream in window.streams:
            self.stream(node, stream)
        _info(node, "window", {}, window.info)

    @staticmethod
    def calibration(parent: Node, item: CalibrationContent) -> None:
        """Equation, coefficients with covariance, points, record."""
        facts = {"channel": _channel_path(item.channel), **pick(item, layout.CALIBRATION_FACTS)}
        node = parent.group(item.name, "NXcalibration", facts)
        node.facts(item.info)
        node.text("fit_formula_description", item.formula)
        parameters = node.group("calibration_parameters", "NXparameters")
        for parameter in item.parameters:
            about = {"units": parameter.unit, "error": parameter.error}
            parameters.number(parameter.name, float(parameter.value), about)
        if item.covariance is not None:
            parameters.attributes({
                "covariance": np.asarray(item.covariance, np.float64).reshape(-1),
                "covariance_order": " ".join(p.name for p in item.parameters),
            })  # fmt: skip
        _points(node, item)
        if item.record:
            node.text("record", item.record)

    # --- what was observed

    def source(self, parent: Node, source: SourceContent) -> None:
        """A wire's undecoded record."""
        node = parent.group(source.name, COLLECTION, {"kind": source.kind})
        node.facts(source.info)
        if source.frames is not None:
            _frames(node.group("frames", COLLECTION), source.frames)
        if source.frames_fd is not None:
            _frames(node.group("frames_fd", COLLECTION), source.frames_fd)
        if source.bytes is not None:
            _bytes(node.group("bytes", COLLECTION), source.bytes)
        if source.notes:
            notes = node.group("notes", COLLECTION)
            notes.dimension("note", len(source.notes))
            _raw_time(notes, [time for time, _ in source.notes], "note")
            notes.texts("text", (text for _, text in source.notes), "note")

    def events(self, run: Node, events: list[Event]) -> None:
        """Marks, losses, limits: when, what, who, in words."""
        node = run.group("events", COLLECTION)
        node.dimension("event", len(events))
        _raw_time(node, [event.raw_time for event in events], "event")
        zero = self.content.time_zero_ns
        seconds = np.array([(event.raw_time - zero) / SECOND_NS for event in events], np.float64)
        node.array("time", seconds, ("event",), self._time_attributes())
        codes = [EVENT_KINDS.index(e.kind) if e.kind in EVENT_KINDS else 0 for e in events]
        node.array("code", np.array(codes, np.uint8), ("event",), {
            "flag_values": np.arange(len(EVENT_KINDS), dtype=np.uint8),
            "flag_meanings": " ".join(EVENT_KINDS),
        })  # fmt: skip
        node.texts("origin", (event.origin for event in events), "event")
        node.texts("text", (_event_text(event) for event in events), "event")

    def clock(self, run: Node) -> None:
        """The run's zero on every clock, and all clocks side by side through the run."""
        content = self.content
        node = run.group("clock", COLLECTION, {
            "time_zero": self.start,
            "time_zero_monotonic_ns": content.time_zero_ns,
            "time_zero_utc_ns": content.time_zero_utc_ns,
        })  # fmt: skip
        node.facts(content.clock_info)
        if content.clocks is not None:
            node.dimension("clock_row", len(content.clocks))
            for name, column in zip(layout.CLOCK_COLUMNS, content.clocks.T, strict=True):
                node.array(name, column.astype(np.int64), ("clock_row",), {"units": "ns"})

    @staticmethod
    def documents(run: Node, documents: list[Document]) -> None:
        """Each file of the configuration, unchanged: text as text, anything else as bytes."""
        import hashlib

        node = run.group("documents", COLLECTION)
        for number, document in enumerate(documents, 1):
            about = {
                "file_name": document.name,
                "media_type": document.media_type,
                "sha256": hashlib.sha256(document.data).hexdigest(),
            }
            name = f"document_{number}"
            text = _as_text(document.data)
            if text is not None:
                node.text(name, text, about)
            else:
                node.dimension(f"{name}_byte", len(document.data))
                data = np.frombuffer(document.data, np.uint8)
                node.array(name, data, (f"{name}_byte",), about)


def _channel_path(channel: str) -> str | None:
    return f"/run/streams/{channel}" if channel else None


def _info(node: Node, name: str, facts: Facts, more: Facts, *, needed: bool = False) -> Node | None:
    """The group ``NAME_info``; None when there is nothing to say."""
    known = [value for value in facts.values() if value not in (None, "")]
    if not (known or more or needed):
        return None
    place = node.group(f"{name}_info", "NXsensor" if facts else COLLECTION)
    place.attributes(facts)
    place.facts(more)
    return place


def _raw(channel: ChannelContent) -> NDArray[Any]:
    """Raw as float64, or as int32 where the declared bits and the values fit, else int64."""
    if channel.raw.dtype.kind == "f":
        return channel.raw.astype(np.float64, copy=False)
    fits = channel.raw_bits <= (32 if channel.raw_signed else 31)
    limits = np.iinfo(np.int32)
    if fits and len(channel.raw):
        fits = channel.raw.min() >= limits.min and channel.raw.max() <= limits.max
    return channel.raw.astype(np.int32 if fits else np.int64, copy=False)


def _value(
    node: Node,
    axis: str,
    item: ChannelContent | ColumnContent,
    long_name: str,
    more: dict[str, Any],
    *,
    status: bool = True,
    errors: bool = False,
    shuffle: bool = False,
) -> None:
    """A value dataset with CF's attributes. Source: CF 1.11, sections 2.5.1, 3.1, 3.4."""
    name = item.name
    ancillary = (f"{name}_status" if status else "", f"{name}_errors" if errors else "")
    node.array(name, item.value, (axis,), {
        "long_name": long_name or name.replace("_", " "),
        "units": item.unit,
        "_FillValue": np.float64("nan"),
        "ancillary_variables": " ".join(filter(None, ancillary)),
        "units_metadata": layout.temperature_metadata(item.unit, item.quantity),
        **more,
    }, fill=float("nan"), shuffle=shuffle)  # fmt: skip


def _status(node: Node, axis: str, name: str, status: NDArray[np.uint8], kind: str) -> None:
    about = {"long_name": f"status of {name.replace('_', ' ')}", **FLAGS[kind]}
    node.array(f"{name}_status", status, (axis,), about, fill=0)


def _column(node: Node, axis: str, column: ColumnContent, more: dict[str, Any]) -> None:
    status, errors = column.status is not None, column.uncertainty is not None
    _value(node, axis, column, column.long_name, more, status=status, errors=errors, shuffle=True)
    if column.status is not None:
        _status(node, axis, column.name, column.status, "aligned")
    if column.uncertainty is not None:
        about = {"long_name": "standard uncertainty", "units": column.unit}
        node.array(f"{column.name}_errors", column.uncertainty, (axis,), about)
    if column.info or column.quantity:
        _info(node, column.name, {"quantity": column.quantity}, column.info)


def _points(node: Node, item: CalibrationContent) -> None:
    if item.indication is None or item.reference is None:
        return
    node.dimension("point", len(item.indication))
    out = {"units": item.unit}
    about = {"symbol": "x", "units": item.input_unit}
    if item.channel:
        about["input_path"] = f"/run/streams/{item.channel}_raw"
    node.array("original_axis", item.indication, ("point",), about)
    node.array("reference_value", item.reference, ("point",), out)
    if item.reference_uncertainty is not None:
        node.array("reference_value_errors", item.reference_uncertainty, ("point",), out)
    if item.residual is not None:
        node.array("residual", item.residual, ("point",), out)
        node.array("calibrated_axis", item.reference + item.residual, ("point",), out)


def _frames(node: Node, frames: NDArray[Any]) -> None:
    """Records of CAN frames as columns."""
    node.dimension("frame", len(frames))
    node.dimension("byte", frames["data"].shape[1])
    clock = {"units": "ns", "clock": "CLOCK_MONOTONIC"}
    node.array("raw_time", frames["t_host"].astype(np.int64), ("frame",), clock)
    device = {"units": "ns", "long_name": "stamp of the interface or kernel; 0 for none"}
    node.array("device_time", frames["t_device"].astype(np.int64), ("frame",), device)
    node.array("arbitration_id", frames["id"].astype(np.int32), ("frame",))
    node.array("flags", frames["flags"], ("frame",), {
        "flag_masks": np.array([1, 2, 4, 8, 16, 32], np.uint8),
        "flag_meanings": "extended remote error fd bitrate_switch sent",
    })  # fmt: skip
    for name in ("bus", "length"):
        node.array(name, np.ascontiguousarray(frames[name]), ("frame",))
    node.array("data", np.ascontiguousarray(frames["data"]), ("frame", "byte"))


def _bytes(node: Node, content: BytesContent) -> None:
    node.dimension("byte", len(content.data))
    node.array("data", content.data, ("byte",))
    node.dimension("read", len(content.raw_time))
    clock = {"units": "ns", "clock": "CLOCK_MONOTONIC"}
    node.array("raw_time", content.raw_time, ("read",), clock)
    node.array("first_byte", content.first_byte, ("read",), {"units": "1"})
    node.array("direction", content.direction, ("read",), {
        "flag_values": np.array([0, 1], np.uint8),
        "flag_meanings": "received sent",
    })  # fmt: skip


def _raw_time(node: Node, times: list[int], axis: str) -> None:
    about = {"units": "ns", "clock": "CLOCK_MONOTONIC"}
    node.array("raw_time", np.array(times, np.int64), (axis,), about)


def _event_text(event: Event) -> str:
    return event.text if event.kind in EVENT_KINDS else f"{event.kind}: {event.text}"


def _as_text(data: bytes) -> str | None:
    if b"\0" in data:
        return None
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return None
