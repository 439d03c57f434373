"""`daq serve`: the daemon in the foreground."""

from __future__ import annotations

import sys

import click

from daq.cli.check import find_config


@click.command()
@click.argument("config", required=False)
def command(config: str | None) -> None:
    """Record the bench of file CONFIG until told to stop.

    Ctrl-C or SIGTERM ends it in order: a run that is being recorded is finished and written first.
    """
    from daq.serve import serve

    sys.exit(serve(find_config(config)))
