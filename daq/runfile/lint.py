"""Does a file obey the layout's rules? For tests, and for whoever writes such files otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py

from daq.runfile import digest, layout
from daq.runfile.verify import open_file


def lint(path: Path, knows_unit: Callable[[str], bool] | None = None) -> list[str]:
    """Every breach of the layout's rules in the file at *path*; empty when there is none.

    *knows_unit* tells whether a unit's spelling is understood; without it units are not judged.
    Raises RunFileError when it is no run file.
    """
    found: list[str] = []
    with open_file(path) as file:
        for place, item in _objects(file["/"], "/"):
            rules = _group_rules if isinstance(item, h5py.Group) else _dataset_rules
            found += [f"{place}: {breach}" for breach in rules(item)]
            found += [f"{place}: {breach}" for breach in _attribute_rules(item, knows_unit)]
    return found


def _objects(group: h5py.Group, prefix: str) -> Iterator[tuple[str, h5py.HLObject]]:
    yield prefix, group
    for name, item in group.items():
        if isinstance(item, h5py.Group):
            yield from _objects(item, f"{prefix}{name}/")
        else:
            yield f"{prefix}{name}", item


def _group_rules(group: h5py.Group) -> Iterator[str]:
    if "NX_class" not in group.attrs:
        yield "no NX_class"
    for name in group:
        if not layout.NAME.fullmatch(name) or len(name) > layout.NAME_LENGTH:
            yield f"{name!r} does not follow {layout.NAME.pattern}"
    default = digest.attribute(group, "default")
    if default is not None and default not in group:
        yield f"default {default!r} does not exist"
    for key in ("signal", "axes"):
        name = digest.attribute(group, key)
        if name is not None and name not in group:
            yield f"{key} {name!r} does not exist"


def _dataset_rules(item: h5py.Dataset) -> Iterator[str]:
    kind = digest.dtype_name(item.dtype)
    if kind not in layout.DTYPES:
        yield f"type {item.dtype} is not in the layout"
    if kind == "str" and h5py.check_string_dtype(item.dtype).length is not None:
        yield "text of fixed length"
    if len(item.attrs) > layout.ATTRIBUTES_PER_DATASET:
        yield f"{len(item.attrs)} attributes"
    if not item.is_scale and any(len(dimension) != 1 for dimension in item.dims):
        yield "an axis without its dimension scale"
    if item.compression not in (None, "gzip") or item.fletcher32 or item.scaleoffset:
        yield f"stored by {item.compression}"
    beside = str(digest.attribute(item, "ancillary_variables", ""))
    for name in (*beside.split(), *str(digest.attribute(item, "coordinates", "")).split()):
        if name not in item.parent:
            yield f"refers to {name!r}, which does not exist"


def _attribute_rules(
    item: h5py.HLObject, knows_unit: Callable[[str], bool] | None
) -> Iterator[str]:
    for name in item.attrs:
        if name in digest.LEFT_OUT:
            continue
        value: Any = digest.attribute(item, name)
        dtype = getattr(value, "dtype", None)
        if not isinstance(value, str) and (dtype is None or str(dtype) not in layout.DTYPES):
            yield f"attribute {name!r} has type {dtype or type(value).__name__}"
        is_path = isinstance(value, str) and value.startswith("/run/") and " " not in value
        if is_path and value not in item.file:
            yield f"attribute {name!r} names {value}, which does not exist"
        is_unit = name == "units" or name.endswith("_units")
        if is_unit and knows_unit is not None and not knows_unit(str(value)):
            yield f"attribute {name!r}: nobody knows the unit {value!r}"
