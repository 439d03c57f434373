"""The aligned table for other programs: CSV, and netCDF with one flat list of variables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import h5py
import numpy as np

from daq.clock import SECOND_NS, iso_utc
from daq.errors import RunFileError
from daq.runfile import layout
from daq.runfile.content import AlignedContent, ColumnContent, RunContent
from daq.runfile.lay import FLAGS
from daq.runfile.node import Node
from daq.runfile.read import RunFile, read_run


def write_csv(run_path: Path, path: Path) -> None:
    """The aligned table of *run_path* as CSV: a row of names, a row of units, then numbers.

    Numbers are written so that reading them gives the same float64; no value is an empty field.
    Raises RunFileError when there is no aligned table or *path* cannot be written.
    """
    with RunFile(run_path) as run:
        aligned = _table(run_path, run.aligned())
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            _write_rows(file, aligned)
    except OSError as error:
        raise RunFileError(f"{path}: {error.strerror}") from None


def _write_rows(file: TextIO, aligned: AlignedContent) -> None:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["time", *(column.name for column in aligned.columns)])
    writer.writerow(["s", *(column.unit for column in aligned.columns)])
    values = [aligned.time, *(column.value for column in aligned.columns)]
    for row in zip(*(array.tolist() for array in values), strict=True):
        writer.writerow(["" if value != value else repr(value) for value in row])


def write_netcdf(run_path: Path, path: Path) -> None:
    """The aligned table of *run_path* as flat netCDF-4 whose time follows the CF conventions.

    ``time`` counts seconds since the run's zero as a UTC date, so that any CF program knows it.
    Raises RunFileError when there is no aligned table or *path* cannot be written.
    """
    content = read_run(run_path)
    aligned = _table(run_path, content.aligned)
    image = io.BytesIO()
    with h5py.File(image, "w", libver=layout.LIBVER, track_order=True) as file:
        root = Node(file["/"], {})
        root.attributes(dict(_global_attributes(content, run_path)))
        _variables(root, content, aligned)
    try:
        path.write_bytes(image.getbuffer())
    except OSError as error:
        raise RunFileError(f"{path}: {error.strerror}") from None


def _global_attributes(content: RunContent, run_path: Path) -> Iterator[tuple[str, str]]:
    yield "Conventions", "CF-1.11, ACDD-1.3"
    yield "title", content.title
    yield "summary", content.summary or "Channels of a run on a roller bench, on one time grid."
    yield "source", "roller bench"
    yield "id", content.run_id
    yield "history", "\n".join([*content.history, f"aligned table taken from {run_path.name}"])
    yield from content.about.items()


def _variables(root: Node, content: RunContent, aligned: AlignedContent) -> None:
    zero_ns = content.time_zero_utc_ns - content.time_zero_utc_ns % SECOND_NS
    since = iso_utc(zero_ns)[:19].replace("T", " ")
    root.axis("time", aligned.time + (content.time_zero_utc_ns - zero_ns) / SECOND_NS, {
        "standard_name": "time",
        "long_name": "time",
        "units": f"seconds since {since}Z",
        "calendar": "standard",
        "axis": "T",
    })  # fmt: skip
    for column in aligned.columns:
        _variable(root, column)


def _variable(root: Node, column: ColumnContent) -> None:
    name = column.name
    beside = [f"{name}_status"] if column.status is not None else []
    beside += [f"{name}_errors"] if column.uncertainty is not None else []
    root.array(name, column.value, ("time",), {
        "long_name": column.long_name,
        "units": column.unit,
        "_FillValue": np.float64("nan"),
        "ancillary_variables": " ".join(beside),
        "units_metadata": layout.temperature_metadata(column.unit, column.quantity),
    }, fill=float("nan"))  # fmt: skip
    if column.status is not None:
        about = {"long_name": f"status of {column.long_name}", **FLAGS["aligned"]}
        root.array(f"{name}_status", column.status, ("time",), about)
    if column.uncertainty is not None:
        about = {"long_name": f"standard uncertainty of {column.long_name}", "units": column.unit}
        root.array(f"{name}_errors", column.uncertainty, ("time",), about)


def _table(path: Path, aligned: AlignedContent | None) -> AlignedContent:
    if aligned is None:
        raise RunFileError(f"{path}: has no aligned table to export")
    return aligned
