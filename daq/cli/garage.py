"""`daq vehicle`, `visit` and `setup`: describe what stands on the bench, and choose it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from daq import clock
from daq.cli import print_json
from daq.cli.arm import JSON
from daq.cli.bench_file import find_config
from daq.config import read_toml
from daq.errors import ConfigError

if TYPE_CHECKING:
    from daq.garage import Garage, Kind

CONFIG = click.option(
    "--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml."
)


def garage_of(config: str | None) -> Garage:
    """The garage of a bench. Raises ConfigError."""
    from daq.garage import Garage

    path = find_config(config)
    table = read_toml(path).get("run", {})
    folder = table.get("garage", "garage") if isinstance(table, dict) else "garage"
    return Garage(path.parent / str(folder))


def settings(pairs: tuple[str, ...]) -> dict[str, Any]:
    """From ``gear=3``, ``run.start.above=11``, ``note=...``: nested tables, values as in TOML.

    What is no TOML value is a text. Raises ConfigError.
    """
    found: dict[str, Any] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals or not name:
            raise ConfigError(f"{pair!r}: expected KEY=VALUE, for example gear=3")
        table = found
        *above, last = name.split(".")
        for part in above:
            table = table.setdefault(part, {})
            if not isinstance(table, dict):
                raise ConfigError(f"{pair!r}: {part!r} was given a value before")
        table[last] = _value(text)
    return found


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except tomllib.TOMLDecodeError:
        return text


def merged(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    """*old* with the values of *new*; an empty text takes a key away."""
    table = dict(old)
    for name, value in new.items():
        if value == "":
            table.pop(name, None)
        elif isinstance(value, Mapping) and isinstance(table.get(name), Mapping):
            table[name] = merged(table[name], value)
        else:
            table[name] = value
    return table


def _vehicle(garage: Garage, kind: Kind) -> str:
    """The vehicle whose visits or set-ups are meant."""
    if kind == "vehicle":
        return ""
    vehicle = garage.selection.vehicle
    if not vehicle:
        raise ConfigError("no vehicle is selected; first: daq vehicle use NAME")
    return vehicle


def _today() -> str:
    now = datetime.fromtimestamp(clock.realtime_ns() / clock.SECOND_NS, UTC)
    return now.astimezone().date().isoformat()


def _command(kind: Kind, help_text: str) -> click.Group:
    """The group of one kind: list, show, new, set, use."""

    @click.group(kind, help=help_text, invoke_without_command=True)
    @CONFIG
    @JSON
    @click.pass_context
    def group(context: click.Context, config: str | None, as_json: bool) -> None:
        context.obj = garage_of(config)
        if context.invoked_subcommand is None:
            _list(context.obj, kind, as_json)

    @group.command("show", help="Print one as it stands, or the selected one.")
    @click.argument("name", required=False)
    @JSON
    @click.pass_obj
    def show(garage: Garage, name: str | None, as_json: bool) -> None:
        vehicle = _vehicle(garage, kind)
        name = name or _selected(garage, kind)
        if as_json:
            print_json({"name": name, **garage.table(kind, name, vehicle)})
        else:
            garage.read(kind, name, vehicle)
            click.echo(garage.path(kind, name, vehicle).read_text(encoding="utf-8"), nl=False)

    @group.command("set", help="Change keys of one; KEY= takes a key away.")
    @click.argument("name")
    @click.argument("pairs", nargs=-1, required=True, metavar="KEY=VALUE...")
    @click.pass_obj
    def change(garage: Garage, name: str, pairs: tuple[str, ...]) -> None:
        vehicle = _vehicle(garage, kind)
        table = merged(garage.table(kind, name, vehicle), settings(pairs))
        click.echo(f"written: {garage.write(kind, name, table, vehicle)}")

    @group.command("use", help="Choose one for the runs to come.")
    @click.argument("name")
    @click.pass_obj
    def use(garage: Garage, name: str) -> None:
        garage.select(kind, name)
        _tell_selection(garage)

    _add_new(group, kind)
    return group


def _add_new(group: click.Group, kind: Kind) -> None:
    @group.command("new", help=_NEW[kind])
    @click.argument("name", required=kind != "visit")
    @click.argument("pairs", nargs=-1, metavar="KEY=VALUE...")
    @click.pass_obj
    def new(garage: Garage, name: str | None, pairs: tuple[str, ...]) -> None:
        from daq.garage import WORDS, GarageError

        if name is None or "=" in name:
            name, pairs = _today(), (*filter(None, [name]), *pairs)
        vehicle, table = _vehicle(garage, kind), settings(pairs)
        if name in garage.names(kind, vehicle):
            raise GarageError(f"{WORDS[kind]} {name!r} is there already; daq {kind} set {name} ...")
        if kind == "setup":
            table = _from_parent(garage, vehicle, table)
        click.echo(f"written: {garage.write(kind, name, table, vehicle)}")
        garage.select(kind, name)
        _tell_selection(garage)


def _from_parent(garage: Garage, vehicle: str, table: dict[str, Any]) -> dict[str, Any]:
    """A set-up begins as its parent is, which is the selected one unless said otherwise."""
    parent = table.get("parent", garage.selection.setup)
    if not parent:
        return table
    inherited = garage.table("setup", str(parent), vehicle)
    inherited.pop("changed", None)
    return merged(inherited, {**table, "parent": parent})


def _selected(garage: Garage, kind: Kind) -> str:
    name = str(getattr(garage.selection, kind))
    if not name:
        raise ConfigError(f"no {kind} is selected; daq {kind} lists them")
    return name


def _list(garage: Garage, kind: Kind, as_json: bool) -> None:
    vehicle = _vehicle(garage, kind)
    names, selected = garage.names(kind, vehicle), getattr(garage.selection, kind)
    if as_json:
        print_json({"names": names, "selected": selected})
        return
    for name in names:
        click.echo(f"{'*' if name == selected else ' '} {name:<24} {_words(garage, kind, name)}")
    if not names:
        click.echo(f"none yet; daq {kind} new {'' if kind == 'visit' else 'NAME'}".rstrip())


def _words(garage: Garage, kind: Kind, name: str) -> str:
    item = garage.read(kind, name, _vehicle(garage, kind))
    if kind == "vehicle":
        told = [item.title, item.registration]
    elif kind == "visit":
        told = [item.customer, item.fuel]
    else:
        told = [f"from {item.parent}" if item.parent else "", item.changed]
    return ", ".join(filter(None, told))


def _tell_selection(garage: Garage) -> None:
    chosen = garage.selection
    click.echo(
        f"vehicle {chosen.vehicle}, visit {chosen.visit or '-'}, set-up {chosen.setup or '-'}"
    )


_NEW: dict[Kind, str] = {
    "vehicle": "Describe a new vehicle and choose it.",
    "visit": "Begin a visit of the selected vehicle, named by today's date unless said, and"
    " choose it.",
    "setup": "Describe a new set-up and choose it. It begins as its parent is, the selected set-up"
    " unless parent=NAME says another.",
}
vehicle = _command(
    "vehicle",
    "Describe vehicles and choose the one on the bench; alone: list them.\n\n"
    "Each is a file in the garage's folder that may be edited by hand.",
)
visit = _command("visit", "Describe the selected vehicle's days on the bench; alone: list them.")
setup = _command(
    "setup",
    "Describe what is fitted and flashed on the selected vehicle, and what changed; alone: list"
    " them. A run starts from the selected set-up's settings.",
)
