"""Brettschneider's lambda against the stoichiometry of the fuel, and its place in a run file.

No table of worked values is open to everyone, so the judge is an element balance written here,
which uses nothing of the equation under test, and one worked example of a public article.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from daq.bench import load_bench
from daq.channels import bench_channels
from daq.gas import (
    HELD_SPEED,
    HYDROGEN_PER_CARBON,
    OXYGEN_PER_CARBON,
    WATER_GAS,
    Steadiness,
    advice,
    brettschneider,
    held,
)
from daq.replay import WireSource, replay
from daq.runfile.verify import verify

CONFIG = Path(__file__).resolve().parents[1] / "config"
NITROGEN = 0.79 / 0.21
DEMAND = 1 + HYDROGEN_PER_CARBON / 4 - OXYGEN_PER_CARBON / 2
"""Oxygen that burns one carbon atom of fuel with its hydrogen."""


# --- the equation


def dry(oxygen_supplied: float, **moles: float) -> dict[str, float]:
    """Volume fractions in % of dry exhaust: *moles* beside the nitrogen of the air."""
    total = sum(moles.values()) + oxygen_supplied * NITROGEN
    return {name: 100 * amount / total for name, amount in moles.items()}


def lean_exhaust(excess: float, unburnt: float = 0.0) -> dict[str, float]:
    """Dry exhaust of *excess* times the air; the share *unburnt* leaves as it came.

    Unburnt fuel is shown as hexane, by its carbon alone.
    """
    supplied, burnt = excess * DEMAND, 1 - unburnt
    return dry(supplied, co=0.0, co2=burnt, hc=unburnt / 6, o2=supplied - burnt * DEMAND)


def rich_exhaust(co_share: float, hydrogen: float, oxygen: float) -> tuple[float, dict[str, float]]:
    """Lambda and dry exhaust of a rich burn, *co_share* of its carbon burnt to CO.

    Hydrogen splits into water and H2 by the water-gas equilibrium CO·H2O/(CO2·H2) = 3.5; oxygen is
    what the products hold less what the fuel brought. Source: element balance; the constant is
    that of 40 CFR 1065.655, from memory.
    """
    co, co2 = co_share, 1 - co_share
    water_per_h2 = 3.5 * co2 / co
    h2 = hydrogen / 2 / (1 + water_per_h2)
    water = hydrogen / 2 - h2
    supplied = co2 + co / 2 + water / 2 - oxygen / 2
    gases = dry(supplied, co=co, co2=co2, h2=h2)
    demand = 1 + hydrogen / 4 - oxygen / 2
    return supplied / demand, {"co": gases["co"], "co2": gases["co2"], "hc": 0.0, "o2": 0.0}


@pytest.mark.parametrize("excess", [1.0, 1.05, 1.3, 2.0])
def test_complete_combustion_with_known_air(excess):
    assert brettschneider(**lean_exhaust(excess)) == pytest.approx(excess, rel=1e-12)


@pytest.mark.parametrize("co_share", [0.01, 0.1, 0.3, 0.5])
@pytest.mark.parametrize(
    ("hydrogen", "oxygen"),
    # petrol; ethanol C2H6O; propane C3H8; methane: their formulae
    [(HYDROGEN_PER_CARBON, OXYGEN_PER_CARBON), (3.0, 0.5), (8 / 3, 0.0), (4.0, 0.0)],
)
def test_rich_combustion_with_water_gas_in_equilibrium(co_share, hydrogen, oxygen):
    assert WATER_GAS == 3.5
    expected, gases = rich_exhaust(co_share, hydrogen, oxygen)
    found = brettschneider(**gases, hydrogen=hydrogen, oxygen=oxygen)
    assert found == pytest.approx(expected, rel=1e-12)


def test_petrol_rich_by_hand():
    """CO 6 %, CO2 10.5 % dry, without oxygen: figured with pencil and paper.

    Water 0.431525 · 3.5 / (3.5 + 6/10.5) = 0.370961; found 10.5 + 3 + (0.370961 - 0.0088) · 16.5 =
    19.475657; needed 1.422725 · 16.5 = 23.474963; lambda 0.829635.
    """
    assert brettschneider(6.0, 10.5, 0.0, 0.0) == pytest.approx(0.829635, abs=2e-6)


def test_a_published_example():
    """CO 1.2 %, CO2 13.5 %, HC 45 ppm, O2 0.3 % at idle: about 0.98.

    Source: a public article on diagnosis by exhaust gases, which gives two digits and petrol with
    10 % ethanol (C/H/O of such a blend from memory: hydrogen 1.80, oxygen 0.033).
    """
    found = brettschneider(1.2, 13.5, 0.0045, 0.3, hydrogen=1.80, oxygen=0.033)
    assert float(found) == pytest.approx(0.98, abs=0.005)


def test_misfire_does_not_change_lambda():
    """Unburnt fuel and the oxygen that it left are both counted."""
    assert brettschneider(**lean_exhaust(1.0, unburnt=0.05)) == pytest.approx(1.0, rel=1e-12)


def test_carbon_monoxide_reads_rich_by_its_missing_oxygen():
    """Pure carbon as fuel, by element balance: (CO2 + CO/2) / (CO2 + CO)."""
    found = brettschneider(2.0, 12.0, 0.0, 0.0, hydrogen=0.0, oxygen=0.0)
    assert found == pytest.approx((12.0 + 1.0) / 14.0)


def test_lambda_falls_with_co_and_rises_with_o2():
    rich = brettschneider([0.0, 2.0, 4.0, 8.0], 12.0, 0.0, 0.0)
    lean = brettschneider(0.0, 12.0, 0.0, [0.0, 1.0, 3.0])
    assert (np.diff(rich) < 0).all()
    assert (np.diff(lean) > 0).all()


@pytest.mark.parametrize(
    "wrong",
    [{"co2": 0.0}, {"co": -1.0}, {"o2": float("nan")}, {"co2": 101.0}, {"hc": float("inf")}],
)
def test_readings_that_are_no_exhaust_give_no_lambda(wrong):
    gases = {"co": 0.5, "co2": 14.0, "hc": 0.01, "o2": 0.5, **wrong}
    assert np.isnan(brettschneider(**gases))


# --- held points


@pytest.mark.parametrize("rows", [1, 2, 3, 7, 16, 50])
def test_held_is_what_a_plain_search_finds(rows):
    random = np.random.default_rng(4)
    value = 3000 + np.cumsum(random.normal(0, 12, 400))
    value[200:203] = np.nan
    band = Steadiness(0.01, 5.0)
    expected = []
    for n in range(len(value)):
        part = value[n - rows + 1 : n + 1] if n + 1 >= rows else np.array([np.nan])
        low, high = part.min(), part.max()
        expected.append(bool(high - low <= max(0.02 * (low + high) / 2, 10.0)))
    assert held(value, rows, band).tolist() == expected


def test_nothing_is_held_before_it_could_be_known():
    assert not held(np.full(10, 2000.0), 20, HELD_SPEED).any()


# --- from the analyser's line to the run file

BENCH = """
[bench]
name = "bay 2"
[engine]
cylinders = 4
[run]
grid_rate_hz = 10.0
[wire.line]
kind = "serial"
port = "/dev/serial/by-id/analyser"
baud = 9600
[device.analyser]
wire = "line"
driver = "text_line"
declaration = "gas_analyser_text.toml"
[device.analyser.channel.gas_speed]
input = "engine_speed"
role = "engine_speed"
"""
GAS = """
[device.analyser.channel.{name}]
latency_s = 8.0
latency_uncertainty_s = 1.0
location = "tail pipe, 300 mm in"
"""
DELAY_S = 8.0
LEAN, RICH = lean_exhaust(1.1), rich_exhaust(0.2, HYDROGEN_PER_CARBON, OXYGEN_PER_CARBON)


def speed_at(t: float) -> float:
    """A point at 2000 rpm until 20 s, then one at 3000 rpm from 25 s on."""
    return float(np.interp(t, [20.0, 25.0], [2000.0, 3000.0]))


def conversation() -> tuple[str, str]:
    """Questions and answers of a minute as timed bytes; the gas is from 8 s before."""
    asked, answered = ["t_s,hex"], ["t_s,hex"]
    for t in np.arange(0.0, 60.0, 0.5):
        gas = LEAN if t - DELAY_S < 22.5 else RICH[1]
        shown = [f"{gas['co']:.3f}", f"{gas['co2']:.2f}", f"{gas['hc'] * 1e4:.0f}",
                 f"{gas['o2']:.2f}", f"{speed_at(t):.0f}"]  # fmt: skip
        line = f"G,{','.join(shown)},".encode()
        line += b"%02X\r" % (sum(line) % 256)
        asked.append(f"{t:.6f},{b'G?'.hex()}0d")
        answered.append(f"{t + 0.04:.6f},{line.hex()}")
    return "\n".join(asked), "\n".join(answered)


@pytest.fixture(scope="module")
def analyser_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gas")
    shutil.copyfile(
        CONFIG / "streams" / "gas_analyser_text.toml", folder / "gas_analyser_text.toml"
    )
    gases = "".join(GAS.format(name=name) for name in ("co", "co2", "hc", "o2"))
    (folder / "bench.toml").write_text(BENCH + gases)
    asked, answered = conversation()
    (folder / "asked.csv").write_text(asked)
    (folder / "answered.csv").write_text(answered)
    sources = [
        WireSource("line", folder / "answered.csv"),
        WireSource("line", folder / "asked.csv", "sent"),
    ]
    run = replay(load_bench(folder / "bench.toml"), sources, folder / "run.h5")
    assert verify(run) == []
    return run


def aligned(run: Path) -> xr.Dataset:
    with xr.open_dataset(run, group="run/aligned", engine="h5netcdf") as data:
        return data.load()


def test_lambda_is_there_for_held_points_alone(analyser_run):
    table = aligned(analyser_run)
    t, value = table["time"].values, table["analyser_gas_lambda"].values
    known = np.isfinite(value)
    # held for the 8 s of the sample line: from 8 s, and again 8 s after 25 s; the last answer is
    # of gas from 51.5 s
    assert not known[t < 7.9].any()
    assert known[(t > 8.6) & (t < 19.9)].all()
    assert not known[(t > 20.6) & (t < 32.4)].any()
    assert known[(t > 33.6) & (t < 51.0)].all()
    assert not known[t > 51.6].any()


def test_lambda_stands_at_the_time_of_its_gas(analyser_run):
    table = aligned(analyser_run)
    t, value = table["time"].values, table["analyser_gas_lambda"].values
    first = value[(t > 8.6) & (t < 19.9)]
    second = value[(t > 33.6) & (t < 51.0)]
    # the analyser's digits of 0.01 % are 0.0007 of its oxygen's share
    assert first == pytest.approx(np.full(len(first), 1.1), abs=0.002)
    assert second == pytest.approx(np.full(len(second), RICH[0]), abs=0.002)


def test_the_run_file_says_where_the_probe_sat_and_how_late_it_is(analyser_run):
    from daq.runfile.read import read_run

    content = read_run(analyser_run)
    column = next(c for c in content.aligned.columns if c.name == "analyser_gas_lambda")
    assert column.info["location"] == "tail pipe, 300 mm in"
    assert column.info["held_s"] == DELAY_S
    stream = next(s for s in content.streams if s.name == "analyser_gas")
    oxygen = next(c for c in stream.channels if c.name == "o2")
    assert (oxygen.latency_s, oxygen.latency_source) == (DELAY_S, "configured")


def test_a_gas_channel_without_delay_or_place_is_advised(tmp_path):
    shutil.copy(CONFIG / "streams" / "gas_analyser_text.toml", tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH + GAS.format(name="co"))
    bench = load_bench(tmp_path / "bench.toml")
    said = advice(bench_channels(bench, {"analyser": bench.streams("analyser", {})}))
    assert not any("channel co:" in words for words in said)
    for name in ("co2", "hc", "o2"):
        assert f"channel {name}: no latency_s; a sample line delays by 5 to 15 s" in said
        assert f"channel {name}: no location; say where the probe sits" in said
