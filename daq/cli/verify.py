"""`daq verify`: is this run file what was written?"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from daq.cli import print_json


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
def command(file: Path, as_json: bool) -> None:
    """Check every object of the run file FILE against the digests stored in it.

    Exit code 0: unaltered. 1: altered, and what. A digest detects accidents and careless edits; it
    says nothing against someone who computes it anew.
    """
    from daq.runfile.verify import verify

    problems = verify(file)
    if as_json:
        print_json({"file": str(file), "unaltered": not problems, "problems": problems})
    else:
        for problem in problems:
            click.echo(f"{file}: {problem}")
        click.echo(f"{file}: {'ALTERED' if problems else 'unaltered'}")
    sys.exit(1 if problems else 0)
