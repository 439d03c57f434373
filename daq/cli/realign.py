"""`daq realign`: every time of a run file computed again from what it recorded."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run file to write.")
def command(file: Path, out: Path) -> None:
    """Compute all times of the run file FILE again and write them to another run file.

    Only what FILE itself recorded is used, through the code that made it: arrivals, device ticks,
    counters, pulses, and its own copy of the bench's configuration. Values stay as they are. The
    same release gives the same digests.
    """
    from daq import clock
    from daq.realign import realign

    problems = realign(file, out, clock.iso_utc(clock.realtime_ns()))
    for problem in problems:
        click.echo(f"note: {problem}")
    click.echo(f"run file: {out}")
