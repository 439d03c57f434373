"""`daq timing`: how each channel's times were made, how good they are, and a picture of it."""

from __future__ import annotations

from pathlib import Path

import click

from daq.cli import print_json
from daq.errors import ConfigError


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print for a script.")
@click.option(
    "--picture", type=click.Path(path_type=Path), help="Draw two channels over each other: an .svg."
)
@click.option("--channels", nargs=2, metavar="ONE TWO", help="Which two; engine speeds otherwise.")
def command(
    file: Path, as_json: bool, picture: Path | None, channels: tuple[str, str] | None
) -> None:
    """Tell how the times in the run file FILE were made.

    For each channel: the method, rates achieved and wanted, the spread of its spacing as it arrived
    and afterwards, its clock's drift, the latency taken off, the uncertainty, gaps, and stalls of
    the reader; then why each latency is what it is.
    """
    from daq.runfile.read import read_run
    from daq.timing_report import report_lines, timing_report

    if picture is not None and picture.suffix != ".svg":
        raise ConfigError(f"--picture {picture}: expected a name that ends in .svg")
    content = read_run(file)
    report = timing_report(content)
    if picture is not None:
        from daq.line_up import panels, svg, usual_pair

        pair = channels or usual_pair(content)
        picture.write_text(svg(panels(content, *pair), content.title), encoding="utf-8")
    if as_json:
        print_json(report)
        return
    for line in report_lines(report):
        click.echo(line)
    if picture is not None:
        click.echo(f"picture: {picture}")
