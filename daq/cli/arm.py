"""`daq arm`, `start`, `stop` and `mark`: what the hand buttons do, from the command line."""

from __future__ import annotations

from typing import Any

import click

from daq.cli import print_json
from daq.cli.bench_file import daemon

CONFIG = click.option(
    "--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml."
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print for a script.")


def give(config: str | None, as_json: bool, command: str, **content: Any) -> None:
    """Give the daemon a command and tell what came of it.

    Raises ApiError with the reason for a refusal.
    """
    told = {name: value for name, value in content.items() if value not in (None, "")}
    answer = daemon(config).command(command, "command line", **told)
    if as_json:
        print_json(answer)
        return
    click.echo(f"{command}: the bench is {answer.get('state', 'told')}")
    if command in ("arm", "start"):
        for words in answer.get("outside", ()):
            click.echo(f"  outside the start window: {words}")


@click.command()
@click.option("--off", is_flag=True, help="Disarm: nothing starts by itself.")
@CONFIG
@JSON
def arm(off: bool, config: str | None, as_json: bool) -> None:
    """Have the next run start by itself when its start condition is met.

    The bench must be slower than the start speed. What is outside the vehicle's start window (oil,
    coolant, inlet air, rest) is told, and recorded with the run; arming goes on.
    """
    give(config, as_json, "disarm" if off else "arm")


@click.command()
@click.option("--title", help="What to call the run.")
@CONFIG
@JSON
def start(title: str | None, config: str | None, as_json: bool) -> None:
    """Start a run now. The seconds before it are in its file too."""
    give(config, as_json, "start", title=title)


@click.command()
@CONFIG
@JSON
def stop(config: str | None, as_json: bool) -> None:
    """End the measurement; recording goes on until the rollers stand.

    Given again while the car slows down, it stops recording at once. An armed bench is disarmed.
    """
    give(config, as_json, "stop")


@click.command()
@click.argument("text", nargs=-1)
@CONFIG
@JSON
def mark(text: tuple[str, ...], config: str | None, as_json: bool) -> None:
    """Mark this moment in the record, with TEXT if there is something to say."""
    give(config, as_json, "mark", text=" ".join(text))
