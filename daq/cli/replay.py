"""`daq replay`: a run file from what was recorded, without hardware."""

from __future__ import annotations

from pathlib import Path

import click

from daq.cli.progress import Progress


@click.command()
@click.option("--config", required=True, type=click.Path(path_type=Path), help="Bench file.")
@click.option(
    "--wire",
    "wires",
    required=True,
    multiple=True,
    metavar="NAME=RECORDING[@PART]",
    help="Play RECORDING to the wire NAME; PART names one bus, or one wire of a journal, or is"
    " 'sent' for bytes that went to the device.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Run file to write.")
def command(config: Path, wires: tuple[str, ...], out: Path) -> None:
    """Make a run file from recordings as if they came over the wires of a bench.

    A recording is a journal of the daemon (its folder or one part), a CAN log (candump, ASC, BLF,
    TRC), or timed bytes of a serial line as CSV with the columns t_s,hex. Where a recording of
    requests lies beside one of answers, name the wire twice: line=answers.csv and
    line=requests.csv@sent.
    """
    from daq.bench import load_bench
    from daq.replay import WireSource, replay

    bench = load_bench(config)
    sources = [WireSource.parse(text) for text in wires]
    with Progress() as progress:
        written = replay(bench, sources, out, progress)
    from daq.runfile.summary import summary_lines

    for line in summary_lines(written):
        click.echo(line)
    click.echo(f"run file: {written}")
