"""`daq export`: the aligned table for programs that read no HDF5."""

from __future__ import annotations

from pathlib import Path

import click

from daq.errors import ConfigError


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="File to write; its ending says what: .csv or .nc (netCDF).",
)
def command(file: Path, out: Path) -> None:
    """Write the aligned table of the run file FILE as CSV or flat netCDF.

    The run file stays as it is. CSV: a row of names, a row of units, then the values in full; an
    empty field where there is none.
    """
    from daq.runfile.export import write_csv, write_netcdf

    writers = {".csv": write_csv, ".nc": write_netcdf}
    if out.suffix not in writers:
        raise ConfigError(f"--out {out}: expected a name that ends in .csv or .nc")
    writers[out.suffix](file, out)
    click.echo(f"written: {out}")
