"""Checks of sensors by the trade's procedures: engine off, free air, same pressure and so on."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daq.errors import CalibrationError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daq.calibration.checks import Check
    from daq.evaluation import Evaluation

config_option = click.option(
    "--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print for a script.")
window_option = click.option(
    "--window", "window_s", default=2.0, show_default=True, help="Seconds of readings used."
)


class Procedure(click.Command):
    """A procedure whose refusal of numbers (ValueError) is told as a user's mistake."""

    def invoke(self, ctx: click.Context) -> Any:
        """As click does, without a traceback for numbers that cannot be."""
        try:
            return super().invoke(ctx)
        except ValueError as error:
            raise CalibrationError(str(error)) from None


def tell(checks: Sequence[Check], as_json: bool, **facts: Any) -> None:
    """Show checks and facts; exit code 1 when any check refuses."""
    from dataclasses import asdict

    from daq.calibration.checks import worst
    from daq.cli import print_json

    level = worst(checks)
    if as_json:
        print_json({"level": level, "checks": [asdict(check) for check in checks], **facts})
    else:
        for name, value in facts.items():
            shown = f"{value:.5g}" if isinstance(value, float) else value
            click.echo(f"{name.replace('_', ' ')}: {shown}")
        for check in checks:
            click.echo(f"{check.level}: {check.text}")
    if level == "refuse":
        sys.exit(1)


class Live:
    """The bench's channels over the last seconds."""

    def __init__(self, config: str | None, window_s: float) -> None:
        from daq.cli.subject import MARGIN_S, bench_and_channels
        from daq.recent import Recent
        from daq.serve import places

        self.bench, _ = bench_and_channels(config)
        self.window_s = window_s
        recent = Recent(self.bench, places(self.bench).journal)
        self.result: Evaluation = recent.look(window_s + MARGIN_S)

    def values(self, name: str) -> NDArray[np.float64]:
        """Values of a channel over the window."""
        from daq.recent import values

        at, found = values(self.result, name)
        recent: NDArray[np.float64] = found[at >= at[-1] - self.window_s]
        return recent

    def expanded(self, name: str) -> float:
        """Expanded uncertainty (k = 2) by the channel's record; CalibrationError where unknown."""
        from daq.calibration.evidence import expanded_uncertainty

        calibration = self.result.channels[name].calibration
        known = expanded_uncertainty(calibration) if calibration is not None else math.nan
        if not math.isfinite(known):
            raise CalibrationError(
                f"channel {name}: its record states no uncertainty; calibrate it first"
            )
        return known


@click.command("engine-off", cls=Procedure)
@click.argument("channel")
@click.option("--barometer", required=True, help="Channel of the barometer, or kPa absolute.")
@click.option("--reading", type=float, help="Manifold pressure in kPa, in place of a live one.")
@click.option(
    "--stopped-for",
    "stopped_s",
    type=float,
    required=True,
    help="Seconds since the engine stopped.",
)
@click.option("--altitude", "altitude_m", type=float, help="In m; else the bench's.")
@window_option
@config_option
@json_option
def engine_off(
    channel: str, barometer: str, reading: float | None, stopped_s: float,
    altitude_m: float | None, window_s: float, config: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Manifold pressure CHANNEL against the barometer, key on and engine off.

    With the engine at rest both see the air of the room. Wait 2 s after it has stopped.
    """
    from daq.calibration import pressure

    typed = _kpa(barometer)
    live = None
    if reading is None or typed is None:
        live = Live(config, window_s)
    ambient = float(live.values(barometer).mean()) if live and typed is None else typed
    manifold = float(live.values(channel).mean()) if live and reading is None else reading
    assert ambient is not None
    assert manifold is not None
    checks = [pressure.key_on_engine_off(manifold, ambient, stopped_s)]
    altitude = altitude_m if live is None or altitude_m is not None else live.bench.bench.altitude_m
    if altitude is not None:
        checks.append(pressure.plausible_barometer(ambient, altitude))
    tell(checks, as_json, manifold_kpa=manifold, barometer_kpa=ambient)


def _kpa(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


@click.command("free-air", cls=Procedure)
@click.argument("channel")
@click.option("--reading", type=float, help="What it reads, in place of a live reading.")
@click.option("--oxygen", is_flag=True, help="The channel is scaled in % oxygen, not in lambda.")
@click.option("--lean-limit", type=float, default=math.nan, help="Highest lambda of its output.")
@window_option
@config_option
@json_option
def free_air(
    channel: str, reading: float | None, oxygen: bool, lean_limit: float,
    window_s: float, config: str | None, as_json: bool,
) -> None:  # fmt: skip
    """The wideband CHANNEL in free air: 20.9 % oxygen, or its lean limit.

    Take the warm sensor out and hang it in clean air, away from the exhaust. It is hot.
    """
    from daq.calibration import wideband

    if reading is None:
        live = Live(config, window_s)
        reading = float(live.values(channel).mean())
    scaled = "oxygen" if oxygen else "lambda"
    check = wideband.free_air(reading, scaled, lean_limit)  # type: ignore[arg-type]
    tell([check], as_json, reading=reading)


@click.command("same-pressure", cls=Procedure)
@click.argument("first")
@click.argument("second")
@click.option(
    "--from",
    "source",
    type=click.Path(path_type=Path),
    help="CSV with the columns first and second, in kPa; needs --uncertainty twice.",
)
@click.option(
    "--uncertainty",
    type=float,
    multiple=True,
    help="Expanded uncertainty (k = 2) of the first, then of the second, in kPa.",
)
@window_option
@config_option
@json_option
def same_pressure(
    first: str, second: str, source: Path | None, uncertainty: tuple[float, ...],
    window_s: float, config: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Two pressure sensors FIRST and SECOND on one pressure: do they agree?

    Join them by a hose. A window in which the pressure rises and falls tells the gain as well.
    """
    from daq.calibration import pressure
    from daq.calibration.checks import judge

    if len(uncertainty) not in (0, 2) or (source is not None and not uncertainty):
        raise click.UsageError("give --uncertainty twice: of the first, then of the second")
    if source is not None:
        a, b = _pairs(source)
        expanded = uncertainty
    else:
        live = Live(config, window_s)
        a, b = live.values(first).tolist(), live.values(second).tolist()
        if len(a) != len(b):
            raise CalibrationError(
                f"{first} and {second} are not sampled together; use a CSV of readings"
            )
        expanded = uncertainty or (live.expanded(first), live.expanded(second))
    found = pressure.cross_check(a, b, *expanded)
    check = judge("pair", found.normalised_error, 1.0, 1.5, "1", "greatest normalised error E_n")
    gain = "not told: the pressure hardly changed" if math.isnan(found.gain) else found.gain
    tell([check], as_json, offset_kpa=found.offset, gain=gain, scatter_kpa=found.scatter)


def _pairs(source: Path) -> tuple[list[float], list[float]]:
    import csv

    try:
        with source.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError) as error:
        raise CalibrationError(f"{source}: {error}") from None
    try:
        return [float(row["first"]) for row in rows], [float(row["second"]) for row in rows]
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(
            f"{source}: expected the columns first and second with numbers ({error})"
        ) from None


@click.command("roller-size", cls=Procedure)
@click.argument("roller_set")
@click.option(
    "--tape",
    "tapes",
    type=float,
    multiple=True,
    help="Tape around the roller, in m; once for each place along it.",
)
@click.option("--tape-thickness", "thickness_mm", type=float, default=0.0, help="In mm.")
@click.option("--travel", "travel_m", type=float, help="Travel of a strip or wheel, in m.")
@click.option("--turns", type=float, help="Turns of the roller that were counted.")
@click.option(
    "--travel-uncertainty",
    "travel_u_m",
    type=float,
    default=0.005,
    show_default=True,
    help="Standard uncertainty of the travel, in m.",
)
@click.option("--counts", type=float, help="Encoder counts over those turns, mark to mark.")
@config_option
@json_option
def roller_size(
    roller_set: str, tapes: tuple[float, ...], thickness_mm: float, travel_m: float | None,
    turns: float | None, travel_u_m: float, counts: float | None, config: str | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Circumference and encoder counts of ROLLER_SET, by tape and by counted turns.

    0.1 % of the circumference is 0.1 % of speed and of power. Rollers at rest and locked for the
    tape; hands off while they turn.
    """
    from daq.calibration import roller
    from daq.cli.subject import bench_and_channels
    from daq.config import nearest

    bench, _ = bench_and_channels(config)
    if roller_set not in bench.roller_set:
        raise CalibrationError(
            f"no roller set {roller_set!r}{nearest(roller_set, list(bench.roller_set))}"
        )
    if (travel_m is not None or counts is not None) and turns is None:
        raise click.UsageError("give --turns with --travel and --counts")
    configured = bench.roller_set[roller_set]
    found = []
    if tapes:
        found.append(roller.circumference_by_tape(tapes, tape_thickness_m=thickness_mm / 1000))
    if travel_m is not None and turns is not None:
        found.append(
            roller.circumference_by_turns(travel_m, turns, travel_uncertainty_m=travel_u_m)
        )
    if not found and counts is None:
        raise click.UsageError("give --tape twice or more, or --travel with --turns, or --counts")
    _tell_roller(configured, found, counts, turns, as_json)


def _tell_roller(
    configured: Any, found: list[Any], counts: float | None, turns: float | None, as_json: bool
) -> None:
    from daq.calibration import roller

    facts: dict[str, Any] = {}
    checks = [roller.agree(*found)] if len(found) == 2 else []
    if found:
        best = min(found, key=lambda way: way.uncertainty)
        checks.append(roller.agree(best, roller.Measured(configured.circumference_m, 0.0)))
        facts["circumference_m"] = f"{best.value:.5f} ± {2 * best.uncertainty:.5f} (k = 2)"
        facts["in_the_bench_file"] = f"circumference_m = {configured.circumference_m:g}"
    if counts is not None and turns is not None:
        per_turn = configured.counts_per_revolution
        checks.append(roller.counts_per_revolution(counts, round(turns), per_turn))
    tell(checks, as_json, **facts)


@click.command("supply-volts", cls=Procedure)
@click.argument("channel")
@click.option(
    "--reading",
    "readings",
    type=float,
    multiple=True,
    help="Volts, in place of live readings; twice or more.",
)
@click.option("--voltmeter", type=float, default=0.0, help="Volts at the sensor's plug.")
@click.option("--nominal", type=float, default=5.0, show_default=True, help="In V.")
@window_option
@config_option
@json_option
def supply_volts(
    channel: str, readings: tuple[float, ...], voltmeter: float, nominal: float,
    window_s: float, config: str | None, as_json: bool,
) -> None:  # fmt: skip
    """The sensors' supply CHANNEL against a voltmeter or its nominal value, and its ripple."""
    from daq.calibration import supply

    volts = list(readings) or Live(config, window_s).values(channel).tolist()
    checks = [supply.supply_check(volts, nominal, voltmeter), supply.supply_ripple(volts)]
    tell(checks, as_json, mean_v=sum(volts) / len(volts))


@click.command("ground-offset", cls=Procedure)
@click.argument("channel")
@click.option(
    "--reading",
    "readings",
    type=float,
    multiple=True,
    help="Volts, in place of live readings; twice or more.",
)
@window_option
@config_option
@json_option
def ground_offset(
    channel: str, readings: tuple[float, ...], window_s: float, config: str | None, as_json: bool
) -> None:
    """What CHANNEL reads while signal and ground are bridged at the sensor's plug.

    Once with the engine off, once running with fans and ignition on: the difference is what the
    ground wire loses.
    """
    from daq.calibration import supply

    volts = list(readings) or _terminal_volts(channel, config, window_s)
    found = supply.ground_offset(volts)
    told = f"ground_offset_v = {found.volts:.5f} under [signal]"
    tell([found.check], as_json, standard_uncertainty_v=found.uncertainty, in_the_record=told)


def _terminal_volts(name: str, config: str | None, window_s: float) -> list[float]:
    """Volts at the terminal, before any ground offset is taken off."""
    from dataclasses import replace

    from daq.cli.subject import channel_of
    from daq.recent import raw_of

    live = Live(config, window_s)
    channel = channel_of(live.result.channels, name, live.bench)
    if channel.calibration is None or channel.calibration.record.signal.kind != "adc":
        raise CalibrationError(f"channel {name}: is no calibrated analogue input; give --reading")
    signal = replace(channel.calibration.record.signal, ground_offset_v=0.0, supply="")
    at, raw = raw_of(live.result, channel)
    volts: list[float] = signal.terminal(raw[at >= at[-1] - window_s], {}, {}).tolist()
    return volts


@click.command("load-creep", cls=Procedure)
@click.argument("channel")
@click.option("--seconds", "span_s", default=120.0, show_default=True, help="How long to watch.")
@config_option
@json_option
def load_creep(channel: str, span_s: float, config: str | None, as_json: bool) -> None:
    """How far the load cell CHANNEL creeps under a constant load; hang it on, then start."""
    from daq import clock
    from daq.calibration import loadcell
    from daq.calibration.checks import judge
    from daq.cli.progress import Progress
    from daq.recent import values

    Live(config, 2.0).values(channel)
    begun = clock.monotonic_ns()
    with Progress() as progress:
        while (passed := (clock.monotonic_ns() - begun) / clock.SECOND_NS) < span_s:
            progress(f"{passed:5.0f} of {span_s:.0f} s: leave the load alone")
            clock.sleep_ns(clock.SECOND_NS // 2)
    at, found = values(Live(config, span_s).result, channel)
    change = loadcell.creep(at, found)
    check = judge("creep", 100 * change, 0.03, 0.1, "%", f"creep within {span_s:g} s, of the load")
    tell([check], as_json)


PROCEDURES = (
    engine_off, free_air, same_pressure, roller_size, supply_volts, ground_offset, load_creep,
)  # fmt: skip
