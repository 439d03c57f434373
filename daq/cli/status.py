"""`daq status`: is everything alive?"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

import click

from daq.cli import print_json
from daq.cli.bench_file import daemon
from daq.live.client import NoDaemon

GOOD = "running"


@click.command()
@click.option("--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml.")
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
def command(config: str | None, as_json: bool) -> None:
    """Tell whether the daemon runs and every device and channel is alive.

    Exit code 0 when all devices and all channels of the bench file are running, else 1. Channels
    that a driver gives beside those of the bench file are shown, but do not count.
    """
    client = daemon(config)
    try:
        state, channels = client.get("/state"), client.get("/channels")
    except NoDaemon as error:
        if as_json:
            print_json({"ok": False, "error": str(error)})
        else:
            click.echo(f"{error}\nStart it with: daq serve", err=True)
        sys.exit(1)
    alive = not list(troubles(state, channels))
    if as_json:
        print_json({"ok": alive, "state": state, "channels": channels})
    else:
        for line in lines(state, channels):
            click.echo(line)
    sys.exit(0 if alive else 1)


def troubles(state: dict[str, Any], channels: list[dict[str, Any]]) -> Iterator[str]:
    """What counts against the bench, one line each."""
    if state["acquisition"] != GOOD:
        yield f"acquisition: {state['acquisition']}"
    for name, device in state["devices"].items():
        if device["state"] != GOOD:
            yield f"device {name}: {_because(device['state'], device['why'])}"
    for channel in channels:
        if channel["listed"] and channel["state"] != GOOD:
            yield f"{channel['name']}: {_because(words(channel['state']), channel['why'])}"


def lines(state: dict[str, Any], channels: list[dict[str, Any]]) -> Iterator[str]:
    """The whole report."""
    run = state["run"]
    number = f" run {run['start']}" if run["start"] is not None else ""
    yield f"{state['bench']}: {run['state']}{number}"
    counts = [f"{count} {words(name)}" for name, count in state["channels"].items() if count]
    yield f"channels: {', '.join(counts)}"
    found = list(troubles(state, channels))
    yield from (f"  {text}" for text in found)
    for channel in channels:
        if channel["state"] == GOOD and channel["why"].startswith(("out of range", "at the rail")):
            yield f"  {channel['name']}: {number_of(channel)}: {channel['why']}"
        if channel["level"] != "ok":
            yield f"  {channel['name']}: {number_of(channel)}: {channel['level']}"
    if not found:
        yield "everything is alive"


def number_of(channel: dict[str, Any]) -> str:
    """A channel's value with its unit."""
    if channel["value"] is None:
        return "no value"
    unit = channel["unit"]
    return f"{channel['value']:.5g}" + (f" {unit}" if unit != "1" else "")


def words(state: str) -> str:
    """A state as it is read."""
    return state.replace("_", " ")


def _because(state: str, why: str) -> str:
    return f"{state}: {why}" if why else state
