"""The channel that is being calibrated: its record in force, its signal, its readings."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from daq import clock
from daq.bench import Bench, load_bench
from daq.calibration import document, settling, store
from daq.calibration.record import Calibration
from daq.calibration.settling import Reading
from daq.calibration.signal import Signal
from daq.channels import BenchChannel, bench_channels
from daq.cli.check import find_config
from daq.cli.progress import Progress
from daq.config import load, nearest
from daq.errors import CalibrationError, ConfigError
from daq.evaluation import Evaluation, Floats
from daq.recent import Recent, raw_of, values
from daq.serve import places

DRIFT_SHARE = 5e-4
"""Of the span: how much a reading may still move over the window, unless another limit is given.
Common practice, no source."""
LOOK_S = 0.5
MARGIN_S = 2.5
"""Read beyond the window, as the newest second may not be committed yet."""


@dataclass
class Subject:
    """A channel, the plain tables that a new record begins from, and where the record stands."""

    name: str
    tables: dict[str, Any]
    path: Path
    in_force: Calibration | None = None
    bench: Bench | None = None
    channel: BenchChannel | None = None

    @property
    def signal(self) -> Signal:
        """How a raw reading becomes what the equation takes."""
        return load(Signal, self.tables.get("signal", {}))

    @property
    def unit(self) -> str:
        """Of the reference values."""
        return str(self.tables["unit"])

    @property
    def quantity(self) -> str:
        """What the sensor itself measures: before a barometer makes another reference of it."""
        pressure = self.tables.get("pressure") or {}
        return str(pressure.get("measured") or self.tables["quantity"])

    @property
    def signal_unit(self) -> str:
        """Of the indications."""
        return self.signal.output_unit or "count"


def bench_and_channels(config: str | None) -> tuple[Bench, dict[str, BenchChannel]]:
    """The bench file that is meant, and the bench's channels as far as it names them."""
    bench = load_bench(find_config(config))
    return bench, bench_channels(bench, {name: bench.streams(name, {}) for name in bench.device})


def channel_of(channels: dict[str, BenchChannel], name: str, bench: Bench) -> BenchChannel:
    """The channel *name*; ConfigError with the nearest one."""
    if name not in channels:
        raise ConfigError(f"{bench.file_name}: no channel {name!r}{nearest(name, list(channels))}")
    return channels[name]


def subject_of(
    name: str,
    config: str | None,
    template: Path | None,
    out: Path | None,
    asked: dict[str, Any],
) -> Subject:
    """The subject that the command line means.

    *template* is a record to begin from, in place of the bench; *asked* holds quantity, unit and
    full_scale_v for a channel that has no record yet.
    """
    if template is not None:
        record = store.read(template)
        return Subject(name, _tables(record), out or template, record)
    bench, channels = bench_and_channels(config)
    channel = channel_of(channels, name, bench)
    where = bench.folder / (channel.config.calibration or f"calibrations/{name}.toml")
    known = channel.calibration
    tables = _tables(known) if known else _new_tables(channel, asked)
    serial = channel.config.sensor_serial
    if serial:
        tables["sensor"] = {"model": channel.config.sensor_model, "serial": serial}
    return Subject(name, tables, out or where, known, bench, channel)


def _tables(record: Calibration) -> dict[str, Any]:
    tables: dict[str, Any] = json.loads(record.canonical_json)
    return tables


def _new_tables(channel: BenchChannel, asked: dict[str, Any]) -> dict[str, Any]:
    source = channel.input
    quantity = asked.get("quantity") or channel.config.quantity or source.quantity
    unit = asked.get("unit") or channel.config.unit
    if not quantity or not unit:
        raise ConfigError(
            f"channel {channel.name} has no record yet: say what it measures, for example"
            " --quantity gauge_pressure --unit kPa"
        )
    volts = asked.get("full_scale_v")
    if volts:
        signal = {"kind": "adc", "bits": source.raw_bits, "reference_v": volts,
                  "signed": source.raw_signed}  # fmt: skip
    else:
        its = "" if source.unit == "1" else source.unit
        signal = {"kind": "direct", "unit": its, "scale": source.scale, "offset": source.offset}
    known = {"format": document.FORMAT, "channel": channel.name, "model": "linear"}
    return {**known, "quantity": quantity, "unit": unit, "signal": signal}


# --- readings


@dataclass
class Look:
    """What the last seconds say: the raw reading, its signal, the supply, the reference channel."""

    reading: Reading
    signal: float
    supply_v: float | None = None
    reference: float = math.nan
    reference_uncertainty: float = 0.0


@dataclass
class Readings:
    """Live readings of a subject; needs a bench whose daemon is recording."""

    subject: Subject
    window_s: float = 2.0
    drift_limit: float | None = None
    reference_channel: str = ""

    def __post_init__(self) -> None:
        if self.subject.bench is None or self.subject.channel is None:
            raise CalibrationError(
                "live readings need the bench: leave --template out, or give points by --from"
            )
        self._recent = Recent(self.subject.bench, places(self.subject.bench).journal)

    def look(self) -> Look:
        """The reading now; CalibrationError when nothing comes in."""
        result = self._recent.look(self.window_s + MARGIN_S)
        channel = self._channel(result)
        at, raw = raw_of(result, channel)
        signal = self.subject.signal
        reading = settling.read(
            at, raw, window_s=self.window_s, drift_limit=self._limit(raw), rails=signal.rails
        )
        supply, inputs = None, {}
        if signal.supply:
            supply = float(_last(result, signal.supply, self.window_s).mean())
            inputs = {signal.supply: np.asarray(supply)}
        middle = reading.mean if math.isfinite(reading.mean) else raw[-1]
        now = signal.circuit(signal.terminal([middle], inputs, {}), {})
        look = Look(reading, float(now[0]), supply)
        if self.reference_channel:
            look.reference, look.reference_uncertainty = self._reference(result)
        return look

    def _channel(self, result: Evaluation) -> BenchChannel:
        if self.subject.name not in result.channels:
            raise CalibrationError(f"channel {self.subject.name}: its device has not answered yet")
        return result.channels[self.subject.name]

    def _limit(self, raw: Floats) -> float:
        if self.drift_limit is not None:
            return self.drift_limit
        rails = self.subject.signal.rails
        if rails is not None:
            return DRIFT_SHARE * (rails[1] - rails[0])
        return DRIFT_SHARE * max(float(np.abs(raw).max()), 1.0)

    def _reference(self, result: Evaluation) -> tuple[float, float]:
        """Mean of the reference channel, and its standard uncertainty (type A and B)."""
        found = _last(result, self.reference_channel, self.window_s)
        noise = float(found.std(ddof=1) / math.sqrt(len(found))) if len(found) > 1 else 0.0
        channel = result.channels[self.reference_channel]
        if channel.unit != self.subject.unit:
            raise CalibrationError(
                f"reference channel {channel.name} is in {channel.unit!r}, and {self.subject.name}"
                f" in {self.subject.unit!r}; choose one of the same unit"
            )
        inputs = result.inputs(channel)
        if channel.calibration is None or inputs is None:
            return float(found.mean()), noise
        raw = result.rows[result.key(channel.name)].raw[channel.input.name][-1:]
        u = channel.calibration.uncertainty(raw, {n: v[-1:] for n, v in inputs.items()})
        return float(found.mean()), math.hypot(noise, float(u[0]))

    def settled(self, patience_s: float) -> Look:
        """Wait until the reading has settled, showing it; CalibrationError after *patience_s*."""
        end = clock.monotonic_ns() + round(patience_s * clock.SECOND_NS)
        with Progress() as progress:
            while True:
                look = self.look()
                progress(words(self.subject, look))
                if look.reading.settled:
                    return look
                if clock.monotonic_ns() > end:
                    raise CalibrationError(
                        f"not settled within {patience_s:g} s: {look.reading.reason}"
                    )
                clock.sleep_ns(round(LOOK_S * clock.SECOND_NS))


def _last(result: Evaluation, name: str, window_s: float) -> Floats:
    at, found = values(result, name)
    recent: Floats = found[at >= at[-1] - window_s]
    return recent


def words(subject: Subject, look: Look) -> str:
    """A reading with its noise and drift, in one line."""
    reading = look.reading
    now = f"{look.signal:.5g} {subject.signal_unit}"
    if not math.isfinite(reading.mean):
        return f"{now}: {reading.reason}"
    return (
        f"{now} (raw {reading.mean:.1f}, noise {reading.noise:.2g},"
        f" drift {reading.drift_per_s:+.2g}/s): {reading.reason}"
    )
