"""`daq check`: is this bench configuration right, and what will it record?"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import click

from daq import clock
from daq.bench import Bench, load_bench
from daq.calibration.state import Finding
from daq.channels import BenchChannel, bench_channels
from daq.cli import print_json
from daq.cli.bench_file import find_config as find_config
from daq.gas import advice


@click.command()
@click.argument("config", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
def command(config: str | None, as_json: bool) -> None:
    """Check the bench file CONFIG and all it names; say every mistake at once.

    Opens no port. Exit code 2 when anything is wrong.
    """
    bench = load_bench(find_config(config))
    channels = bench_channels(bench, {name: bench.streams(name, {}) for name in bench.device})
    warnings = _warnings(bench, channels)
    if as_json:
        print_json(_as_data(bench, channels, warnings))
        return
    click.echo(f"{bench.bench.name}: configuration is right")
    for name in bench.device:
        _print_device(bench, name, [c for c in channels.values() if c.device == name])
    for name, roller in bench.roller_set.items():
        click.echo(
            f"roller set {name}: {roller.circumference_m:g} m circumference,"
            f" {roller.inertia_kg_m2:g} kg m² inertia, encoder {roller.encoder}"
        )
    for warning in warnings:
        click.echo(f"warning: {warning}")


def _print_device(bench: Bench, name: str, channels: list[BenchChannel]) -> None:
    config = bench.device[name]
    wire = bench.wire[config.wire]
    click.echo(
        f"device {name}: driver {config.driver} on wire {config.wire}"
        f" ({wire.kind} {wire.port or wire.channel})"
    )
    sketch = bench.driver(name).sketch()
    if sketch:
        click.echo(sketch)
    listed = [channel for channel in channels if channel.listed]
    for channel in listed:
        click.echo(f"  {_channel_line(channel)}")
    others = len(channels) - len(listed)
    if others:
        click.echo(
            f"  and {others} more channel{'s' if others > 1 else ''} as the driver names them"
        )


def _channel_line(channel: BenchChannel) -> str:
    bounds = [f"{x:g}" if x is not None else "" for x in (channel.low, channel.high)]
    span = f", {bounds[0]} to {bounds[1]}" if any(bounds) else ""
    role = f", role {channel.role}" if channel.role else ""
    how = f", by {channel.config.calibration}" if channel.config.calibration else ""
    return f"{channel.name:<24} {channel.input.name} in {channel.unit}{span}{role}{how}"


def _warnings(bench: Bench, channels: dict[str, BenchChannel]) -> list[str]:
    found = [
        f"wire {name}: {wire.port} moves when a plug does; use its link in /dev/serial/by-path"
        for name, wire in bench.wire.items()
        if wire.port.startswith(("/dev/ttyUSB", "/dev/ttyACM"))
    ]
    found += [f"channel {name}: {words}" for name, words in _calibration_warnings(channels)]
    found += advice(channels)
    for name in bench.device:
        found += [f"device {name}: {note}" for note in bench.driver(name).notes()]
    used = {device.wire for device in bench.device.values()}
    found += [f"wire {name}: no device is on it" for name in bench.wire if name not in used]
    if not bench.roller_set:
        found.append("no roller set: runs are put on a time grid of their own, without speed")
    return found


def _calibration_warnings(channels: dict[str, BenchChannel]) -> Iterator[tuple[str, str]]:
    """What a user must know of each calibration now, what is in doubt first."""
    for doubtful in (True, False):
        for name, channel in channels.items():
            for finding in findings(channel):
                if finding.serious is doubtful:
                    yield name, f"{channel.config.calibration}: {finding.text}"


def findings(channel: BenchChannel) -> list[Finding]:
    """What a channel's calibration record says of itself now; nothing without a record."""
    if channel.calibration is None:
        return []
    now = datetime.fromtimestamp(clock.realtime_ns() / clock.SECOND_NS, UTC)
    return channel.calibration.state(now, channel.config.sensor_serial)


def _as_data(
    bench: Bench, channels: dict[str, BenchChannel], warnings: list[str]
) -> dict[str, Any]:
    return {
        "bench": bench.bench.name,
        "digest": bench.digest(),
        "warnings": warnings,
        "channels": [
            {
                "name": channel.name,
                "device": channel.device,
                "stream": channel.stream.name,
                "input": channel.input.name,
                "unit": channel.unit,
                "role": channel.role,
                "calibration": channel.config.calibration,
                "findings": [finding._asdict() for finding in findings(channel)],
            }
            for channel in channels.values()
        ],
    }
