"""The command line: one module per command group, imported when its command is used."""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from daq import __version__
from daq.errors import DaqError

COMMANDS = {
    "demo": ("daq.cli.demo", "Simulate a car on the rollers and record one run of it."),
    "check": ("daq.cli.check", "Check a bench configuration and say every mistake at once."),
    "listen": ("daq.cli.listen", "Show the bytes of a serial line as they come, and keep them."),
    "calibrate": ("daq.cli.calibrate", "Calibrate a sensor or check one, step by step."),
    "serve": ("daq.cli.serve", "Record the bench until told to stop (the daemon)."),
    "status": ("daq.cli.status", "Tell whether every device and channel is alive."),
    "watch": ("daq.cli.watch", "Show every channel live, as a table."),
    "vehicle": ("daq.cli.garage:vehicle", "Describe vehicles and choose the one on the bench."),
    "visit": ("daq.cli.garage:visit", "Describe a vehicle's day on the bench."),
    "setup": ("daq.cli.garage:setup", "Describe what is fitted and flashed, and what changed."),
    "arm": ("daq.cli.arm:arm", "Have the next run start by itself."),
    "start": ("daq.cli.arm:start", "Start a run now."),
    "stop": ("daq.cli.arm:stop", "End the measurement; again: stop recording."),
    "mark": ("daq.cli.arm:mark", "Mark this moment in the record."),
    "cut": ("daq.cli.keep:cut", "Make a run of the last seconds, afterwards."),
    "keep": ("daq.cli.keep:keep", "Keep a run under its vehicle and visit."),
    "discard": ("daq.cli.keep:discard", "Discard a run; its number and the reason stay."),
    "runs": ("daq.cli.runs", "Find runs by vehicle, visit, set-up, date or peak."),
    "replay": ("daq.cli.replay", "Make a run file from journals or recordings, without hardware."),
    "show": ("daq.cli.show", "Tell what a run file holds."),
    "verify": ("daq.cli.verify", "Check that a run file is unaltered."),
    "timing": ("daq.cli.timing", "Tell how each channel's times were made and how good they are."),
    "realign": ("daq.cli.realign", "Compute a run file's times again, into another file."),
    "recalibrate": (
        "daq.cli.recalibrate",
        "Compute a run's values again with another calibration, into another file.",
    ),
    "export": ("daq.cli.export", "Write a run's aligned table as CSV or netCDF."),
    "drivers": ("daq.cli.drivers", "List the installed drivers."),
}
"""Command name to its module, with its name there unless that is ``command``, and to its line in
the help text."""


class Commands(click.Group):
    """A group that imports a command's module only when that command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of a technician's day."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, imported now."""
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name or "command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the nearest name for one that does not exist."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from daq.config import nearest

            raise click.UsageError(f"no command {args[0]!r}{nearest(args[0], COMMANDS)}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="daq")
def group() -> None:
    """Log a roller bench: every channel on the time base of the roller encoder.

    daq measures, warns and records. It does not control the brake and is not a safety device.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; a user's mistake ends with exit code 2 and no traceback."""
    try:
        group.main(arguments, prog_name="daq")
    except DaqError as error:
        click.echo(str(error), err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        click.echo("interrupted", err=True)
        sys.exit(130)


def print_json(value: Any) -> None:
    """One JSON document on standard output, for scripts."""
    import json

    click.echo(json.dumps(value, indent=1, default=str, ensure_ascii=False))
