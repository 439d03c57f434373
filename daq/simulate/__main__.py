"""``python -m daq.simulate``: serve the simulated bench on pseudo-terminals."""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path
from threading import Event as Flag

import click

from daq.errors import ConfigError
from daq.simulate.bench import Settings, read_faults, run
from daq.simulate.script import Event


@click.command(help=__doc__)
@click.option("--folder", type=click.Path(path_type=Path), required=True, help="Where ports go.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--faults", type=click.Path(path_type=Path), help="TOML file of what goes wrong.")
@click.option("--truth", type=click.Path(path_type=Path), help="Write the ground truth here.")
@click.option("--duration", type=float, help="Stop after so many seconds.")
@click.option("--repeat", is_flag=True, help="Drive run after run.")
def main(
    folder: Path,
    seed: int,
    faults: Path | None,
    truth: Path | None,
    duration: float | None,
    repeat: bool,
) -> None:
    """Serve until the driver has finished; each event is one JSON line."""
    stop = Flag()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        settings = Settings(seed=seed, faults=read_faults(faults) if faults else {}, repeat=repeat)
    except ConfigError as error:
        raise click.ClickException(str(error)) from None
    run(folder, settings, truth=truth, duration_s=duration, stop=stop, report=say)


def say(event: Event, host_ns: int) -> None:
    """One JSON line on standard output."""
    line = {"event": event.name, "bench_s": round(event.time_s, 3), "host_ns": host_ns}
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
