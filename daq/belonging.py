"""What a run belongs to, from its about mark: number, vehicle, visit, set-up, settings."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daq.bench import Bench, EngineConfig
from daq.config import load
from daq.garage import RunSettings
from daq.runfile.content import Document, Fact, Facts, Quantity

DOCUMENT = "about.json"
UNITS = {
    "kpa": "kPa", "percent": "%", "kg": "kg", "km": "km", "m": "m", "s": "s", "l": "l",
    "degc": "degC",
}  # fmt: skip
"""Ending of a name to the unit that it stands for."""
About = Mapping[str, Any]
"""Content of an about mark; empty for a run that nobody described."""


def on_bench(bench: Bench, about: About) -> Bench:
    """*bench* with the vehicle's engine and the set-up's run settings in place of its own.

    Raises ConfigError for a mark that this release cannot read.
    """
    said = about.get("run", {})
    settings = {name: said[name] for name in vars(RunSettings()) if name in said}
    run = load(RunSettings, settings, where="about.run").on(bench.run)
    engine = about.get("vehicle", {}).get("engine")
    if engine is None:
        return replace(bench, run=run)
    return replace(bench, run=run, engine=load(EngineConfig, engine, where="about.vehicle.engine"))


def document(about: About) -> list[Document]:
    """The mark as it was, so that the file alone tells what was taken for granted."""
    if not about:
        return []
    text = json.dumps(about, indent=1, sort_keys=True, ensure_ascii=False)
    return [Document(DOCUMENT, "application/json", text.encode())]


def title(about: About, bench: Bench) -> str:
    """What to call the run when nobody gave it a title."""
    number = f"run {about['number']}" if "number" in about else "run"
    vehicle = about.get("vehicle", {})
    names = (vehicle.get("title") or vehicle.get("name"), about.get("setup", {}).get("name"))
    told = ", ".join(filter(None, names))
    return f"{number}: {told}" if told else f"{number} on {bench.bench.name}"


def facts(about: About, kind: str) -> Facts:
    """Vehicle, visit or set-up in the words of the run file: numbers with their units."""
    return _facts(about.get(kind, {}))


def _facts(table: Mapping[str, Any]) -> Facts:
    found: dict[str, Fact] = {}
    for name, value in table.items():
        name = re.sub(r"[^a-z0-9_]", "_", str(name).lower())
        if isinstance(value, Mapping):
            found |= {f"{name}_{inner}": item for inner, item in _facts(value).items()}
        elif isinstance(value, list):
            found[name] = "; ".join(map(_word, value))
        else:
            found |= [_fact(name, value)]
    return found


def _fact(name: str, value: Any) -> tuple[str, Fact]:
    stem, _, ending = name.rpartition("_")
    if stem and ending in UNITS and isinstance(value, int | float) and not isinstance(value, bool):
        return stem, Quantity(float(value), UNITS[ending])
    return name, value if isinstance(value, str | int | float | bool) else str(value)


def _word(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {item}" for name, item in value.items())
    return str(value)
