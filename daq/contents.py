"""An evaluation in the words of the run file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from daq.calibration.record import Calibration
from daq.channels import BenchChannel
from daq.clock import SECOND_NS
from daq.decode import DeviceRecord, Rows
from daq.evaluate import Evaluation, Key
from daq.runfile.content import (
    CalibrationContent,
    ChannelContent,
    Facts,
    Parameter,
    StreamContent,
    TimeContent,
    TimeSegment,
)
from daq.timebase import StreamTime


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
        source=device.wire,
        device=key[0],
        driver=device.driver,
        sampling=sampling,  # type: ignore[arg-type]
        nominal_rate_hz=stream.rate_hz,
        timing=_time_content(result, time),
    )


def _channel_content(result: Evaluation, channel: BenchChannel, rows: Rows) -> ChannelContent:
    status = result.status[channel.name]
    config, source = channel.config, channel.input
    configured = config.latency_s != 0.0 or config.latency_uncertainty_s is not None
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
        latency_s=config.latency_s,
        latency_uncertainty_s=config.latency_uncertainty_s,
        latency_source="configured" if configured else "none",
        info=info,
    )


def _time_content(result: Evaluation, time: StreamTime) -> TimeContent:
    return TimeContent(
        method=time.method,
        uncertainty_random_s=time.uncertainty_random_s,
        uncertainty_bias_low_s=time.uncertainty_lo_s,
        uncertainty_bias_high_s=time.uncertainty_hi_s,
        clock_skew_ppm=time.clock_skew_ppm if len(time.segments) else None,
        segments=[_segment(piece, result.zero_ns, time.index_hz) for piece in time.segments],
    )


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
    )


def calibration_contents(channels: Iterable[BenchChannel]) -> list[CalibrationContent]:
    """The calibrations that were applied, with their evidence."""
    return [
        calibration_content(channel, channel.calibration)
        for channel in channels
        if channel.calibration is not None
    ]


def calibration_content(channel: BenchChannel, calibration: Calibration) -> CalibrationContent:
    """One calibration as the run file holds it."""
    record, equation = calibration.record, calibration.equation
    covariance = equation.parameter_covariance
    errors = np.sqrt(np.diag(covariance)) if covariance.any() else None
    points = record.point
    return CalibrationContent(
        name=channel.name,
        channel=f"{channel.device}_{channel.stream.name}/{channel.name}",
        model=calibration.model,
        formula=equation.formula,
        parameters=[
            Parameter(name, value, "1", None if errors is None else float(errors[i]))
            for i, (name, value) in enumerate(equation.parameters.items())
        ],
        covariance=None if errors is None else covariance,
        unit=calibration.unit,
        indication=np.array([p.indication for p in points]) if points else None,
        reference=np.array([p.reference for p in points]) if points else None,
        record=calibration.canonical_json,
        info=_calibration_info(calibration),
    )


def _calibration_info(calibration: Calibration) -> dict[str, Any]:
    record = calibration.record
    performed, reference = record.performed, record.reference
    info: dict[str, Any] = {
        "origin": calibration.name,
        "record_sha256": calibration.record_sha256,
        "traceable": calibration.traceable,
    }
    if performed is not None:
        info |= {
            "performed": performed.at,
            "performed_by": performed.by,
            "location": performed.location,
            "method": performed.method,
            "condition": performed.condition,
            "valid_until": performed.valid_until,
        }
    if reference is not None:
        info |= {
            "reference_instrument_name": reference.name,
            "reference_instrument_manufacturer": reference.manufacturer,
            "reference_instrument_model": reference.model,
            "reference_instrument_serial_number": reference.serial_number,
            "reference_instrument_certificate": reference.certificate,
            "reference_instrument_certificate_valid_until": reference.certificate_valid_until,
            "reference_instrument_expanded_uncertainty": reference.expanded_uncertainty,
            "reference_instrument_coverage_factor": reference.coverage_factor,
        }
    return info
