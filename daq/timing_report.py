"""How the times of a run file were made and how good they are, channel by channel."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.runfile.content import ChannelContent, Fact, Quantity, RunContent, StreamContent

COUNTED = ("gaps", "reader_stalls", "rows_late", "rows_index_unsure")


def timing_report(content: RunContent) -> list[dict[str, Any]]:
    """One dict for each stream, its ``channels`` within; times in s, rates in Hz, None: unknown."""
    aligned = [] if content.aligned is None else content.aligned.columns
    total = {c.channel: c.info.get("time_uncertainty_s") for c in aligned}
    return [_stream(stream, total) for stream in content.streams]


def _stream(stream: StreamContent, total: dict[str, Fact]) -> dict[str, Any]:
    timing = stream.timing
    longest = timing.info.get("longest_gap")
    before, after = _jitters(stream)
    return {
        "stream": stream.name,
        "rows": len(stream.time),
        "method": timing.method,
        "rate_wanted_hz": stream.nominal_rate_hz,
        "rate_achieved_hz": _rate(stream.time),
        "jitter_before_s": before,
        "jitter_after_s": after,
        "drift_ppm": timing.clock_skew_ppm,
        "uncertainty_random_s": timing.uncertainty_random_s,
        "uncertainty_low_s": timing.uncertainty_bias_low_s,
        "uncertainty_high_s": timing.uncertainty_bias_high_s,
        **{name: timing.info.get(name, 0) for name in COUNTED},
        "longest_gap_s": longest.value if isinstance(longest, Quantity) else None,
        "channels": [_channel(c, total.get(f"{stream.name}/{c.name}")) for c in stream.channels],
    }


def _channel(channel: ChannelContent, total_s: Fact) -> dict[str, Any]:
    return {
        "channel": channel.name,
        "latency_s": channel.latency_s,
        "latency_a_s": channel.latency_a_s,
        "latency_b_s_rpm": channel.latency_b_s_rpm,
        "latency_uncertainty_s": channel.latency_uncertainty_s,
        "latency_source": channel.latency_source,
        "latency_reason": channel.latency_reason,
        "time_uncertainty_s": total_s,
    }


def _rate(time: NDArray[np.float64]) -> float | None:
    extent = float(time[-1] - time[0]) if len(time) > 1 else 0.0
    return (len(time) - 1) / extent if extent > 0 else None


def _jitters(stream: StreamContent) -> tuple[float | None, float | None]:
    """Spread of the spacing of arrivals and of the times made of them: half of 1 to 99 %."""
    if not stream.nominal_rate_hz or len(stream.time) < 20:
        return None, None
    return _spread(np.diff(stream.raw_time) * 1e-9), _spread(np.diff(stream.time))


def _spread(spacing: NDArray[np.float64]) -> float:
    low, high = np.quantile(spacing, (0.01, 0.99))
    return float(high - low) / 2


# --- in words


HEAD = (
    "channel", "method", "rate Hz", "of", "jitter ms", "after", "drift ppm", "latency ms",
    "+- ms", "gaps", "stalls",
)  # fmt: skip


def report_lines(report: list[dict[str, Any]]) -> list[str]:
    """A table with a line for each channel, then why each latency is what it is."""
    rows = [HEAD, *(_row(stream, c) for stream in report for c in stream["channels"])]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEAD))]
    lines = ["  ".join(_cells(row, widths)).rstrip() for row in rows]
    reasons = [
        f"  {c['channel']}: {_latency_words(c)}"
        for stream in report
        for c in stream["channels"]
        if c["latency_reason"]
    ]
    return [*lines, "", "latencies:", *reasons] if reasons else lines


def _cells(row: tuple[str, ...], widths: list[int]) -> list[str]:
    """The two names to the left, numbers to the right."""
    return [f"{t:<{w}}" if i < 2 else f"{t:>{w}}" for i, (t, w) in enumerate(zip(row, widths))]


def _row(stream: dict[str, Any], channel: dict[str, Any]) -> tuple[str, ...]:
    return (
        channel["channel"],
        stream["method"],
        _number(stream["rate_achieved_hz"], 1),
        _number(stream["rate_wanted_hz"], 1),
        _number(stream["jitter_before_s"], 2, 1e3),
        _number(stream["jitter_after_s"], 2, 1e3),
        _number(stream["drift_ppm"], 1),
        _number(channel["latency_s"], 1, 1e3),
        _number(channel["time_uncertainty_s"], 2, 1e3),
        str(stream["gaps"]),
        str(stream["reader_stalls"]),
    )


def _number(value: float | None, decimals: int, factor: float = 1.0) -> str:
    return "-" if value is None else f"{value * factor:.{decimals}f}"


def _latency_words(channel: dict[str, Any]) -> str:
    words = str(channel["latency_reason"])
    if channel["latency_a_s"] is not None:
        a, b = 1e3 * channel["latency_a_s"], channel["latency_b_s_rpm"]
        words += f": {a:.1f} ms" + (f" + {1e3 * b:.0f} ms/(engine speed in rpm)" if b else "")
    if channel["latency_uncertainty_s"] is not None:
        words += f", +- {1e3 * channel['latency_uncertainty_s']:.1f} ms"
    return words
