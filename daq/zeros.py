"""Zeros at standstill before and after a run: load cells, and manifold against air pressure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from daq.bench import Bench
from daq.budget import budget_of
from daq.channels import BenchChannel
from daq.contents import stream_contents
from daq.decode import Decoded
from daq.evaluate import values_of
from daq.evaluation import Evaluation, Floats
from daq.runfile.content import Fact, Quantity, ResultContent, WindowContent

NAME = "zeros"
COVERAGE = 2.0
"""About 95 %. Source: JCGM 100 6.2, common practice."""
BATCHES = 10
ENGINE_STANDS_RPM = 50.0
"""Slower than this an engine does not run. Common practice, no source."""


@dataclass(frozen=True)
class Mean:
    """Mean over a window with its standard uncertainty, in the channel's unit."""

    value: float
    type_a: float
    type_b: float
    unit: str

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty. Source: JCGM 100 5.1.2."""
        return math.hypot(self.type_a, self.type_b)

    @property
    def quantity(self) -> Quantity:
        """As the run file holds it."""
        return Quantity(self.value, self.unit, self.uncertainty)

    def minus(self, other: Mean) -> Mean:
        """The difference, as if nothing of the two uncertainties were common."""
        return Mean(
            self.value - other.value,
            math.hypot(self.type_a, other.type_a),
            math.hypot(self.type_b, other.type_b),
            self.unit,
        )

    @property
    def beyond(self) -> bool:
        """Whether it is further from zero than its uncertainty allows."""
        return abs(self.value) > COVERAGE * self.uncertainty

    def __str__(self) -> str:
        return f"{self.value:+.3g} ± {COVERAGE * self.uncertainty:.2g} {self.unit}"


@dataclass
class Zeros:
    """What the windows of a run told."""

    windows: list[WindowContent] = field(default_factory=list)
    values: dict[str, Fact] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    shifted: list[str] = field(default_factory=list)

    @property
    def results(self) -> list[ResultContent]:
        """As the run file holds it; nothing without a window."""
        if not self.windows:
            return []
        return [
            ResultContent(
                NAME,
                "means at standstill; a difference counts beyond twice its standard uncertainty,"
                " of which nothing is taken for common",
                inputs=tuple(f"/run/windows/{window.name}" for window in self.windows),
                values=self.values,
                info={
                    "shifted": "; ".join(self.shifted),
                    "remarks": "; ".join(self.remarks),
                    "coverage_factor": COVERAGE,
                },
            )
        ]


def find_zeros(
    bench: Bench, decoded: Mapping[str, tuple[Decoded, float, float]], zero_ns: int
) -> Zeros:
    """Zeros of a run from its windows ``zero_before`` and ``zero_after``, either of which may lack.

    *decoded*: for each its rows, and its extent in s relative to the run's zero.
    """
    found = Zeros()
    before: dict[str, Mean] = {}
    for name, (rows, begin_s, end_s) in decoded.items():
        result = values_of(bench, rows, zero_ns)
        wanted = {channel.name: channel for channel in _zeroed(bench, result)}
        kept = {result.key(n) for n in wanted} | {result.key(n) for n in _pressures(result)}
        streams = [s for s in stream_contents(result, rows.devices) if _key_of(s.name, kept)]
        found.windows.append(WindowContent(name, begin_s, end_s, streams))
        means = {n: mean for n, c in wanted.items() if (mean := mean_of(result, c)) is not None}
        found.values |= {f"{n}_{name}": mean.quantity for n, mean in means.items()}
        for channel in means.keys() & before.keys():
            shift = means[channel].minus(before[channel])
            found.values[f"{channel}_shift"] = shift.quantity
            if shift.beyond:
                found.shifted.append(f"{channel}: its zero moved by {shift}")
        before |= means
        _by_barometer(result, name, found)
    return found


def _zeroed(bench: Bench, result: Evaluation) -> Iterator[BenchChannel]:
    """Load cells that have values."""
    for roller in bench.roller_set.values():
        for cell in roller.load_cells:
            channel = result.find(cell.channel)
            if channel is not None and channel.name in result.values:
                yield channel


def _pressures(result: Evaluation) -> list[str]:
    roles = ("manifold_absolute_pressure", "ambient_pressure")
    return [c.name for role in roles for c in result.with_role(role) if c.calibration is not None]


def _key_of(stream: str, kept: set[tuple[str, str]]) -> bool:
    return stream in {f"{device}_{name}" for device, name in kept}


def mean_of(result: Evaluation, channel: BenchChannel) -> Mean | None:
    """Mean of a channel over the window; None for fewer than 10 values.

    Type A from the means of ten stretches, so that neighbours need not be independent (batch
    means, common practice); type B from the calibration record.
    """
    _, values = result.samples(channel.name)
    if len(values) < BATCHES:
        return None
    budget = budget_of(result, channel)
    type_b = 0.0 if budget is None else budget.type_b
    return Mean(float(values.mean()), _type_a(values), type_b, channel.unit)


def _type_a(values: Floats) -> float:
    batches = np.array([batch.mean() for batch in np.array_split(values, BATCHES)])
    return float(batches.std(ddof=1)) / math.sqrt(BATCHES)


def _by_barometer(result: Evaluation, window: str, found: Zeros) -> None:
    """Manifold pressure is the air's while the engine stands."""
    pressures = [result.channels[name] for name in _pressures(result)]
    barometer = next((c for c in pressures if c.role == "ambient_pressure"), None)
    others = [c for c in pressures if c is not barometer and c.role != "ambient_pressure"]
    air = None if barometer is None else mean_of(result, barometer)
    if air is None or not others:
        return
    running = _engine_runs(result)
    if running is not False:
        why = "nothing tells whether the engine stood" if running is None else "the engine ran"
        found.remarks.append(f"{window}: {why}, so manifold pressure was not compared with the air")
        return
    for channel in others:
        mean = mean_of(result, channel)
        if mean is not None and channel.unit == air.unit:
            off = mean.minus(air)
            found.values[f"{channel.name}_{window}_off_barometer"] = off.quantity
            if off.beyond:
                found.shifted.append(f"{channel.name}: {off} off the barometer at {window}")


def _engine_runs(result: Evaluation) -> bool | None:
    """None where no channel tells."""
    speeds = [result.samples(c.name)[1] for c in result.with_role("engine_speed")]
    known = [float(np.median(speed)) for speed in speeds if len(speed)]
    return any(speed > ENGINE_STANDS_RPM for speed in known) if known else None
