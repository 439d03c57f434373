"""`daq listen`: what comes over a serial line, before anybody has described it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TextIO

import click

from daq import clock
from daq.bench import WireConfig
from daq.cli.bench_file import find_config
from daq.config import load, nearest, read_toml
from daq.errors import ConfigError
from daq.listening import Group, Grouping, findings
from daq.wire.serial import SerialPort

Read = tuple[int, bytes]
COMPARED = 100_000
"""Groups of which it tells at the end: the last quarter of an hour of a fast stream."""


@click.command()
@click.argument("wire")
@click.option("--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml.")
@click.option("--baud", type=int, help="Try this in place of the bench file's.")
@click.option("--seconds", type=click.FloatRange(min=0.1), help="End after so long; else Ctrl-C.")
@click.option("--out", type=click.Path(path_type=Path), help="Keep the bytes, for daq replay.")
def command(
    wire: str, config: str | None, baud: int | None, seconds: float | None, out: Path | None
) -> None:
    """Show the bytes of a serial line as they come, a line for each group between pauses.

    WIRE is one of the bench file, or the path of a port. Sends nothing. The port must be free: stop
    the daemon first. At the end it tells how long the groups are, how far apart, and which of
    their bytes stay the same or count up.
    """
    line = _line(wire, config, baud)
    grouping, groups = Grouping(line.byte_ns), deque[Group](maxlen=COMPARED)
    with ExitStack() as stack:
        port = _opened(line)
        stack.callback(port.close)
        file = stack.enter_context(out.open("w")) if out else None
        zero_ns = clock.monotonic_ns()
        if file:
            file.write("t_s,hex\n")
        for read in _reads(port, zero_ns, seconds):
            for group in grouping.add(*read) if read else grouping.end():
                groups.append(group)
                click.echo(group.text(zero_ns))
            if file and read:
                _keep(file, zero_ns, line.byte_ns, *read)
    groups += grouping.end()
    for found in findings(groups):
        click.echo(found)


def _line(wire: str, config: str | None, baud: int | None) -> WireConfig:
    """The wire's own table alone: its device may have no declaration yet."""
    more = {} if baud is None else {"baud": baud}
    if "/" in wire or wire.startswith("usb:"):
        return load(WireConfig, {"kind": "serial", "port": wire, **more})
    path = find_config(config)
    wires = read_toml(path).get("wire", {})
    if not isinstance(wires, dict) or not isinstance(wires.get(wire), dict):
        raise ConfigError(f"{path}: no wire is called {wire!r}{nearest(wire, wires)}")
    found = load(WireConfig, {**wires[wire], **more}, file=path, where=f"wire.{wire}")
    if found.kind == "socketcan":
        raise ConfigError(f"{path}: wire.{wire}: a socketcan wire; expected a serial line")
    return found


def _opened(line: WireConfig) -> SerialPort:
    return SerialPort(
        line.port,
        baud=line.baud,
        data_bits=line.data_bits,
        parity=line.parity,
        stop_bits=line.stop_bits,
    )


def _reads(port: SerialPort, zero_ns: int, seconds: float | None) -> Iterator[Read | None]:
    """Reads until the time is over or the user ends it; None for a fifth of a second of silence."""
    with suppress(KeyboardInterrupt):
        while seconds is None or clock.monotonic_ns() < zero_ns + seconds * clock.SECOND_NS:
            read = port.read(0.2)
            yield read[0][1:] if read else None


def _keep(file: TextIO, zero_ns: int, byte_ns: float, t_ns: int, data: bytes) -> None:
    """A line as `daq replay` reads it: when the first of the bytes began."""
    began_s = (t_ns - zero_ns - len(data) * byte_ns) / clock.SECOND_NS
    file.write(f"{began_s:.6f},{data.hex()}\n")
