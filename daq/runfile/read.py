"""A run file back as the content that it was written from."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import h5py
import numpy as np
from numpy.typing import NDArray

from daq.errors import RunFileError
from daq.runfile import digest, layout
from daq.runfile.content import (
    EVENT_KINDS,
    AlignedContent,
    BytesContent,
    CalibrationContent,
    ChannelContent,
    ColumnContent,
    Document,
    Event,
    Fact,
    Facts,
    Parameter,
    Quantity,
    ResultContent,
    RunContent,
    SourceContent,
    StreamContent,
    TableContent,
    TimeContent,
    TimeSegment,
    WindowContent,
)
from daq.runfile.verify import open_file
from daq.wire.can import FRAME, FRAME_FD

T = TypeVar("T")
STREAMS = "/run/streams/"
FRAME_COLUMNS = {
    "t_host": "raw_time", "t_device": "device_time", "id": "arbitration_id",
    "flags": "flags", "bus": "bus", "length": "length", "data": "data",
}  # fmt: skip


class RunFile:
    """A run file opened for reading; arrays are read when asked for.

    ``with RunFile(path) as run: run.stream("unit_analogue").channels[0].value``

    Raises RunFileError when the file cannot be opened, is no run file, or lacks what is asked for.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = open_file(path)
        self.run: h5py.Group = self._file["run"]
        self.attributes = attributes(self.run)
        """run_id, state, time_zero (ISO UTC), t_start, t_end."""
        self.global_attributes = attributes(self._file["/"])

    def __enter__(self) -> RunFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()

    def close(self) -> None:
        """Close the file; content read before stays good."""
        self._file.close()

    def names(self, group: str) -> list[str]:
        """What lies in a group of /run, for example ``streams``, in the order of writing."""
        return list(self.run[group]) if group in self.run else []

    def _get(self, group: str, name: str) -> h5py.Group:
        if name not in self.names(group):
            raise RunFileError(
                f"{self.path}: no {name!r} in {group}; there are: {', '.join(self.names(group))}"
            )
        return self.run[group][name]

    def _all(self, group: str, read: Callable[[str, h5py.Group], T]) -> list[T]:
        return [read(name, self.run[group][name]) for name in self.names(group)]

    def stream(self, name: str) -> StreamContent:
        """One stream with all its channels."""
        return _stream(name, self._get("streams", name))

    def aligned(self) -> AlignedContent | None:
        """The aligned table, or None."""
        return _aligned(self.run["aligned"]) if "aligned" in self.run else None

    def calibrations(self) -> list[CalibrationContent]:
        """Every calibration, applied or superseded."""
        return self._all("calibrations", _calibration)

    def source(self, name: str) -> SourceContent:
        """One wire's undecoded record."""
        return _source(name, self._get("sources", name))

    def results(self) -> list[ResultContent]:
        """What was computed from the run."""
        return self._all("results", _result)

    def windows(self) -> list[WindowContent]:
        """The short intervals beside the run."""
        return self._all("windows", _window)

    def documents(self) -> list[Document]:
        """The configuration's files, byte for byte."""
        items = (self.run["documents"][name] for name in self.names("documents"))
        return [_document(item) for item in items if not digest.is_pure_dimension(item)]

    def events(self) -> list[Event]:
        """In the order of writing."""
        group = self.run["events"]
        columns = (group["raw_time"][:].tolist(), group["code"][:].tolist())
        texts = (_texts(group, "text"), _texts(group, "origin"))
        rows = zip(*columns, *texts, strict=True)
        return [Event(t, EVENT_KINDS[code], text, origin) for t, code, text, origin in rows]

    def facts(self, group: str) -> Facts:
        """Of settings, vehicle, visit, setup, ambient, operator."""
        return _parameters(self.run[group])

    def content(self) -> RunContent:
        """All of it: written again, it has the same digests."""
        clock = attributes(self.run["clock"])
        kept = attributes(self.run)
        heading = self.global_attributes
        known = {"time_zero", "time_zero_monotonic_ns", "time_zero_utc_ns"}
        return RunContent(
            run_id=str(kept["run_id"]),
            title=_text(self.run["title"]),
            time_zero_ns=int(clock["time_zero_monotonic_ns"]),
            time_zero_utc_ns=int(clock["time_zero_utc_ns"]),
            t_start=float(kept["t_start"]),
            t_end=float(kept["t_end"]),
            state=kept["state"],
            summary=heading.get("summary", ""),
            clocks=_clocks(self.run["clock"]),
            clock_info=facts_of(clock, known),
            streams=self._all("streams", _stream),
            aligned=self.aligned(),
            calibrations=self.calibrations(),
            sources=self._all("sources", _source),
            windows=self.windows(),
            events=self.events(),
            documents=self.documents(),
            results=self.results(),
            settings=self.facts("settings"),
            roller_sets={
                name: _parameters(self.run["roller_sets"][name])
                for name in self.names("roller_sets")
            },
            vehicle=self.facts("vehicle"),
            visit=self.facts("visit"),
            setup=self.facts("setup"),
            ambient=self.facts("ambient"),
            operator=self.facts("operator"),
            journal=facts_of(attributes(self.run["journal"]), set()),
            about={n: v for n, v in heading.items() if n not in layout.GLOBAL_ATTRIBUTES},
            history=tuple(heading["history"].split("\n")) if heading.get("history") else (),
        )


def read_run(path: Path) -> RunContent:
    """The whole content of the run file at *path*; RunFileError when it is none."""
    with RunFile(path) as run:
        return run.content()


def attributes(item: h5py.HLObject) -> dict[str, Any]:
    """Attributes by name as text, bool, int, float or array; those of storage are left out."""
    return {
        name: _python(digest.attribute(item, name))
        for name in item.attrs
        if name not in digest.LEFT_OUT
    }


def _python(value: Any) -> Any:
    if isinstance(value, np.uint8):
        return bool(value)
    return value.item() if isinstance(value, np.generic) else value


def facts_of(found: dict[str, Any], known: Iterable[str]) -> dict[str, Fact]:
    """Facts among attributes: what is not *known*, with units and uncertainties put back."""
    left = {n: v for n, v in found.items() if n not in {*known, "NX_class", "default"}}
    facts: dict[str, Fact] = {}
    for name, value in left.items():
        unit = left.get(f"{name}_units")
        if unit is not None:
            facts[name] = Quantity(value, unit, left.get(f"{name}_uncertainty"))
        elif not _is_part(name, left):
            facts[name] = value
    return facts


def _is_part(name: str, left: dict[str, Any]) -> bool:
    return any(
        name.endswith(ending) and f"{name.removesuffix(ending)}_units" in left
        for ending in ("_units", "_uncertainty")
    )


def _parameters(group: h5py.Group) -> dict[str, Fact]:
    facts: dict[str, Fact] = facts_of(attributes(group), ())
    for name in group:
        value, about = _python(group[name][()]), attributes(group[name])
        is_quantity = isinstance(value, float)
        facts[name] = Quantity(value, about["units"], about.get("error")) if is_quantity else value
    return facts


def _text(item: h5py.Dataset) -> str:
    value = item[()]
    return value.decode() if isinstance(value, bytes) else str(value)


def _texts(group: h5py.Group, name: str) -> list[str]:
    return [value.decode() if value else "" for value in group[name][:]]


def _optional(group: h5py.Group, name: str) -> NDArray[Any] | None:
    return group[name][:] if name in group else None


def _fields(found: dict[str, Any], names: Iterable[str], prefix: str = "") -> dict[str, Any]:
    return {name: found[prefix + name] for name in names if prefix + name in found}


def _clocks(group: h5py.Group) -> NDArray[np.int64] | None:
    if "monotonic" not in group:
        return None
    return np.stack([group[name][:] for name in layout.CLOCK_COLUMNS], axis=1)


# --- streams


def _stream(name: str, group: h5py.Group) -> StreamContent:
    found = attributes(group)
    index = attributes(group["index"]) if "index" in group else {}
    return StreamContent(
        name=name,
        time=group["time"][:],
        raw_time=group["raw_time"][:],
        channels=[_channel(group, item) for item in group if f"{item}_raw" in group],
        raw_time_low=_optional(group, "raw_time_low"),
        index=_optional(group, "index"),
        index_kind=index.get("kind", ""),
        index_hz=index.get("rate_hz"),
        segment=_optional(group, "segment"),
        time_index=_optional(group, "time_index"),
        time_segment=_optional(group, "time_segment"),
        time_flags=_optional(group, "time_flags"),
        source=found.get("source", "").removeprefix("/run/sources/"),
        timing=_timing(group, found),
        info=_info(group, "stream"),
        **_fields(found, layout.STREAM_FACTS),
    )


def _timing(group: h5py.Group, found: dict[str, Any]) -> TimeContent:
    timing = TimeContent(found["time_method"], **_fields(found, layout.TIMING_FACTS, "time_"))
    if "time_map" in group:
        place = group["time_map"]
        timing.info = facts_of(attributes(place), ())
        if "x0" in place:
            names = [name for name in layout.SEGMENT_COLUMNS if name in place]
            columns = [place[name][:].tolist() for name in names]
            timing.segments = [
                TimeSegment(**dict(zip(names, row, strict=True)))
                for row in zip(*columns, strict=True)
            ]
    return timing


def _channel(group: h5py.Group, name: str) -> ChannelContent:
    about, raw_about = attributes(group[name]), attributes(group[f"{name}_raw"])
    raw = group[f"{name}_raw"][:]
    info = attributes(group[f"{name}_info"]) if f"{name}_info" in group else {}
    known = (*layout.CHANNEL_FACTS, *layout.LATENCY_FACTS)
    return ChannelContent(
        name=name,
        unit=about["units"],
        raw=raw if raw.dtype.kind == "f" else raw.astype(np.int64),
        value=group[name][:],
        status=group[f"{name}_status"][:],
        long_name=about["long_name"],
        raw_unit=raw_about["units"],
        raw_bits=raw_about["bits"],
        raw_signed=raw_about["signed"],
        labels=_labels(group, name),
        calibration=about.get("calibration", "").removeprefix("/run/calibrations/"),
        info=facts_of(info, known),
        **_fields(info, known),
    )


def _labels(group: h5py.Group, name: str) -> dict[int, str]:
    if f"{name}_info/label" not in group:
        return {}
    place = group[f"{name}_info"]
    return dict(zip(place["label"][:].tolist(), _texts(place, "label_text"), strict=True))


def _info(group: h5py.Group, name: str) -> dict[str, Fact]:
    path = f"{name}_info"
    return facts_of(attributes(group[path]), ()) if path in group else {}


# --- derived tables


def _aligned(group: h5py.Group) -> AlignedContent:
    found = attributes(group)
    return AlignedContent(
        time=group["time"][:],
        columns=_columns(group, ("time", "utc")),
        signal=found.get("signal", ""),
        info=_info(group, "aligned"),
        **_fields(found, layout.ALIGNED_FACTS),
    )


def _columns(group: h5py.Group, axes: tuple[str, ...]) -> list[ColumnContent]:
    beside = ("_status", "_errors")
    names = [n for n in group if isinstance(group[n], h5py.Dataset) and n not in axes]
    return [
        _column(group, n)
        for n in names
        if not any(n.endswith(end) and n.removesuffix(end) in names for end in beside)
    ]


def _column(group: h5py.Group, name: str) -> ColumnContent:
    about, info = attributes(group[name]), _info(group, name)
    return ColumnContent(
        name=name,
        unit=about["units"],
        value=group[name][:],
        status=_optional(group, f"{name}_status"),
        uncertainty=_optional(group, f"{name}_errors"),
        long_name=about["long_name"],
        quantity=str(info.pop("quantity", "")),
        channel=about.get("channel", "").removeprefix(STREAMS),
        info=info,
    )


def _calibration(name: str, group: h5py.Group) -> CalibrationContent:
    found = attributes(group)
    place = group["calibration_parameters"]
    covariance = attributes(place).get("covariance")
    count = len(place)
    return CalibrationContent(
        name=name,
        channel=found.get("channel", "").removeprefix(STREAMS),
        formula=_text(group["fit_formula_description"]),
        parameters=[_parameter(item, place[item]) for item in place],
        covariance=None if covariance is None else np.reshape(covariance, (count, count)),
        indication=_optional(group, "original_axis"),
        reference=_optional(group, "reference_value"),
        reference_uncertainty=_optional(group, "reference_value_errors"),
        residual=_optional(group, "residual"),
        record=_text(group["record"]) if "record" in group else "",
        info=facts_of(found, ("channel", *layout.CALIBRATION_FACTS)),
        **_fields(found, layout.CALIBRATION_FACTS),
    )


def _parameter(name: str, item: h5py.Dataset) -> Parameter:
    about = attributes(item)
    return Parameter(name, float(item[()]), about["units"], about.get("error"))


def _result(name: str, group: h5py.Group) -> ResultContent:
    found = attributes(group)
    return ResultContent(
        name=name,
        inputs=tuple(found.get("inputs", "").split()),
        values=_parameters(group["values"]),
        table=_table(group["table"]) if "table" in group else None,
        info=_info(group, "result"),
        **_fields(found, layout.RESULT_FACTS),
    )


def _table(group: h5py.Group) -> TableContent:
    found = attributes(group)
    axis = found["axes"]
    about = attributes(group[axis])
    return TableContent(
        axis=axis,
        axis_unit=about["units"],
        axis_values=group[axis][:],
        columns=_columns(group, (axis,)),
        axis_long_name=about.get("long_name", ""),
        signal=found.get("signal", ""),
    )


def _window(name: str, group: h5py.Group) -> WindowContent:
    streams = [n for n in group if n != "window_info"]
    return WindowContent(
        name=name,
        streams=[_stream(item, group[item]) for item in streams],
        info=_info(group, "window"),
        **_fields(attributes(group), layout.WINDOW_FACTS),
    )


# --- what was observed


def _source(name: str, group: h5py.Group) -> SourceContent:
    found = attributes(group)
    return SourceContent(
        name=name,
        kind=found["kind"],
        frames=_frames(group["frames"], FRAME) if "frames" in group else None,
        frames_fd=_frames(group["frames_fd"], FRAME_FD) if "frames_fd" in group else None,
        bytes=_bytes(group["bytes"]) if "bytes" in group else None,
        notes=_notes(group["notes"]) if "notes" in group else [],
        info=facts_of(found, ("kind",)),
    )


def _frames(group: h5py.Group, dtype: np.dtype[Any]) -> NDArray[Any]:
    frames = np.zeros(len(group["raw_time"]), dtype)
    for field, name in FRAME_COLUMNS.items():
        frames[field] = group[name][...]
    return frames


def _bytes(group: h5py.Group) -> BytesContent:
    names = ("data", "raw_time", "first_byte", "direction")
    return BytesContent(*(group[name][:] for name in names))


def _notes(group: h5py.Group) -> list[tuple[int, str]]:
    return list(zip(group["raw_time"][:].tolist(), _texts(group, "text"), strict=True))


def _document(item: h5py.Dataset) -> Document:
    about = attributes(item)
    value = item[()]
    data = value if isinstance(value, bytes) else value.tobytes()
    return Document(about["file_name"], about["media_type"], data)
