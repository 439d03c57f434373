"""Every published check value of sensor physics, each computed by the project's own functions.

The values, their tolerances and their sources stand in tests/data/cal_check_values.json.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq import units
from daq.calibration import loadcell, ntc, pressure, pulses, rtd, thermocouple, wideband
from daq.calibration.equations import Wideband, two_point
from daq.calibration.fit import fit_polynomial
from daq.calibration.signal import divider_resistance, divider_volts
from daq.calibration.uncertainty import combine, coverage_factor, rectangular, triangular

FILE = Path(__file__).parent / "data" / "cal_check_values.json"
VALUES = json.loads(FILE.read_text(encoding="utf-8"))["values"]
COEFFICIENTS = [1.33612831e-3, 2.559762809e-4, 1.506958179e-7]  # check value ntc.sh.coeff


def _h3(name: str, i: dict[str, Any]) -> float:
    fit = fit_polynomial(i["t_k"], i["b_k"], 1, origin=i["t0"])
    found = {
        "y1": fit.coefficients[0],
        "y2": fit.coefficients[1],
        "s_y1": fit.errors[0],
        "s_y2": fit.errors[1],
        "r": fit.correlation[0, 1],
        "s": fit.deviation,
        "b30": fit.value(30.0),
        "u_b30": fit.standard_uncertainty(30.0),
    }
    return float(found[name])


def _pascal(unit: str) -> float:
    name = unit.removesuffix("_conventional")
    quantity = "absolute_pressure"
    return float(units.convert(1.0, quantity, name, "Pa"))


def _map(i: dict[str, Any]) -> Any:
    return pressure.ratiometric(i["v_v"], i["v_supply_v"], i["p_at_0v5"], i["p_at_4v5"])


def _silicon(i: dict[str, Any]) -> Any:
    line = pressure.two_point_of_fraction(0.004, -0.04, 20.0, 250.0)
    return line.value(np.array(i["v_v"] * 5.0 / i["v_supply_v"]), {}, {})


def _blend(i: dict[str, Any]) -> float:
    ethanol = wideband.Fuel(i["afr_ethanol"], i["rho_ethanol"])
    petrol = wideband.Fuel(i["afr_petrol"], i["rho_petrol"])
    share = i["ethanol_vol_frac"]
    return wideband.blend_by_volume([(share, ethanol), (1 - share, petrol)])


def _wideband_volts(i: dict[str, Any]) -> Any:
    lambda_ = Wideband(first=(i["v0"], i["y0"]), second=(i["v1"], i["y1"]), scaled_in="lambda")
    by_equation = lambda_.value(np.array(i["v_v"]), {}, {})
    assert by_equation == two_point(i["v_v"], i["v0"], i["y0"], i["v1"], i["y1"])
    return by_equation


def _sh_fit(i: dict[str, Any]) -> Any:
    celsius, ohms = zip(*i["points_c_ohm"], strict=True)
    return ntc.fit_steinhart_hart(celsius, ohms).coefficients


def _delay(i: dict[str, Any]) -> Any:
    return wideband.transport_delay(
        i["rpm"],
        i["mdot_kg_s"],
        i["t_gas_k"],
        i["p_pa"],
        pipe_volume_m3=i["pipe_volume_m3"],
        crank_degrees=i["cycle_deg"],
    )


def _distance(i: dict[str, Any]) -> Any:
    return pulses.distance(i["counts"], i["ppr"] * i["mode"], math.pi * i["roller_diameter_m"])


def _quantum(i: dict[str, Any]) -> float:
    counts = i["ppr"] * i["mode"]
    return pulses.speed_quantum(counts, math.pi * i["roller_diameter_m"], i["gate_s"])


def _torque(i: dict[str, Any]) -> Any:
    return loadcell.torque(loadcell.weight_force(i["mass_kg"], i["g"]), i["arm_m"])


def _isa(i: dict[str, Any], field: str) -> float:
    air = pressure.standard_atmosphere(i["altitude_m"])
    values = {"p": air.pressure_kpa, "T": air.temperature_k, "rho": air.density_kg_m3}
    return values[field]


# The longest prefix that fits an id names the function that must give the expected value.
BY_PREFIX: dict[str, Callable[[dict[str, Any]], Any]] = {
    "tc.": lambda i: thermocouple.emf(i["type"], i["t_c"]),
    "tc.range.b": lambda i: thermocouple.temperature(i["type"], i["emf_mv"]),
    "tc.cjc": lambda i: thermocouple.compensated(i["type"], i["measured_mv"], i["t_cj_c"]),
    "tc.seebeck": lambda i: 1e3 * thermocouple.seebeck(i["type"], i["t_c"]),
    "rtd.pt100.r": lambda i: rtd.resistance(i["t_c"], i["r0_ohm"]),
    "rtd.inv": lambda i: rtd.temperature(i["r_ohm"], i["r0_ohm"]),
    "rtd.tol": lambda i: rtd.tolerance(i["class"], i["t_c"]),
    "ntc.sh.coeff": _sh_fit,
    "ntc.table": lambda i: ntc.steinhart_hart(i["r_ohm"], COEFFICIENTS),
    "ntc.beta": lambda i: ntc.beta_temperature(i["r_ohm"], i["r0_ohm"], i["t0_c"], i["beta_k"]),
    "ntc.beta.from2": lambda i: ntc.beta_from_points(25, i["r25_ohm"], 100, i["r100_ohm"]),
    "ntc.divider": lambda i: divider_resistance(i["v_v"], i["r_pullup_ohm"], i["vref_v"]),
    "ntc.open.limit": lambda i: divider_volts(i["r_ohm"], i["r_pullup_ohm"], i["vref_v"]),
    "p.unit": lambda i: _pascal(i["unit"]),
    "p.to_kpa": lambda i: _pascal(i["unit"]) * i["value"] / 1e3,
    "map.ratiometric": _map,
    "map.silicon250": _silicon,
    "isa.p": lambda i: _isa(i, "p"),
    "isa.T": lambda i: _isa(i, "T"),
    "isa.rho": lambda i: _isa(i, "rho"),
    "afr.stoich": lambda i: wideband.stoichiometric_ratio(i["c"], i["h"], i["o"], i["w_o2"]),
    "afr.blend": _blend,
    "lambda.": lambda i: wideband.to_lambda(i["afr"], i["afr_stoich"]),
    "wb.analog": _wideband_volts,
    "wb.step": lambda i: wideband.step_response(i["t_s"], i["t_d_s"], i["tau_s"]),
    "wb.risetime": lambda i: wideband.rise_time(i["tau_s"]),
    "wb.delay": _delay,
    "gum.h1.uc": lambda i: combine(i["u_nm"]),
    "t95": lambda i: coverage_factor(i["nu"], 0.95),
    "typeb.rectangular": lambda i: rectangular(i["half_width"]),
    "typeb.triangular": lambda i: triangular(i["half_width"]),
    "enc.dist": _distance,
    "enc.vq": _quantum,
    "cfr1066.235": lambda i: pulses.surface_speed(
        i["f_hz"], i["pulses_per_rev"], math.pi * i["roller_diameter_m"]
    ),
    "g.": lambda i: loadcell.gravity(i["lat_deg"]),
    "deadweight": _torque,
    "rpm.freq": lambda i: pulses.rpm_from_frequency(i["f_hz"], i["pulses_per_rev"]),
    "rpm.period": lambda i: pulses.rpm_from_interval(i["period_s"], i["pulses_per_rev"]),
    **{
        f"tc.{kind.lower()}.inv": lambda i: thermocouple.temperature(i["type"], i["emf_mv"])
        for kind in "BEJKNRST"
    },
    **{
        f"gum.h3.{name}": lambda i, name=name: _h3(name, i)
        for name in ("y1", "y2", "s_y1", "s_y2", "r", "s", "b30", "u_b30")
    },
}


def _function(name: str) -> Callable[[dict[str, Any]], Any]:
    fitting = [prefix for prefix in BY_PREFIX if name.startswith(prefix)]
    assert fitting, f"no function computes {name}"
    return BY_PREFIX[max(fitting, key=len)]


@pytest.mark.parametrize("value", VALUES, ids=[value["id"] for value in VALUES])
def test_published_value(value: dict[str, Any]) -> None:
    found = np.asarray(_function(value["id"])(value["inputs"]), dtype=np.float64)
    expected, tolerance = value["expected"], value["tolerance"]
    if expected == "range error":
        assert np.isnan(found)  # never an extrapolated number
    elif isinstance(tolerance, dict):
        assert found == pytest.approx(np.array(expected), rel=tolerance["relative"], abs=0)
    else:
        printed = 5e-10 * abs(expected)  # the values are printed to ten digits
        assert found == pytest.approx(expected, abs=max(tolerance, printed), rel=0)


def test_all_sections_are_there() -> None:
    """185 values of the sections on sensors and uncertainty, and 9 of pulses."""
    assert len(VALUES) == 194
    assert all(value["source"] for value in VALUES)


def test_newton_step_beats_the_published_inverse() -> None:
    """The exact inverse, not the polynomial within 0.06 °C, is what the check values give."""
    inverses = [v for v in VALUES if v["id"].startswith("tc.") and ".inv." in v["id"]]
    for value in inverses:
        found = thermocouple.temperature(value["inputs"]["type"], value["inputs"]["emf_mv"])
        assert found == pytest.approx(value["expected"], abs=1e-4)  # printed to 4 decimals


def test_adding_degrees_instead_of_volts_would_be_wrong() -> None:
    """K, 25 °C, 15.397 mV: 400.0 °C in volts, 401.28 in degrees (note of check value tc.cjc.0)."""
    degrees = thermocouple.temperature("K", 15.396899) + 25.0
    assert degrees == pytest.approx(401.28, abs=0.01)
