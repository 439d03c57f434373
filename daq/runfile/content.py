"""What a run file holds, as plain dataclasses: the finaliser fills them in, the writer writes them.

Nothing here knows HDF5. The same classes come back from :mod:`daq.runfile.read`, so a run can be
read, calibrated anew and written to another file. Layout on disk: ``layout.md`` beside this file.

Arrays of one stream have n rows, of one grid G rows. Times called ``time`` are float64 seconds
since the run's zero; times called ``raw_time`` are int64 ns of CLOCK_MONOTONIC as recorded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Quantity:
    """A number with its unit (UDUNITS spelling) and, where known, its standard uncertainty."""

    value: float
    unit: str
    uncertainty: float | None = None


Fact = str | int | float | bool | Quantity | None
"""One thing known about something; None and "" are not written."""
Facts = Mapping[str, Fact]
"""Facts by name; names like ``[a-z][a-z0-9_]*``."""


@dataclass
class ChannelContent:
    """One channel of a stream, n rows."""

    name: str
    unit: str
    """Of ``value``."""
    raw: NDArray[Any]
    """int64[n] as decoded, float64[n] when the source delivers decimals (recorded)."""
    value: Floats
    """float64[n] in ``unit``; NaN where there is no value (derived)."""
    status: Bytes | None = None
    """uint8[n], bits of SampleStatus; None when all are 0."""
    long_name: str = ""
    quantity: str = ""
    role: str = ""
    raw_unit: str = "1"
    raw_bits: int = 32
    raw_signed: bool = True
    labels: Mapping[int, str] = field(default_factory=dict)
    """Meaning of raw values, for states."""
    calibration: str = ""
    """Name of the applied one in ``RunContent.calibrations``."""
    latency_s: float = 0.0
    """Taken off this channel's times in the aligned table (not in the stream's ``time``)."""
    latency_uncertainty_s: float | None = None
    latency_source: Literal["none", "configured", "fitted", "computed"] = "none"
    latency_a_s: float | None = None
    latency_b_s_rpm: float | None = None
    """Where fitted: latency = a + b / engine speed; ``latency_s`` is its median over the run."""
    latency_sample_s: float | None = None
    """Scatter of a single value's age about that, one standard deviation."""
    latency_reason: str = ""
    """Why this latency, or why none."""
    info: Facts = field(default_factory=dict)
    """Sensor model and serial number, location, believable range, source of the scaling, ..."""


@dataclass
class TimeSegment:
    """A stretch of the map from device index (or byte time) *x* to host time *y*, in seconds.

    ``y = y0 + slope * (x - x0)`` for ``first <= x <= last``; y0 is relative to the run's zero.
    """

    x0: float
    y0: float
    slope: float
    first: float
    last: float
    anchors: int = 0
    residual_05_s: float = float("nan")
    """5 % quantile of the anchors' residuals: how tight the bound is."""
    residual_50_s: float = float("nan")
    index_segment: int = 0
    begins_ns: int = 0
    """It serves rows of that segment whose ``raw_time`` is this or later."""
    rejected: int = 0
    """Anchors that were not believed."""
    scatter_s: float = float("nan")
    unseen_s: float = 0.0
    """Spacing of arrivals that wait for a timer going evenly with the device, else 0."""
    half_gap_s: float = float("nan")
    """Half the distance between bounds from both sides; NaN where one side has none."""


@dataclass
class TimeContent:
    """How a stream's ``time`` was made from its recorded times, and how good it is."""

    method: str = "arrival"
    """arrival, hull_bytes, hull_ticks, two_way, poll_bound, ..."""
    uncertainty_random_s: float | None = None
    """One standard deviation."""
    uncertainty_bias_low_s: float | None = None
    uncertainty_bias_high_s: float | None = None
    """One-sided bounds: true time lies in [time - low, time + high] beside the random part."""
    clock_skew_ppm: float | None = None
    correction_s: float | None = None
    """Taken off what the map says, for latencies that cannot be seen one-way."""
    lateness_s: float | None = None
    """Rows lie up to this much later than the map says, no later than they arrived."""
    index_hz: float | None = None
    """Of the map's index: counts per second of x."""
    segments: list[TimeSegment] = field(default_factory=list)
    info: Facts = field(default_factory=dict)
    """baud, frame_bytes, byte_ns, usb_latency_timer_ms, gap_limit_s, gaps, ..."""


@dataclass
class StreamContent:
    """Channels sampled together, n rows, in the order in which they were sampled."""

    name: str
    time: Floats
    raw_time: Ints
    """Host time of the row's arrival: sampled no later than this."""
    channels: list[ChannelContent]
    raw_time_low: Ints | None = None
    """Sampled no earlier than this (a poll's request); None when there is no such bound."""
    index: Ints | None = None
    """Device tick or frame counter, unwrapped within its segment."""
    index_kind: Literal["tick", "counter", ""] = ""
    index_hz: float | None = None
    segment: Ints | None = None
    """Grows by one where the index may have jumped; None when it is 0 throughout."""
    time_index: Ints | None = None
    time_segment: Ints | None = None
    """What the time map was applied to, where that is not ``index`` and ``segment``: periods
    counted (derived)."""
    time_flags: Bytes | None = None
    """uint8[n], bits of TimeFlag; None when all are 0 (derived)."""
    source: str = ""
    """Name in ``RunContent.sources`` of the bytes it was decoded from."""
    device: str = ""
    driver: str = ""
    sampling: Literal["periodic", "event", "polled"] = "periodic"
    nominal_rate_hz: float | None = None
    timing: TimeContent = field(default_factory=TimeContent)
    info: Facts = field(default_factory=dict)


@dataclass
class ColumnContent:
    """One column of the aligned table, G rows."""

    name: str
    unit: str
    value: Floats
    status: Bytes | None = None
    """uint8[G], bits of AlignedStatus; None for a column without one (distance, speed)."""
    uncertainty: Floats | None = None
    """Standard uncertainty of each value, float64[G], in ``unit``."""
    long_name: str = ""
    quantity: str = ""
    channel: str = ""
    """``stream/channel`` it was made from; "" for one made from several."""
    info: Facts = field(default_factory=dict)


@dataclass
class AlignedContent:
    """Every channel on one grid.

    Columns named ``roller_distance`` (m) and ``roller_speed`` (m/s) serve as coordinates of the
    others; where there is no encoder there are none and ``grid`` says ``time_only``.
    """

    time: Floats
    """float64[G], strictly growing."""
    columns: list[ColumnContent]
    signal: str = ""
    """Column of the default plot; "" takes roller_speed, else the first."""
    grid: Literal["encoder", "time_only"] = "encoder"
    grid_rate_hz: float | None = None
    resampling: str = ""
    info: Facts = field(default_factory=dict)


@dataclass
class Parameter:
    """One coefficient of a calibration."""

    name: str
    value: float
    unit: str
    error: float | None = None
    """Standard uncertainty."""


@dataclass
class CalibrationContent:
    """From raw to quantity: the equation that was applied, its evidence, its record."""

    name: str
    channel: str
    """``stream/channel``."""
    model: str
    formula: str
    """In words of the parameters: ``a0 + a1*x``."""
    parameters: list[Parameter] = field(default_factory=list)
    covariance: Floats | None = None
    """float64[k, k] in the order of ``parameters``."""
    input_unit: str = "1"
    unit: str = "1"
    indication: Floats | None = None
    """float64[P], raw at each calibration point, in ``input_unit``."""
    reference: Floats | None = None
    """float64[P], reference value at each point, in ``unit``."""
    reference_uncertainty: Floats | None = None
    residual: Floats | None = None
    """float64[P], computed value minus reference, in ``unit``."""
    applied: bool = True
    record: str = ""
    """Canonical JSON of the whole record, as it was hashed."""
    info: Facts = field(default_factory=dict)
    """calibration_id, performed, performed_by, valid_until, origin, method, reference instrument,
    expanded uncertainty and coverage factor, conditions, traceable, ..."""


@dataclass
class BytesContent:
    """What came over and went out on a serial line."""

    data: Bytes
    """uint8[B], all reads and writes end to end."""
    raw_time: Ints
    """int64[R] ns at the return of each read or write."""
    first_byte: Ints
    """int64[R], index in ``data`` of each one's first byte."""
    direction: Bytes
    """uint8[R]: 0 received, 1 sent."""


@dataclass
class SourceContent:
    """A wire's undecoded record."""

    name: str
    kind: str
    """Of wire: serial, slcan, socketcan, ..."""
    frames: NDArray[Any] | None = None
    """Records of daq.wire.can.FRAME."""
    frames_fd: NDArray[Any] | None = None
    """Records of daq.wire.can.FRAME_FD."""
    bytes: BytesContent | None = None
    notes: list[tuple[int, str]] = field(default_factory=list)
    """(raw_time in ns, JSON text)."""
    info: Facts = field(default_factory=dict)
    """Device paths, drivers and their record versions, frames_ok, frames_bad, lost, ..."""


@dataclass(frozen=True)
class Event:
    """Something that happened at a moment of the run."""

    raw_time: int
    """Host time in ns."""
    kind: str
    """One of ``EVENT_KINDS``; anything else is kept as ``other``."""
    text: str = ""
    origin: str = ""
    """Who said so: operator, a device's name, daq."""


EVENT_KINDS = (
    "other", "arm", "start", "stop", "mark", "abort", "device_lost", "device_back", "gap",
    "clock_step", "limit", "input", "note", "emergency_stop", "end", "not_for_power", "refused",
)  # fmt: skip
"""Their place in this tuple is their code in the file: append only."""


@dataclass(frozen=True)
class Document:
    """A configuration file, DBC or certificate, unchanged."""

    name: str
    """As the configuration names it, for example ``can/car.dbc``."""
    media_type: str
    data: bytes


@dataclass
class WindowContent:
    """A short named interval beside the run: zero before, zero after, sync gesture."""

    name: str
    t_start: float
    t_end: float
    streams: list[StreamContent] = field(default_factory=list)
    info: Facts = field(default_factory=dict)


@dataclass
class TableContent:
    """Numbers against an axis, A rows, as a result."""

    axis: str
    axis_unit: str
    axis_values: Floats
    """float64[A], strictly growing."""
    columns: list[ColumnContent]
    axis_long_name: str = ""
    signal: str = ""


@dataclass
class ResultContent:
    """Something computed from the run: kinematics, power, losses, correction."""

    name: str
    method: str
    version: str = ""
    standard: str = ""
    """Standard and variant by name, for example of an atmospheric correction."""
    inputs: tuple[str, ...] = ()
    """Paths in the file, for example /run/aligned/roller_speed."""
    values: Facts = field(default_factory=dict)
    table: TableContent | None = None
    info: Facts = field(default_factory=dict)


@dataclass
class RunContent:
    """A whole run."""

    run_id: str
    """UUID."""
    title: str
    time_zero_ns: int
    """CLOCK_MONOTONIC at the run's zero: its start mark."""
    time_zero_utc_ns: int
    """UTC at the same moment, ns since 1970."""
    t_start: float
    t_end: float
    """Extent of the recording in seconds relative to zero; t_start is below 0 with a pretrigger."""
    state: Literal["complete", "recovered", "aborted"] = "complete"
    summary: str = ""
    clocks: Ints | None = None
    """int64[C, 4] ns: monotonic, raw, boottime, realtime at C moments of the run."""
    clock_info: Facts = field(default_factory=dict)
    """utc_source, utc_uncertainty, utc_minus_monotonic_change, boot_id, ..."""
    streams: list[StreamContent] = field(default_factory=list)
    aligned: AlignedContent | None = None
    calibrations: list[CalibrationContent] = field(default_factory=list)
    sources: list[SourceContent] = field(default_factory=list)
    windows: list[WindowContent] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    documents: list[Document] = field(default_factory=list)
    results: list[ResultContent] = field(default_factory=list)
    settings: Facts = field(default_factory=dict)
    roller_sets: Mapping[str, Facts] = field(default_factory=dict)
    vehicle: Facts = field(default_factory=dict)
    visit: Facts = field(default_factory=dict)
    setup: Facts = field(default_factory=dict)
    ambient: Facts = field(default_factory=dict)
    operator: Facts = field(default_factory=dict)
    journal: Facts = field(default_factory=dict)
    """Which record it was cut from: identity, parts, first and last sequence number, lost, ..."""
    about: Mapping[str, str] = field(default_factory=dict)
    """Global attributes of ACDD: institution, creator_name, license, ..."""
    history: tuple[str, ...] = ()
    """One line per step that made this file, oldest first."""
