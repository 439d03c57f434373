"""`daq runs`: find runs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from daq.cli import print_json
from daq.cli.arm import CONFIG, JSON
from daq.cli.keep import runs_folder
from daq.cli.progress import Progress

if TYPE_CHECKING:
    from daq.catalogue import Found

SHOWN_PEAKS = ("roller_speed", "engine_speed")
"""Shown of every run; others when they are asked for."""


@click.command()
@click.option("--vehicle", default="", help="Of this vehicle.")
@click.option("--visit", default="", help="Of this visit.")
@click.option("--setup", default="", help="Of this set-up.")
@click.option("--since", default="", help="Begun at this date or later: 2026-03-31.")
@click.option("--until", default="", help="Begun before this date.")
@click.option("--peak", "peaks", multiple=True, help="Highest value: 'charge_pressure>180'.")
@click.option("--undecided", is_flag=True, help="Neither kept nor discarded yet.")
@click.option("--discarded", is_flag=True, help="List what was discarded, and why.")
@click.option("--rebuild", is_flag=True, help="Make the index anew from the run files.")
@click.option("--folder", type=click.Path(path_type=Path), help="Folder of runs, without a bench.")
@CONFIG
@JSON
def command(
    vehicle: str,
    visit: str,
    setup: str,
    since: str,
    until: str,
    peaks: tuple[str, ...],
    undecided: bool,
    discarded: bool,
    rebuild: bool,
    folder: Path | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Find runs, the oldest first; all of them unless something is said.

    Times are UTC. The index beside the runs is made from the files themselves and brought up to
    date each time; it may be deleted.
    """
    from daq.catalogue import Catalogue, PeakQuery, Query

    query = Query(
        vehicle, visit, setup, since, until,
        True if undecided else None, tuple(map(PeakQuery.of, peaks)),
    )  # fmt: skip
    folder = folder or runs_folder(config)
    with Catalogue(folder) as catalogue:
        with Progress() as progress:
            problems = (catalogue.rebuild if rebuild else catalogue.refresh)(progress)
        found = [] if discarded else catalogue.find(query)
        gone = catalogue.discarded() if discarded else []
    if as_json:
        runs = [{**asdict(run), "undecided": run.undecided} for run in found]
        print_json({"runs": runs, "discarded": gone, "problems": problems})
        return
    asked = [peak.name for peak in query.peaks]
    for line in [*_lines(found, asked), *_gone(gone)]:
        click.echo(line)
    for problem in problems:
        click.echo(f"not a run file: {problem}", err=True)


def _lines(found: list[Found], asked: list[str]) -> Iterator[str]:
    for run in found:
        number = "-" if run.number is None else str(run.number)
        where = "undecided" if run.undecided else "kept"
        yield f"{number:>5}  {run.time_zero[:19].replace('T', ' ')}  {where:9}  {run.title}"
        peaks = [_peak(name, *run.peaks[name]) for name in _shown(run, asked)]
        told = [f"{run.duration_s:.1f} s", *peaks, *filter(None, [run.end_reason])]
        yield f"       {', '.join(told)}"
        for name, text in run.flags.items():
            yield f"       {name.replace('_', ' ')}: {text.splitlines()[0]}"
        yield f"       {run.path}"


def _shown(run: Found, asked: list[str]) -> list[str]:
    return [name for name in dict.fromkeys([*SHOWN_PEAKS, *asked]) if name in run.peaks]


def _peak(name: str, value: float, unit: str) -> str:
    return f"{name} to {value:.4g}{'' if unit == '1' else f' {unit}'}"


def _gone(lines: list[dict[str, object]]) -> Iterator[str]:
    for line in lines:
        yield f"{line['number']!s:>5}  {str(line['utc'])[:19].replace('T', ' ')}  discarded: " + (
            str(line.get("reason", ""))
        )
