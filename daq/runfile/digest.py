"""Content digests ``daq-content-sha256-v1``: what a file says, however it is stored.

Every object has the SHA-256 of one JSON text (compact, UTF-8)::

    [kind, dtype, shape, axes, [[name, dtype, value], ...], values]

* kind: "group" or "dataset"; for a group dtype is "", shape and axes are [], values is "".
* dtype: int32, int64, float64, uint8 or str; axes: name of each axis's dimension scale, "" if none.
* attributes sorted by name. An attribute of one element counts as a scalar; integers as they are,
  floats as C99 hexadecimal text with every NaN "nan".
* values: SHA-256 of the values, little-endian, in C order, every NaN 0x7ff8000000000000; of text,
  each element's UTF-8 after its length in bytes as 8 bytes little-endian.

Left out are attributes that say how the file is stored (``LEFT_OUT``), scales that hold no values,
and the integrity group itself. A manifest lists ``sha256  path``, sorted by path, one per line; the
root digest is the SHA-256 of the manifest. Storage filters, chunks, format version, fixed or
variable string storage and copies by netCDF tools do not change it.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from daq.runfile.layout import INTEGRITY, PURE_DIMENSION

ALGORITHM = "daq-content-sha256-v1"
LEFT_OUT = frozenset({
    "DIMENSION_LIST", "REFERENCE_LIST", "CLASS", "NAME", "DIMENSION_LABELS",
    "_Netcdf4Dimid", "_Netcdf4Coordinates", "_nc3_strict", "_NCProperties",
    "HDF5_Version", "h5py_version",
})  # fmt: skip
QUIET_NAN = np.float64("nan")


def canonical(values: NDArray[Any]) -> NDArray[Any]:
    """*values* little-endian, C-contiguous, with one kind of NaN; a copy only when needed."""
    array = np.ascontiguousarray(values, values.dtype.newbyteorder("<"))
    if array.dtype.kind == "f":
        nan = np.isnan(array)
        if nan.any():
            array = np.where(nan, QUIET_NAN, array)
    return array.reshape(values.shape)


def values_digest(values: Any) -> str:
    """SHA-256 of an array's, a number's or texts' values in canonical form."""
    array = np.asarray(values)
    if array.dtype.kind not in "OSU":
        return hashlib.sha256(canonical(array).reshape(-1).view(np.uint8).data).hexdigest()
    total = hashlib.sha256()
    for item in array.ravel():
        data = item if isinstance(item, bytes) else str(item).encode()
        total.update(len(data).to_bytes(8, "little"))
        total.update(data)
    return total.hexdigest()


def dtype_name(dtype: Any) -> str:
    """``int32`` ... or ``str`` for text however it is stored."""
    return "str" if dtype.kind in "OSU" else str(dtype.newbyteorder("="))


def is_pure_dimension(item: h5py.Dataset) -> bool:
    """True for a dimension scale that only gives an axis its name and length."""
    if b"NAME" not in _attribute_names(item):
        return False
    return str(attribute(item, "NAME")).startswith(PURE_DIMENSION)


def _attribute_names(item: h5py.HLObject) -> list[bytes]:
    names: list[bytes] = []
    h5py.h5a.iterate(item.id, names.append)
    return names


class Digester:
    """Digests of the objects of an open run file."""

    def __init__(self, file: h5py.File, known: Mapping[str, str] | None = None) -> None:
        """*known*: digests of values by path, for a writer that has the values at hand."""
        self.known = known or {}
        self.items: dict[str, h5py.HLObject] = {"/": file["/"]}
        self._address: dict[int, str] = {}
        self._walk(file["/"], "/")

    def _walk(self, group: h5py.Group, prefix: str) -> None:
        for name in group:
            path = prefix + name
            if path == INTEGRITY:
                continue
            item = group[name]
            if isinstance(item, h5py.Dataset):
                self._address[h5py.h5o.get_info(item.id).addr] = name
                if is_pure_dimension(item):
                    continue
            self.items[path] = item
            if isinstance(item, h5py.Group):
                self._walk(item, path + "/")

    def object(self, path: str) -> str:
        """SHA-256 of the object at *path*; OSError when its values cannot be read."""
        item = self.items[path]
        if isinstance(item, h5py.Group):
            head: list[Any] = ["group", "", [], [], _attributes(item), ""]
        else:
            values = self.known.get(path) or values_digest(item[()])
            name = dtype_name(item.dtype)
            head = ["dataset", name, item.shape, self._axes(item), _attributes(item), values]
        text = json.dumps(head, separators=(",", ":"), ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()

    def _axes(self, item: h5py.Dataset) -> list[str]:
        if item.is_scale:
            return [item.name.rsplit("/", 1)[-1]]
        if b"DIMENSION_LIST" not in _attribute_names(item):
            return [""] * item.ndim
        return [self._axis(item, scales) for scales in item.attrs["DIMENSION_LIST"]]

    def _axis(self, item: h5py.Dataset, scales: Any) -> str:
        if not len(scales):
            return ""
        scale = h5py.h5r.dereference(scales[0], item.id)
        return self._address.get(h5py.h5o.get_info(scale).addr, "") if scale else ""

    def __iter__(self) -> Iterator[str]:
        return iter(sorted(self.items))


def _attributes(item: h5py.HLObject) -> list[list[Any]]:
    names = sorted(name.decode() for name in _attribute_names(item))
    return [[n, *_attribute(item.attrs[n])] for n in names if n not in LEFT_OUT]


def attribute(item: h5py.HLObject, name: str, default: Any = None) -> Any:
    """An attribute as text, number or array, however a copying tool left it: one element counts
    as a scalar, bytes as UTF-8."""
    value = item.attrs.get(name, default)
    if isinstance(value, h5py.Empty):
        return ""
    if isinstance(value, np.ndarray) and value.size == 1:
        value = value.ravel()[0]
    return value.decode() if isinstance(value, bytes) else value


def _attribute(value: Any) -> tuple[str, Any]:
    if isinstance(value, h5py.Empty):
        return "str", ""
    array = np.asarray(value)
    name = dtype_name(array.dtype)
    items = [_plain(item) for item in array.ravel().tolist()]
    return name, items[0] if len(items) == 1 else items


def _plain(item: Any) -> Any:
    if isinstance(item, float):
        return "nan" if math.isnan(item) else item.hex()
    return item.decode() if isinstance(item, bytes) else item


def manifest(entries: Mapping[str, str]) -> str:
    """The manifest's text of digests by path."""
    return "".join(f"{entries[path]}  {path}\n" for path in sorted(entries))


def entries_of(text: str) -> dict[str, str]:
    """Digests by path of a manifest's text."""
    pairs = (line.split("  ", 1) for line in text.splitlines())
    return {path: digest for digest, path in pairs}


def text_digest(text: str) -> str:
    """SHA-256 of a text's UTF-8."""
    return hashlib.sha256(text.encode()).hexdigest()
