"""`daq keep`, `discard` and `cut`: what becomes of a run, decided at leisure."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import click

from daq.cli import print_json
from daq.cli.arm import CONFIG, JSON, give
from daq.cli.bench_file import find_config
from daq.config import read_toml
from daq.errors import DaqError

SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|m|)")
RUN = click.argument("run", default="last")


def runs_folder(config: str | None) -> Path:
    """Where the runs of a bench are. Raises ConfigError."""
    path = find_config(config)
    table = read_toml(path).get("run", {})
    folder = table.get("folder", "runs") if isinstance(table, dict) else "runs"
    return path.parent / str(folder)


@click.command()
@RUN
@click.option("--note", help="What to remember of it.")
@click.option("--tyres-after", type=float, help="Tyre pressure after the run in kPa.")
@CONFIG
@JSON
def keep(
    run: str, note: str | None, tyres_after: float | None, config: str | None, as_json: bool
) -> None:
    """Keep RUN (its number, or the last one) in the folder of its vehicle and visit.

    The file itself is sealed and stays as it is; the note and the tyre pressure go into the list
    of numbers beside it.
    """
    from daq.runfile.read import RunFile
    from daq.shelf import Shelf

    shelf = Shelf(runs_folder(config))
    path = shelf.find(run)
    with RunFile(path) as file:
        vehicle, visit = (str(file.facts(n).get("name", "")) for n in ("vehicle", "visit"))
    facts: dict[str, Any] = {"note": note, "tyre_pressure_after_kpa": tyres_after}
    said = {name: value for name, value in facts.items() if value is not None}
    kept = shelf.keep(path, vehicle, visit, **said)
    if as_json:
        print_json({"kept": str(kept), **said})
    else:
        click.echo(f"kept: {kept}")


@click.command()
@RUN
@click.option("--reason", required=True, help="Why; it stays with the number.")
@CONFIG
@JSON
def discard(run: str, reason: str, config: str | None, as_json: bool) -> None:
    """Discard RUN (its number, or the last one): its file goes; number, time and reason stay."""
    from daq.shelf import Shelf, number_of

    shelf = Shelf(runs_folder(config))
    path = shelf.find(run)
    shelf.discard(path, reason)
    if as_json:
        print_json({"discarded": path.name, "number": number_of(path), "reason": reason})
    else:
        click.echo(f"discarded: {path.name}; its number is not used again")


@click.command()
@click.option("--last", required=True, help="How much of what has passed: 60s, 1.5min.")
@click.option("--title", help="What to call the run.")
@CONFIG
@JSON
def cut(last: str, title: str | None, config: str | None, as_json: bool) -> None:
    """Make a run of the last seconds, when nobody had started one in time.

    Everything is in the journal; the run file comes out of it as of any other run.
    """
    give(config, as_json, "cut", last_s=seconds(last), title=title)


def seconds(text: str) -> float:
    """From ``60``, ``60s`` or ``1.5min``. Raises DaqError."""
    match = SPAN.fullmatch(text.strip())
    if match is None:
        raise DaqError(f"last: {text!r}; expected for example 60s or 1.5min")
    return float(match[1]) * (60 if match[2].startswith("m") else 1)
