"""`daq show`: what a run file holds, in words."""

from __future__ import annotations

from pathlib import Path

import click

from daq.cli import print_json


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
def command(file: Path, as_json: bool) -> None:
    """Tell what the run file FILE holds: channels, rates, timing, calibrations, events."""
    from daq.runfile.summary import describe, summary_lines

    if as_json:
        print_json(describe(file))
        return
    for line in summary_lines(file):
        click.echo(line)
