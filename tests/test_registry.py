"""Driver names: found by entry point, refused when unknown, doubled, broken or something else."""

from __future__ import annotations

import sys
from importlib.metadata import Distribution, EntryPoint
from pathlib import Path

import pytest

from daq import registry
from daq.driver import Driver
from daq.errors import ConfigError

DRIVER = '''
from daq.driver import Driver


class Mine(Driver):
    """A driver of another package."""


other = 3
'''


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Installs distributions with driver entry points for the time of one test."""

    def install(package: str, text: str, **entries: str) -> None:
        (tmp_path / f"{package}.py").write_text(text)
        info = tmp_path / f"{package}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
        lines = [f"{name} = {value}" for name, value in entries.items()]
        (info / "entry_points.txt").write_text("[daq.drivers]\n" + "\n".join(lines) + "\n")
        registry._entries.cache_clear()

    monkeypatch.syspath_prepend(tmp_path)
    registry._entries.cache_clear()
    before = set(sys.modules)
    yield install
    registry._entries.cache_clear()
    for name in set(sys.modules) - before:
        del sys.modules[name]


def test_every_registered_driver_loads():
    assert {"can_dbc", "pulse_unit"} <= set(registry.names())
    for name in registry.names():
        assert issubclass(registry.load(name), Driver)
        assert registry.origin(name)


def test_a_third_partys_driver_is_found_like_a_built_in_one(installed):
    installed("acme_probe", DRIVER, acme="acme_probe:Mine")
    assert "acme" in registry.names()
    assert registry.load("acme").__name__ == "Mine"
    assert registry.origin("acme") == "acme_probe"


def test_an_unknown_name_is_answered_with_the_nearest():
    with pytest.raises(ConfigError) as caught:
        registry.load("can_dcb")
    assert str(caught.value) == (
        "no driver is called 'can_dcb'; did you mean 'can_dbc'?"
        " (after adding an entry point, install the project again)"
    )


def test_a_name_claimed_twice_names_both_packages(installed):
    installed("first_probe", DRIVER, twin="first_probe:Mine")
    installed("second_probe", DRIVER, twin="second_probe:Mine")
    with pytest.raises(ConfigError, match="'twin' is registered by") as caught:
        registry.load("twin")
    assert "first_probe" in str(caught.value)
    assert "second_probe" in str(caught.value)


def test_a_driver_that_cannot_be_imported_takes_no_other_down(installed):
    installed("broken_probe", "import no_such_module\n", wreck="broken_probe:Mine")
    with pytest.raises(ConfigError, match="'wreck' of broken_probe cannot be imported: ModuleNot"):
        registry.load("wreck")
    assert issubclass(registry.load("can_dbc"), Driver)


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("odd_probe:other", "odd_probe:other is not a daq.driver.Driver"),
        ("odd_probe:absent", "cannot be imported: AttributeError"),
    ],
)
def test_an_entry_that_is_no_driver_is_said_to_be_none(installed, value, words):
    installed("odd_probe", DRIVER, odd=value)
    with pytest.raises(ConfigError, match=words):
        registry.load("odd")


def test_the_same_entry_seen_twice_is_one(monkeypatch):
    entry = EntryPoint("can_dbc", "drivers.can_dbc:CanDbc", registry.GROUP)
    monkeypatch.setattr(registry, "entry_points", lambda group: [entry, entry])
    registry._entries.cache_clear()
    try:
        assert registry.names() == ["can_dbc"]
        assert registry.load("can_dbc").__name__ == "CanDbc"
    finally:
        registry._entries.cache_clear()


def test_distributions_are_those_of_the_interpreter():
    assert any(d.name == "rollerdaq" for d in Distribution.discover())
