"""`daq calibrate`: a sensor calibrated point by point, or checked by a procedure of the trade."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from daq.cli import calibrate_checks as checks
from daq.cli.calibrate_checks import Procedure, config_option
from daq.errors import CalibrationError

if TYPE_CHECKING:
    from daq.calibration.document import Point
    from daq.cli.candidate import Candidate
    from daq.cli.subject import Readings, Subject

Command = TypeVar("Command", bound=Callable[..., Any])
PATH = click.Path(path_type=Path)


class Procedures(click.Group):
    """Procedures by name; anything else is the name of a channel to calibrate point by point.

    Procedures are hyphenated and channels are not, so they never collide.
    """

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """A procedure, or the guided calibration of a channel."""
        if args and args[0] not in self.commands and "-" not in args[0]:
            args = ["point-by-point", *args]
        return super().resolve_command(ctx, args)


@click.group(cls=Procedures, subcommand_metavar="CHANNEL [OPTIONS] | PROCEDURE ...")
def command() -> None:
    """Calibrate a channel point by point, or check a sensor.

    \b
    daq calibrate oil_pressure                     from live readings
    daq calibrate oil_pressure --from points.csv   from points taken elsewhere
    daq calibrate brake_load --help                what else it takes
    daq calibrate dead-weights brake_load          the load cell: first of all, as its
                                                   error passes one to one into power

    Live readings come from the daemon (daq serve), which goes on recording and is not disturbed.
    """


OPTIONS = (
    click.option("--from", "source", type=PATH, help="CSV of points; no hardware is needed."),
    config_option,
    click.option("--template", type=PATH, help="Record to begin from, in place of a bench file."),
    click.option("--out", type=PATH, help="Where the new record goes; else the channel's own."),
    click.option("--by", default="", help="Who calibrates; else the bench's operator."),
    click.option("--why", default="", help="Why, for the history."),
    click.option("--method", default="", help="How, in words, for the record."),
    click.option("--valid-until", default="", help="Date, as in 2027-03-31."),
    click.option("--reference-file", type=PATH,
                 help="TOML with the reference instrument: name, serial_number, certificate,"
                 " certificate_valid_until, expanded_uncertainty, coverage_factor."),
    click.option("--same-reference", is_flag=True,
                 help="The reference instrument of the record in force was used again."),
    click.option("--temperature", type=float, help="Of the room, in °C."),
    click.option("--sensor-uncertainty", type=float, default=0.0,
                 help="Standard uncertainty that the points cannot show: drift, temperature."),
    click.option("--at", "places", type=float, multiple=True,
                 help="Reading at which to tell the expanded uncertainty; again for more."),
    click.option("--picture", type=PATH, help="Residual picture, .png or .svg."),
    click.option("--window", "window_s", default=2.0, show_default=True, help="Seconds averaged."),
    click.option("--patience", "patience_s", default=60.0, show_default=True,
                 help="Longest wait for a reading to settle, in s."),
    click.option("--drift-limit", type=float,
                 help="Raw units that a reading may move over the window."),
    click.option("--accept/--discard", "decision", default=None,
                 help="Decide now; without either, you are asked."),
    click.option("--json", "as_json", is_flag=True, help="Print for a script."),
)  # fmt: skip


def _with_options(function: Command) -> Command:
    for option in reversed(OPTIONS):
        function = option(function)
    return function


@command.command("point-by-point", cls=Procedure)
@click.argument("channel")
@click.option("--quantity", help="What it measures, where it has no record yet.")
@click.option("--unit", help="Unit of the values, where it has no record yet.")
@click.option("--full-scale-v", type=float, help="Volts at the input's highest count, likewise.")
@click.option("--reference-channel", default="", help="Channel that gives the reference values.")
@click.option(
    "--reference-uncertainty",
    type=float,
    default=0.0,
    help="Standard uncertainty of each reference value, beside the instrument's.",
)
@click.option("--degree", type=click.IntRange(1, 5), help="Of the polynomial, if you know better.")
@_with_options
def points(channel: str, degree: int | None, **options: Any) -> None:
    """Calibrate CHANNEL: take points, see what they give, accept or discard.

    A point is taken when the reading has settled. Go up and then down again through the range, at
    five levels or more. The CSV has a line of names and then one point a line: reading (indication)
    and reference; if you have them reference_uncertainty, indication_noise, direction.
    """
    from daq.cli.candidate import candidate_of

    with _plainly():
        subject = _subject(channel, options)
        taken = _points(subject, options)
        _decide(candidate_of(subject, taken, degree, _facts(subject, options)), options)


@command.command("dead-weights", cls=Procedure)
@click.argument("channel")
@click.option("--gravity", type=float, help="Local gravity in m/s²; else by the bench's place.")
@click.option(
    "--lever", default=1.0, show_default=True, help="Arm of the weights over the arm of the cell."
)
@click.option(
    "--shared-uncertainty",
    type=float,
    default=0.0,
    help="Standard uncertainty that all weights share, as a fraction: set, lever.",
)
@_with_options
def dead_weights(
    channel: str, gravity: float | None, lever: float, shared_uncertainty: float, **options: Any
) -> None:
    """Calibrate the load cell CHANNEL by dead weights in kg, up and down, empty arm first and last.

    Six weights or more. Lock the rollers, secure the weights, keep clear of the drop. Weights on an
    arm of another length than the cell's: give --lever. A CSV has the columns mass_kg, indication
    and, if you have it, direction.
    """
    from daq.cli.dead_weights import candidate_by_weights

    with _plainly():
        subject = _subject(channel, options)
        taken = _points(subject, options, by_mass=True)
        facts = _facts(subject, options)
        facts["uncertainty"]["relative"] = shared_uncertainty
        candidate, told = candidate_by_weights(subject, taken, gravity, lever, facts)
        _decide(candidate, options, told)


@contextmanager
def _plainly() -> Iterator[None]:
    """A procedure's refusal of numbers is a user's mistake, told without a traceback."""
    try:
        yield
    except ValueError as error:
        raise CalibrationError(str(error)) from None


def _subject(channel: str, options: dict[str, Any]) -> Subject:
    from daq.cli.subject import subject_of

    config, template, out = (options[name] for name in ("config", "template", "out"))
    return subject_of(channel, config, template, out, options)


def _facts(subject: Subject, options: dict[str, Any]) -> dict[str, Any]:
    """Who, when, where, how, with what: the tables of the new record."""
    from daq import clock
    from daq.config import read_toml

    bench = subject.bench
    by = options["by"] or (bench.operator if bench else "")
    if not by:
        by = click.prompt("who calibrates", err=True)
    options["by"] = by
    performed = {
        "at": clock.iso_utc(clock.realtime_ns()),
        "by": by,
        "location": bench.bench.location if bench else "",
        "method": options["method"],
        "valid_until": options["valid_until"],
        "condition": "after adjustment",
    }
    before = subject.tables.get("reference") if options["same_reference"] else None
    if options["reference_file"]:
        table = read_toml(options["reference_file"])
        before = table.get("reference", table)
    conditions = {"temperature_degc": options["temperature"]}
    facts = {
        "performed": {name: value for name, value in performed.items() if value},
        "reference": before,
        "environment": {name: value for name, value in conditions.items() if value is not None},
        "uncertainty": {"value": options["sensor_uncertainty"]},
    }
    if before is None:
        subject.tables.pop("reference", None)
        del facts["reference"]
    return facts


# --- points


def _points(
    subject: Subject, options: dict[str, Any], *, by_mass: bool = False
) -> tuple[Point, ...]:
    from daq.calibration import guide
    from daq.cli.subject import Readings

    source = options["source"]
    if source is not None:
        try:
            text = source.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise CalibrationError(f"{source}: {error}") from None
        found = list(guide.read_csv(_in_csv_words(text, by_mass), str(source)))
    else:
        readings = Readings(
            subject,
            options["window_s"],
            options["drift_limit"],
            options.get("reference_channel", ""),
        )
        found = _take_points(readings, options, "weights in kg" if by_mass else "")
    return guide.directed(found)


def _in_csv_words(text: str, by_mass: bool) -> str:
    """The header of weights names masses where that of points names references."""
    return text.replace("mass_kg", "reference", 1) if by_mass else text


def _take_points(readings: Readings, options: dict[str, Any], asked: str) -> list[Point]:
    """Ask for reference values and take a point for each, until the user is done."""
    from daq.cli.subject import words

    subject = readings.subject
    wanted = asked or f"{subject.quantity.replace('_', ' ')} in {subject.unit}"
    say = _teller(options)
    say(f"{subject.name}: {words(subject, readings.look())}")
    say(f"set it up, then type the reference: {wanted}; Enter: take or show a reading;")
    say("undo: drop the last point; done: fit; quit: give up")
    taken: list[Point] = []
    while True:
        typed = click.prompt(
            f"point {len(taken) + 1}", default="", show_default=False, err=True
        ).strip()
        if typed in ("quit", "q"):
            say(f"the points are kept in {_kept(subject)}; go on with --from")
            raise click.Abort
        if typed in ("done", "d", "fit"):
            return taken
        try:
            _obey(typed, taken, readings, options, say)
        except CalibrationError as error:
            say(str(error))
        _keep(subject, taken)


def _obey(
    typed: str,
    taken: list[Point],
    readings: Readings,
    options: dict[str, Any],
    say: Callable[[str], None],
) -> None:
    """One answer of the user: a reference value, undo, or nothing."""
    from daq.calibration import guide
    from daq.cli.subject import words

    subject = readings.subject
    if typed in ("undo", "u"):
        taken[:] = guide.without(taken, len(taken) - 1)
        say(f"points left: {len(taken)}")
    elif not typed and not readings.reference_channel:
        say(words(subject, readings.look()))
    else:
        value = _number(typed) if typed else None
        look = readings.settled(options["patience_s"])
        point = guide.take(
            look.reading,
            subject.signal,
            look.reference if value is None else value,
            reference_uncertainty=look.reference_uncertainty
            if value is None
            else options.get("reference_uncertainty", 0.0),
            supply_v=look.supply_v,
        )
        taken.append(point)
        say(
            f"taken: {point.indication:.6g} {subject.signal_unit}"
            f" ± {point.indication_noise:.2g} at {point.reference:g}"
        )


def _number(typed: str) -> float:
    try:
        return float(typed.replace(",", "."))
    except ValueError:
        raise CalibrationError(f"{typed!r}: expected a number, undo, done or quit") from None


def _kept(subject: Subject) -> Path:
    return subject.path.with_name(f"{subject.path.stem}.points.csv")


def _keep(subject: Subject, taken: Sequence[Point]) -> None:
    """Keep the points beside the record, so that nothing is lost when the session ends here."""
    place = _kept(subject)
    rows = [
        f"{p.indication!r},{p.reference!r},{p.reference_uncertainty!r},{p.indication_noise!r}"
        for p in taken
    ]
    text = "\n".join(["indication,reference,reference_uncertainty,indication_noise", *rows, ""])
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CalibrationError(f"{place}: points cannot be kept: {error.strerror}") from None


# --- the end


def _teller(options: dict[str, Any]) -> Callable[[str], None]:
    """Where words go: with --json standard output is the script's alone."""
    return lambda text: click.echo(text, err=options["as_json"])


def _decide(candidate: Candidate, options: dict[str, Any], told: Sequence[str] = ()) -> None:
    """Show what was found, ask, and put the record in force or keep it as discarded."""
    from datetime import UTC, datetime

    from daq import clock
    from daq.cli import candidate as made
    from daq.cli import print_json

    say, places = _teller(options), list(options["places"])
    now_ns = clock.realtime_ns()
    moment = datetime.fromtimestamp(now_ns / clock.SECOND_NS, UTC)
    for line in (*made.lines(candidate, places, moment), *told):
        say(line)
    if options["picture"]:
        made.draw(candidate, options["picture"])
        say(f"picture: {options['picture']}")
    decision = options["decision"]
    if decision is None:
        decision = click.confirm("accept it", default=False, err=True)
    act = made.accept if decision else made.discard
    act(candidate, clock.iso_utc(now_ns), options["by"], options["why"])
    _tell_end(candidate, decision, say)
    if options["as_json"]:
        told_too = {"notes": list(told), "accepted": decision, "file": candidate.subject.path}
        print_json({**made.data(candidate, places), **told_too})


def _tell_end(candidate: Candidate, accepted: bool, say: Callable[[str], None]) -> None:
    from daq.cli.candidate import history_of

    subject = candidate.subject
    if not accepted:
        say(f"discarded; kept in {history_of(subject.path)}")
        return
    say(f"record: {subject.path}")
    say(f"history: {history_of(subject.path)}")
    channel = subject.channel
    if channel is not None and not channel.config.calibration:
        say(
            f"write into the bench file, under [device.{channel.device}.channel.{subject.name}]:"
            f' calibration = "calibrations/{subject.path.name}"'
        )
    if subject.bench is not None:
        say("the daemon uses it once it is started again; runs before: daq recalibrate")


for procedure in checks.PROCEDURES:
    command.add_command(procedure)
