"""A run's content with one of everything that a run file can hold. Invented data."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from daq.runfile.content import (
    AlignedContent,
    BytesContent,
    CalibrationContent,
    ChannelContent,
    ColumnContent,
    Document,
    Event,
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
from daq.runfile.write import write_run
from daq.status import SampleStatus
from daq.wire.can import FRAME, FRAME_FD

ZERO_NS = 5_000_000_000_123
UTC_NS = 1_767_225_600_250_000_000  # 2026-01-01T00:00:00.25Z


def analogue(rng: np.random.Generator, name: str, n: int) -> StreamContent:
    time = np.arange(n) / 1000 - 0.5
    raw = np.clip(np.round(2048 + 900 * np.sin(time) + rng.normal(0, 6, n)), 0, 4095)
    raw = raw.astype(np.int64)
    status = np.zeros(n, np.uint8)
    status[7] = SampleStatus.SATURATED_HIGH
    missing = raw * 0.025 - 40.0
    missing[3] = np.nan
    return StreamContent(
        name=name,
        time=time,
        raw_time=ZERO_NS + np.round(time * 1e9).astype(np.int64) + rng.integers(0, 40_000, n),
        index=np.arange(n, dtype=np.int64) * 8000 + 77,
        index_kind="tick",
        index_hz=8e6,
        segment=np.r_[np.zeros(n // 2, np.int64), np.ones(n - n // 2, np.int64)],
        source="unit",
        device="unit",
        driver="pulse_unit",
        nominal_rate_hz=1000.0,
        timing=TimeContent(
            method="hull_ticks",
            uncertainty_random_s=1e-4,
            uncertainty_bias_low_s=0.0,
            uncertainty_bias_high_s=2e-4,
            clock_skew_ppm=-12.5,
            segments=[TimeSegment(0, -0.5, 1.25e-7, 0, 8e6, 120, 1e-5, 6e-3)],
            info={"baud": 921600, "gap_limit": Quantity(0.0025, "s"), "gaps": 0},
        ),
        channels=[
            ChannelContent(
                name="manifold_pressure",
                unit="kPa",
                raw=raw,
                value=raw * 0.0731 + 1.3,
                status=status,
                long_name="manifold absolute pressure",
                quantity="pressure",
                role="manifold_pressure",
                raw_bits=12,
                raw_signed=False,
                calibration="manifold_pressure",
                latency_s=0.004,
                latency_uncertainty_s=0.001,
                latency_source="configured",
                info={
                    "sensor_model": "P-300",
                    "range_high": Quantity(300, "kPa"),
                    "critical": True,
                },
            ),
            ChannelContent("coolant", "degC", raw, missing, quantity="temperature", raw_bits=12),
        ],
        info={"note": "ünïcode"},
    )


def states(rng: np.random.Generator, n: int) -> StreamContent:
    times = np.sort(rng.integers(0, 2_000_000_000, n)) + ZERO_NS
    raw = rng.integers(0, 2, n)
    return StreamContent(
        name="can_gear",
        time=(times - ZERO_NS) / 1e9,
        raw_time=times,
        raw_time_low=times - 20_000_000,
        source="can0",
        device="car",
        driver="can_dbc",
        sampling="polled",
        channels=[
            ChannelContent("gear_lever", "1", raw, raw * 1.0, labels={0: "neutral", 1: "in gear"}),
            ChannelContent("odometer", "km", raw + 2**40, raw + 2.0**40, raw_bits=48),
            ChannelContent("lambda_1", "1", raw * 0.125, raw * 0.125, raw_unit="1"),
        ],
    )


def frames(rng: np.random.Generator, dtype: np.dtype, n: int) -> np.ndarray:
    made = np.zeros(n, dtype)
    made["t_host"] = ZERO_NS + np.arange(n) * 1_000_000
    made["id"] = rng.integers(0, 2**29, n)
    made["flags"] = made["id"] > 0x7FF
    made["length"] = 8
    made["data"] = rng.integers(0, 256, made["data"].shape)
    return made


def aligned(stream: StreamContent) -> AlignedContent:
    time = np.arange(150) / 100
    value = np.interp(time, stream.time, stream.channels[0].value)
    value[-3:] = np.nan
    status = np.ones(150, np.uint8)
    return AlignedContent(
        time=time,
        grid_rate_hz=100.0,
        resampling="linear; mean over one grid step above the grid rate",
        columns=[
            ColumnContent("roller_distance", "m", time * 12.5, long_name="roller distance"),
            ColumnContent("roller_speed", "m/s", np.full(150, 12.5), long_name="roller speed"),
            ColumnContent(
                "manifold_pressure",
                "kPa",
                value,
                status,
                np.full(150, 0.2),
                long_name="manifold absolute pressure",
                channel="unit_analogue/manifold_pressure",
                info={"time_uncertainty_s": 1e-3},
            ),
            ColumnContent("coolant", "degC", value, status, channel="unit_analogue/coolant"),
        ],
        info={"encoder": "unit.roller"},
    )


def calibration() -> CalibrationContent:
    return CalibrationContent(
        name="manifold_pressure",
        channel="unit_analogue/manifold_pressure",
        model="linear",
        formula="a0 + a1*x",
        parameters=[Parameter("a0", 1.3, "kPa", 0.05), Parameter("a1", 0.0731, "kPa", 2e-5)],
        covariance=np.array([[2.5e-3, -1e-7], [-1e-7, 4e-10]]),
        unit="kPa",
        indication=np.array([0.0, 2048.0, 4095.0]),
        reference=np.array([1.2, 151.1, 300.7]),
        reference_uncertainty=np.array([0.05, 0.05, 0.06]),
        residual=np.array([0.1, -0.0912, -0.0555]),
        record=json.dumps({"model": "linear"}, sort_keys=True),
        info={"performed_by": "A. Berg", "expanded_uncertainty": Quantity(0.4, "kPa")},
    )


def sample_content(seed: int = 0, rows: int = 3000) -> RunContent:
    rng = np.random.default_rng(seed)
    stream = analogue(rng, "unit_analogue", rows)
    empty = np.zeros(0)
    nothing = StreamContent(
        "silent", empty, empty.astype(np.int64), [ChannelContent("oil", "kPa", empty, empty)]
    )
    reads = np.arange(0, 40_000, 100, dtype=np.int64)
    table = TableContent(
        "engine_speed",
        "rpm",
        np.arange(2000.0, 6000.0, 500),
        [ColumnContent("power", "kW", np.linspace(20, 90, 8), uncertainty=np.full(8, 1.5))],
    )
    return RunContent(
        run_id=str(uuid.UUID(int=seed + 1)),
        title="Third gear pull",
        summary="Invented data.",
        time_zero_ns=ZERO_NS,
        time_zero_utc_ns=UTC_NS,
        t_start=-0.5,
        t_end=2.5,
        clocks=np.arange(12, dtype=np.int64).reshape(3, 4) + ZERO_NS,
        clock_info={"utc_source": "ntp", "utc_uncertainty": Quantity(0.01, "s")},
        streams=[stream, states(rng, 40), nothing],
        aligned=aligned(stream),
        calibrations=[calibration()],
        sources=[
            SourceContent(
                "unit",
                "serial",
                bytes=BytesContent(
                    rng.integers(0, 256, 40_000).astype(np.uint8),
                    ZERO_NS + reads * 10_000,
                    reads,
                    (reads % 300 == 0).astype(np.uint8),
                ),
                notes=[(ZERO_NS - 5, '{"note":"opened"}'), (ZERO_NS + 9, "nul \0 and \udcff")],
                info={"frames_ok": 300, "frames_bad": 1},
            ),
            SourceContent(
                "can0",
                "slcan",
                frames=frames(rng, FRAME, 900),
                frames_fd=frames(rng, FRAME_FD, 30),
            ),
        ],
        windows=[WindowContent("zero_before", -0.5, 0.0, [analogue(rng, "unit_analogue", 500)])],
        events=[
            Event(ZERO_NS, "start", "", "operator"),
            Event(ZERO_NS + 700, "mark", "Motor läuft rauh", "operator"),
            Event(ZERO_NS + 700, "unheard_of", "text", "unit"),
        ],
        documents=[
            Document("bench.toml", "application/toml", b"[bench]\r\nname = 'demo'\n"),
            Document("can/car.dbc", "text/plain", 'VERSION "Ä"'.encode("cp1252")),
        ],
        results=[
            ResultContent(
                "wheel_power",
                "inertia times angular acceleration",
                "1",
                standard="",
                inputs=("/run/aligned/roller_speed",),
                values={"peak_power": Quantity(90.0, "kW", 1.5)},
                table=table,
            )
        ],
        settings={"grid_rate": Quantity(100, "Hz"), "mode": "sweep", "gear": 3, "wet": False},
        roller_sets={"rear": {"inertia": Quantity(12.5, "kg.m^2", 0.1), "encoder": "unit.roller"}},
        vehicle={"model": "Falke Coupé", "mass": Quantity(1240, "kg")},
        visit={"odometer": Quantity(81234, "km")},
        setup={"tyres": "205/55"},
        ambient={"pressure": Quantity(98.7, "kPa", 0.1)},
        operator={"name": "A. Berg"},
        journal={"boot_id": "b00t", "first_seq": 12, "last_seq": 3456, "lost": 0},
        about={"institution": "Werkstatt am Kanal"},
        history=("2026-01-01T00:00:03Z finalised",),
    )


@pytest.fixture
def make_content() -> Callable[..., RunContent]:
    return sample_content


@pytest.fixture(scope="session")
def run_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A written run file; tests that change one copy it first."""
    path = tmp_path_factory.mktemp("runs") / "pull.h5"
    write_run(sample_content(), path)
    return path
