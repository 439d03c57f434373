"""An evaluation in the words of the run file."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.budget import Budget, budget_of
from daq.calibration import evidence
from daq.calibration.record import Calibration
from daq.calibration.state import Finding
from daq.channels import BenchChannel
from daq.clock import SECOND_NS
from daq.decode import DeviceRecord, Rows
from daq.evaluation import Evaluation, Key
from daq.runfile.content import (
    CalibrationContent,
    ChannelContent,
    Fact,
    Facts,
    Parameter,
    Quantity,
    StreamContent,
    TimeContent,
    TimeSegment,
)
from daq.timebase import StreamTime, TimeFlag
from daq.timebase.stream import GAP_PERIODS

Ints = NDArray[np.int64]
COVERAGE = 2.0
"""About 95 %. Source: JCGM 100 6.2, common practice."""


def stream_contents(result: Evaluation, devices: Mapping[str, DeviceRecord]) -> list[StreamContent]:
    """Streams with all their channels, as the run file holds them."""
    return [_stream_content(result, key, devices[key[0]]) for key in result.rows]


def _stream_content(result: Evaluation, key: Key, device: DeviceRecord) -> StreamContent:
    rows, time = result.rows[key], result.times[key]
    stream = rows.stream
    mine = [c for c in result.channels.values() if (c.device, c.stream.name) == key]
    polled = rows.t_lo is not None and rows.index is None
    sampling = "polled" if polled else "periodic" if stream.rate_hz else "event"
    return StreamContent(
        name=f"{key[0]}_{key[1]}",
        time=result.seconds(key),
        raw_time=rows.t_hi,
        raw_time_low=rows.t_lo,
        channels=[_channel_content(result, channel, rows) for channel in mine],
        index=rows.index,
        index_kind=stream.index_kind,
        index_hz=stream.index_hz,
        segment=rows.segment.astype(np.int64) if rows.segment.any() else None,
        time_index=_other_than(time.index, rows.index),
        time_segment=_other_than(time.segment, rows.segment),
        time_flags=time.flags if time.flags.any() else None,
        source=device.wire,
        device=key[0],
        driver=device.driver,
        sampling=sampling,  # type: ignore[arg-type]
        nominal_rate_hz=stream.rate_hz,
        timing=_time_content(result, time, stream.rate_hz),
    )


def _other_than(used: Ints | None, recorded: NDArray[Any] | None) -> Ints | None:
    """What a map was applied to, unless it is what was recorded."""
    if used is None or (recorded is not None and np.array_equal(used, recorded)):
        return None
    return used.astype(np.int64)


def _channel_content(result: Evaluation, channel: BenchChannel, rows: Rows) -> ChannelContent:
    status = result.status[channel.name]
    config, source = channel.config, channel.input
    latency = result.latency(channel.name)
    info: Facts = {
        "input": source.name,
        "sensor_model": config.sensor_model,
        "sensor_serial_number": config.sensor_serial,
        "location": config.location,
        "scaling_source": source.source,
        "scale": None if channel.calibration else source.scale,
        "offset": None if channel.calibration else source.offset,
        "believable_low": channel.low,
        "believable_high": channel.high,
        "critical": config.critical or None,
        **_budget_facts(budget_of(result, channel), channel.unit),
    }
    return ChannelContent(
        name=channel.name,
        unit=channel.unit,
        raw=rows.raw[source.name],
        value=result.values[channel.name],
        status=status if status.any() else None,
        long_name=channel.description,
        quantity=config.quantity or source.quantity,
        role=channel.role,
        raw_bits=source.raw_bits,
        raw_signed=source.raw_signed,
        labels=source.labels,
        calibration=channel.name if channel.calibration else "",
        latency_s=latency.typical_s,
        latency_uncertainty_s=latency.uncertainty_s,
        latency_source=latency.source,
        latency_a_s=latency.a_s,
        latency_b_s_rpm=latency.b_s_rpm,
        latency_sample_s=latency.sample_s or None,
        latency_reason=latency.reason,
        info=info,
    )


def _time_content(result: Evaluation, time: StreamTime, rate_hz: float | None) -> TimeContent:
    mapped = len(time.segments) > 0
    return TimeContent(
        method=time.method,
        uncertainty_random_s=time.uncertainty_random_s,
        uncertainty_bias_low_s=time.uncertainty_lo_s,
        uncertainty_bias_high_s=time.uncertainty_hi_s,
        # a period that was fitted tells nothing of the clock behind it
        clock_skew_ppm=time.clock_skew_ppm if mapped and time.method != "period_grid" else None,
        correction_s=time.correction_s if mapped else None,
        lateness_s=time.lateness_s if mapped else None,
        index_hz=time.index_hz if mapped else None,
        segments=[_segment(piece, result.zero_ns, time.index_hz) for piece in time.segments],
        info=_time_facts(time, rate_hz),
    )


def _time_facts(time: StreamTime, rate_hz: float | None) -> Facts:
    """Gaps, stalls of the reader, rows whose index was guessed; nothing where there are none."""
    spacing = np.diff(time.t_ns)
    gaps = int(np.count_nonzero(time.flags & TimeFlag.GAP_BEFORE))
    late = time.flags & TimeFlag.LATE != 0
    counted = {
        "gaps": gaps,
        "reader_stalls": int(np.count_nonzero(np.diff(late, prepend=False) & late)),
        "rows_late": int(np.count_nonzero(late)),
        "rows_index_unsure": int(np.count_nonzero(time.flags & TimeFlag.INDEX_UNSURE)),
    }
    facts: dict[str, Fact] = {name: number for name, number in counted.items() if number}
    if gaps:
        facts["longest_gap"] = Quantity(float(spacing.max()) / SECOND_NS, "s")
    if rate_hz:
        facts["gap_limit"] = Quantity(GAP_PERIODS / rate_hz, "s")
    return facts


def _segment(piece: Any, zero_ns: int, index_hz: float | None) -> TimeSegment:
    rate = index_hz or 1.0
    return TimeSegment(
        x0=int(piece["x0"]) / rate,
        y0=int(piece["y0_ns"] - zero_ns) / SECOND_NS,
        slope=float(piece["slope"]) * rate / SECOND_NS,
        first=int(piece["first"]) / rate,
        last=int(piece["last"]) / rate,
        anchors=int(piece["anchors"]),
        residual_05_s=float(piece["q05_s"]),
        residual_50_s=float(piece["q50_s"]),
        index_segment=int(piece["segment"]),
        begins_ns=int(piece["begins_ns"]),
        rejected=int(piece["rejected"]),
        scatter_s=float(piece["scatter_s"]),
        unseen_s=float(piece["unseen_s"]),
        half_gap_s=float(piece["half_gap_s"]),
    )


def calibration_contents(channels: Iterable[BenchChannel], utc_ns: int) -> list[CalibrationContent]:
    """The calibrations that were applied, with their evidence; *utc_ns*: when the run began."""
    return [
        calibration_content(channel, channel.calibration, utc_ns)
        for channel in channels
        if channel.calibration is not None
    ]


def calibration_content(
    channel: BenchChannel, calibration: Calibration, utc_ns: int
) -> CalibrationContent:
    """One calibration as the run file holds it."""
    covariance = calibration.equation.parameter_covariance
    points = evidence.points(calibration) if calibration.record.point else None
    return CalibrationContent(
        name=channel.name,
        channel=f"{channel.device}_{channel.stream.name}/{channel.name}",
        model=calibration.model,
        formula=calibration.equation.formula,
        parameters=[
            Parameter(name, known.value, known.unit, known.error or None)
            for name, known in evidence.parameters(calibration).items()
        ],
        covariance=covariance if covariance.any() else None,
        input_unit=calibration.record.signal.output_unit or "1",
        unit=calibration.unit,
        indication=points.indication if points else None,
        reference=points.reference if points else None,
        reference_uncertainty=_reference_uncertainty(calibration, points),
        residual=points.residual if points else None,
        record=calibration.canonical_json,
        info={
            **_record_facts(calibration),
            **_state_facts(calibration, channel.config.sensor_serial, utc_ns),
            **_uncertainty_facts(calibration),
        },
    )


def _reference_uncertainty(
    calibration: Calibration, points: evidence.Points | None
) -> NDArray[np.float64] | None:
    """Of each reference value: its own and that of the instrument; None where neither is known."""
    if points is None:
        return None
    reference = calibration.record.reference
    instrument = reference.standard_uncertainty if reference else 0.0
    found = np.hypot(points.reference_uncertainty, instrument)
    return found if found.any() else None


def _record_facts(calibration: Calibration) -> Facts:
    """What the record says of itself: sensor, who, when, where, with which reference."""
    record, origin = calibration.record, getattr(calibration.equation, "origin", None)
    facts: dict[str, Fact] = {
        "calibration_id": record.id,
        "supersedes": record.supersedes,
        "file": calibration.name,
        "record_sha256": calibration.record_sha256,
        "origin": record.origin,
        "note": record.note,
        "quantity": calibration.quantity,
        "formula_origin": None if origin is None else Quantity(origin, _signal_unit(calibration)),
        "traceable": calibration.traceable,
    }
    facts |= {f"sensor_{name}": value for name, value in asdict(record.sensor).items()}
    if record.performed is not None:
        performed = asdict(record.performed)
        facts |= {
            "performed": performed.pop("at"),
            "performed_by": performed.pop("by"),
            **performed,
        }
    if record.reference is not None:
        reference = asdict(record.reference)
        facts |= {f"reference_instrument_{name}": value for name, value in reference.items()}
    conditions = record.environment
    known = (
        ("temperature", conditions.temperature_degc, "degC"),
        ("pressure", conditions.pressure_kpa, "kPa"),
        ("relative_humidity", conditions.relative_humidity_percent, "%"),
    )
    facts |= {f"influence_{n}": Quantity(x, unit) for n, x, unit in known if x is not None}
    return facts


def _signal_unit(calibration: Calibration) -> str:
    return calibration.record.signal.output_unit or "1"


def _state_facts(calibration: Calibration, sensor_serial: str, utc_ns: int) -> Facts:
    """What was to be known of the record when the run began."""
    if not utc_ns:
        return {"state": "not judged", "state_text": "the date of the run is not known"}
    now = datetime.fromtimestamp(utc_ns / SECOND_NS, UTC)
    found = [_at_run(finding) for finding in calibration.state(now, sensor_serial)]
    return {
        "state": " ".join(finding.kind for finding in found) or "good",
        "state_in_doubt": any(finding.serious for finding in found),
        "state_text": "; ".join(finding.text for finding in found),
    }


def _at_run(finding: Finding) -> Finding:
    """A calibration made after the run, as by recalibrating, is none the worse for that."""
    if finding.kind != "in_the_future":
        return finding
    return Finding("performed_after_run", False, "performed after the run began")


def _uncertainty_facts(calibration: Calibration) -> Facts:
    """Greatest expanded uncertainty over the range, noise left out; nothing where unknown."""
    expanded = evidence.expanded_uncertainty(calibration, COVERAGE)
    if not math.isfinite(expanded):
        return {}
    return {
        "expanded_uncertainty": Quantity(expanded, calibration.unit),
        "coverage_factor": COVERAGE,
    }


def _budget_facts(budget: Budget | None, unit: str) -> Facts:
    """Standard uncertainty of a single value, typical of the run: type A, type B, combined."""
    if budget is None:
        return {}
    facts: dict[str, Fact] = {
        "standard_uncertainty_type_a": Quantity(budget.type_a, unit),
        "noise_from": f"{budget.quiet_readings} quiet readings"
        if budget.quiet_readings
        else "no quiet window in this run: type A is 0",
    }
    if not budget.stated:
        note = "the record states nothing of the sensor: only noise and resolution are known"
        return facts | {"uncertainty_note": note}
    return facts | {
        "standard_uncertainty": Quantity(budget.combined(), unit),
        "standard_uncertainty_type_b": Quantity(budget.type_b, unit),
        "uncertainty_budget": budget.text,
    }
