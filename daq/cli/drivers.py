"""`daq drivers`: what is installed, from which package, on which rung of proof."""

from __future__ import annotations

import dataclasses
from typing import Any

import click

from daq import registry
from daq.cli import print_json
from daq.config import to_plain
from daq.errors import ConfigError


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
@click.argument("name", required=False)
def command(name: str | None, as_json: bool) -> None:
    """List the installed drivers, or tell the keys of the one called NAME.

    A driver's rung is the proof it has: simulated (its contract tests pass), captured (bytes of a
    real device decode right), benched (a run on a bench).
    """
    rows = [_describe(driver) for driver in ([name] if name else registry.names())]
    if as_json:
        print_json(rows)
        return
    for row in rows:
        click.echo(_line(row))
        if name:
            for item in row["keys"]:
                click.echo(_key_line(item))


def _line(row: dict[str, Any]) -> str:
    if "error" in row:
        return f"{row['name']:<14} unusable: {row['error']}"
    return f"{row['name']:<14} {row['rung']:<10} {'/'.join(row['wires']):<7} {row['summary']}"


def _key_line(item: dict[str, Any]) -> str:
    default = "required" if item["required"] else f"default {item['default']!r}"
    unit = f" {item['unit']}" if item["unit"] else ""
    help_text = f": {item['help']}" if item["help"] else ""
    return f"  {item['key']} ({item['type']}{unit}, {default}){help_text}"


def _describe(name: str) -> dict[str, Any]:
    try:
        driver = registry.load(name)
    except ConfigError as error:
        if name not in registry.names():
            raise
        return {"name": name, "package": registry.origin(name), "error": str(error), "keys": []}
    return {
        "name": name,
        "package": registry.origin(name),
        "rung": driver.rung,
        "wires": sorted(driver.wires),
        "summary": driver.summary,
        "keys": [_key(field) for field in dataclasses.fields(driver.Config)],
    }


def _key(field: dataclasses.Field[Any]) -> dict[str, Any]:
    factory: Any = field.default_factory
    default = field.default if factory is dataclasses.MISSING else factory()
    required = default is dataclasses.MISSING
    return {
        "key": field.name,
        "type": str(field.type),
        "unit": field.metadata.get("unit", ""),
        "help": field.metadata.get("help", ""),
        "required": required,
        "default": None if required else to_plain(default),
    }
