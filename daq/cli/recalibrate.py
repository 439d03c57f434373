"""`daq recalibrate`: a run file's values computed again with another calibration record."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--calibration",
    "records",
    required=True,
    multiple=True,
    type=click.Path(path_type=Path),
    help="Calibration record (TOML); it names its channel. Give it again for a further channel.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run file to write.")
def command(file: Path, records: tuple[Path, ...], out: Path) -> None:
    """Compute values of the run file FILE again with another calibration record.

    FILE itself is never changed. In the new file what was recorded is untouched, the calibration
    used before is kept as superseded, and the channel, whatever is computed from it and its column
    of the aligned table are those that the record gives.
    """
    from datetime import UTC, datetime

    from daq import clock
    from daq.calibration import store
    from daq.recalibrate import recalibrate

    now = clock.realtime_ns()
    found = [store.read(path) for path in records]
    done = recalibrate(file, found, out, clock.iso_utc(now))
    moment = datetime.fromtimestamp(now / clock.SECOND_NS, UTC)
    for name, record in zip(done.calibrated, found):
        click.echo(f"channel {name}: calibrated with {record.name}")
        for finding in record.state(moment):
            click.echo(f"warning: {record.name}: {finding.text}")
    if done.dependent:
        click.echo(f"changed with it: {', '.join(done.dependent)}")
    for note in done.notes:
        click.echo(f"note: {note}")
    click.echo(f"run file: {out}")
