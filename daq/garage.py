"""Vehicles, their visits and their set-ups: TOML files that people read and write.

::

    garage/
      selected.toml                     which vehicle, visit and set-up the next run belongs to
      pennon/vehicle.toml               the car
      pennon/visits/2026-03-31.toml     one car, one day
      pennon/setups/stage-two.toml      what is fitted and flashed, what changed, its parent
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import tomli_w

from daq.bench import EndConfig, EngineConfig, RunConfig, StartConfig
from daq.config import key, load, nearest, read_toml, to_plain
from daq.errors import ConfigError

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
SELECTED = "selected.toml"
Kind = Literal["vehicle", "visit", "setup"]


class GarageError(ConfigError):
    """A vehicle, visit or set-up that is not there, or that cannot be."""


@dataclass(frozen=True)
class RunSettings:
    """What runs of a vehicle or set-up do otherwise than the bench says."""

    start: StartConfig | None = None
    end: tuple[EndConfig, ...] | None = None
    pretrigger_s: float | None = key(None, unit="s", low=0, high=600)
    after_end_s: float | None = key(None, unit="s", low=0, high=600)

    def on(self, config: RunConfig) -> RunConfig:
        """*config* with what is said here in place of its own."""
        said = {name: value for name, value in vars(self).items() if value is not None}
        return replace(config, **said)


@dataclass(frozen=True)
class Window:
    """Between which values a channel should lie before a run."""

    low: float | None = key(None, help="in the channel's unit")
    high: float | None = key(None, help="in the channel's unit")


@dataclass(frozen=True)
class StartWindow:
    """What should be so before a run: arming says what is not, and the run records it."""

    oil_temperature: Window = Window()
    coolant_temperature: Window = Window()
    inlet_air_temperature: Window = Window()
    rest_s: Window = key(Window(), help="seconds since the last run")


@dataclass(frozen=True)
class Vehicle:
    """The car."""

    title: str = key("", help="as on the sheet: make, model, variant")
    maker: str = ""
    model: str = ""
    year: int | None = key(None, low=1885, high=2200)
    registration: str = ""
    owner: str = ""
    fuel: str = key("", help="petrol E10, diesel, ...")
    stoichiometric_ratio: float | None = key(None, unit="1", low=1, high=40)
    driven_axles: str = key("", help="front, rear or all")
    gears: tuple[float, ...] = key((), unit="1", low=0.1, high=20, help="ratios, first gear first")
    final_drive: float | None = key(None, unit="1", low=0.1, high=20)
    mass_kg: float | None = key(None, unit="kg", low=50, high=20_000)
    tyres: str = key("", help="size and make")
    tyre_circumference_m: float | None = key(None, unit="m", low=0.3, high=6)
    note: str = ""
    engine: EngineConfig | None = key(None, help="in place of the bench's [engine]")
    start_window: StartWindow = StartWindow()
    run: RunSettings = RunSettings()


@dataclass(frozen=True)
class Visit:
    """One car, one day."""

    customer: str = ""
    operator: str = key("", help="who runs the bench")
    driver: str = key("", help="who sits in the car")
    odometer_km: float | None = key(None, unit="km", low=0, high=5e6)
    fuel: str = key("", help="what is in the tank")
    ethanol_percent: float | None = key(None, unit="%", low=0, high=100)
    tyre_pressure_cold_kpa: float | None = key(None, unit="kPa", low=20, high=1000)
    tyre_pressure_after_kpa: float | None = key(None, unit="kPa", low=20, high=1000)
    fan: str = key("", help="which, where, how fast")
    straps: str = key("", help="how the car is tied down")
    note: str = ""


@dataclass(frozen=True)
class Setup:
    """What is fitted and flashed; a run belongs to one."""

    parent: str = key("", help="the set-up that it was made from")
    changed: str = key("", help="what was changed against the parent")
    fitted: tuple[str, ...] = key((), help="parts that matter")
    flashed: str = key("", help="map or calibration in the control unit")
    gear: int | None = key(None, low=1, high=20, help="in which the car is measured")
    driven_axles: str = key("", help="when otherwise than the vehicle's")
    tyres: str = key("", help="when otherwise than the vehicle's")
    fuel: str = key("", help="when otherwise than the visit's")
    ethanol_percent: float | None = key(None, unit="%", low=0, high=100)
    tyre_pressure_cold_kpa: float | None = key(None, unit="kPa", low=20, high=1000)
    fan: str = key("", help="when otherwise than the visit's")
    straps: str = key("", help="when otherwise than the visit's")
    note: str = ""
    run: RunSettings = RunSettings()


KINDS: Mapping[Kind, type[Vehicle] | type[Visit] | type[Setup]] = {
    "vehicle": Vehicle,
    "visit": Visit,
    "setup": Setup,
}
WORDS: Mapping[Kind, str] = {"vehicle": "vehicle", "visit": "visit", "setup": "set-up"}


@dataclass(frozen=True)
class Selection:
    """Vehicle, visit and set-up that the next run belongs to; empty names for none."""

    vehicle: str = ""
    visit: str = ""
    setup: str = ""


@dataclass(frozen=True)
class InForce:
    """The selected vehicle, visit and set-up, read."""

    selection: Selection = Selection()
    vehicle: Vehicle | None = None
    visit: Visit | None = None
    setup: Setup | None = None

    def run_config(self, config: RunConfig) -> RunConfig:
        """The bench's settings with the vehicle's and then the set-up's over them."""
        for item in (self.vehicle, self.setup):
            if item is not None:
                config = item.run.on(config)
        return config

    def recorded(self) -> dict[str, Any]:
        """What a run records: its names and every word of the three, as plain data."""
        found: dict[str, Any] = {}
        for kind in KINDS:
            item = getattr(self, kind)
            if item is not None:
                found[kind] = {"name": getattr(self.selection, kind), **said(item)}
        return found


@dataclass(frozen=True)
class Garage:
    """The folder of vehicles. Nothing is kept in memory: files may be edited by hand."""

    folder: Path

    def path(self, kind: Kind, name: str, vehicle: str = "") -> Path:
        """The file of a vehicle, or of a visit or set-up of *vehicle*."""
        if kind == "vehicle":
            return self.folder / name / "vehicle.toml"
        return self.folder / vehicle / f"{kind}s" / f"{name}.toml"

    def names(self, kind: Kind, vehicle: str = "") -> list[str]:
        """Names of all vehicles, or of the visits or set-ups of *vehicle*, sorted."""
        if kind == "vehicle":
            return sorted(path.parent.name for path in self.folder.glob("*/vehicle.toml"))
        return sorted(path.stem for path in (self.folder / vehicle / f"{kind}s").glob("*.toml"))

    def read(self, kind: Kind, name: str, vehicle: str = "") -> Any:
        """A Vehicle, Visit or Setup.

        Raises ConfigError: GarageError when there is none of this name, else with every mistake
        of its file at once.
        """
        path = self.path(kind, name, vehicle)
        if not path.is_file():
            of = f" of vehicle {vehicle!r}" if vehicle and kind != "vehicle" else ""
            known = nearest(name, self.names(kind, vehicle)) or f"; there are none{of} yet"
            raise GarageError(f"no {WORDS[kind]}{of} is called {name!r}{known}")
        return load(KINDS[kind], read_toml(path), file=path)

    def write(self, kind: Kind, name: str, table: Mapping[str, Any], vehicle: str = "") -> Path:
        """Write *table* as the file of a vehicle, visit or set-up; the file.

        Raises ConfigError, with every mistake at once, when it would not read back.
        """
        check_name(kind, name)
        path = self.path(kind, name, vehicle)
        item: Any = load(KINDS[kind], table, file=path)
        if kind == "setup" and item.parent:
            self._check_parent(name, item.parent, vehicle)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_name(f".{path.name}.part")
            part.write_text(tomli_w.dumps(dict(table)), encoding="utf-8")
            part.replace(path)
        except OSError as error:
            raise GarageError(f"{path}: {error.strerror}; vehicles are kept here") from None
        return path

    def table(self, kind: Kind, name: str, vehicle: str = "") -> dict[str, Any]:
        """The file of a vehicle, visit or set-up as it stands; ConfigError when there is none."""
        self.read(kind, name, vehicle)
        return read_toml(self.path(kind, name, vehicle))

    def _check_parent(self, name: str, parent: str, vehicle: str) -> None:
        above = [name]
        while parent:
            if parent in above:
                raise GarageError(f"set-up {name!r}: its parents lead back to {parent!r}")
            above.append(parent)
            parent = self.read("setup", parent, vehicle).parent

    # --- the selection

    @property
    def selection(self) -> Selection:
        """What the next run belongs to.

        Raises ConfigError when its file is damaged.
        """
        path = self.folder / SELECTED
        return load(Selection, read_toml(path), file=path) if path.is_file() else Selection()

    def select(self, kind: Kind, name: str) -> Selection:
        """Choose a vehicle, visit or set-up for the runs to come.

        With a vehicle come its latest visit and the set-up that was written last. Raises
        GarageError.
        """
        before = self.selection
        if kind == "vehicle":
            self.read("vehicle", name)
            visits = self.names("visit", name)
            chosen = Selection(name, visits[-1] if visits else "", self._latest_setup(name))
        elif not before.vehicle:
            raise GarageError("no vehicle is selected; first: daq vehicle use NAME")
        else:
            self.read(kind, name, before.vehicle)
            chosen = replace(before, **{kind: name})
        self.folder.mkdir(parents=True, exist_ok=True)
        part = self.folder / f".{SELECTED}.part"
        part.write_text(tomli_w.dumps(to_plain(chosen)), encoding="utf-8")
        part.replace(self.folder / SELECTED)
        return chosen

    def in_force(self) -> InForce:
        """The selected vehicle, visit and set-up.

        Raises ConfigError naming the file and every mistake in it.
        """
        chosen = self.selection
        if not chosen.vehicle:
            return InForce()
        return InForce(
            chosen,
            self.read("vehicle", chosen.vehicle),
            self.read("visit", chosen.visit, chosen.vehicle) if chosen.visit else None,
            self.read("setup", chosen.setup, chosen.vehicle) if chosen.setup else None,
        )

    def _latest_setup(self, vehicle: str) -> str:
        names = self.names("setup", vehicle)
        written = {name: self.path("setup", name, vehicle).stat().st_mtime_ns for name in names}
        return max(names, key=lambda name: written[name], default="")


def check_name(kind: Kind, name: str) -> None:
    """Raise GarageError unless *name* can be a folder's and a file's name everywhere."""
    if not NAME.fullmatch(name):
        raise GarageError(
            f"{WORDS[kind]} {name!r}: expected a name of small letters, digits and hyphens, for"
            " example 'pennon-2'"
        )


def said(item: Any) -> dict[str, Any]:
    """What a configuration says as plain data; what was left out is left out."""
    found: dict[str, Any] = _said(to_plain(item))
    return found


def _said(value: Any) -> Any:
    if isinstance(value, Mapping):
        kept = {name: _said(inner) for name, inner in value.items()}
        return {name: inner for name, inner in kept.items() if inner not in (None, "", [], {})}
    return [_said(inner) for inner in value] if isinstance(value, list) else value
