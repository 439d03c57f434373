"""Groups being written: the only code that puts anything into an HDF5 file.

Whatever is written through a :class:`Node` obeys the layout: allowed types, a dimension scale on
every axis, at most eight attributes on a dataset, built-in filters. Chunks are deflated by isal and
handed to HDF5 as they are, which any HDF5 reader inflates with its own zlib.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import h5py
import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from daq.errors import RunFileError
from daq.runfile import layout
from daq.runfile.content import Facts, Quantity
from daq.runfile.digest import canonical, values_digest

TEXT = h5py.string_dtype("utf-8")
DEFLATE_LEVEL = 1
"""Of isal: levels 2 and 3 gain under 3 % on noisy counts and take up to twice the time."""


class Node:
    """One group being written; *ledger* collects the digest of each dataset's values by path."""

    def __init__(self, group: h5py.Group, ledger: dict[str, str], path: str = "") -> None:
        self._group, self._ledger, self.path = group, ledger, path
        self._names: set[str] = set()
        self._attributes: set[str] = set()
        self._scales: dict[str, h5py.Dataset] = {}

    def group(self, name: str, nx_class: str, attributes: Mapping[str, Any] | None = None) -> Node:
        """A new group of a NeXus base class."""
        self._check(name)
        made = self._group.create_group(name, track_order=True)
        node = Node(made, self._ledger, f"{self.path}/{name}")
        node.attributes({"NX_class": nx_class, **(attributes or {})})
        return node

    def attributes(self, attributes: Mapping[str, Any]) -> None:
        """Put attributes on this group; what is None or "" is left out."""
        twice = self._attributes & attributes.keys()
        if twice:
            raise RunFileError(
                f"{self.path}: two attributes would be called {min(twice)!r}; rename one"
            )
        self._attributes |= attributes.keys()
        _put(self._group, attributes, self.path)

    def facts(self, facts: Facts) -> None:
        """Facts as attributes: a quantity's unit and uncertainty stand beside its value."""
        self.attributes(spread(facts))

    def parameters(self, facts: Facts) -> None:
        """Facts with numbers as scalar datasets that carry a unit, texts as attributes."""
        for name, fact in facts.items():
            if isinstance(fact, str):
                self.attributes({name: fact})
            elif isinstance(fact, Quantity):
                self.number(
                    name, float(fact.value), {"units": fact.unit, "error": fact.uncertainty}
                )
            elif fact is not None:
                self.number(name, fact, {"units": "1"})

    def axis(
        self, name: str, values: NDArray[Any], attributes: Mapping[str, Any] | None = None
    ) -> None:
        """A dimension scale with values."""
        data = self._store(name, values, fill=None, shuffle=True)
        _put(data, attributes or {}, self._where(name))
        data.make_scale(name)
        self._scales[name] = data

    def dimension(self, name: str, size: int) -> None:
        """A dimension scale without values, as netCDF-4 writes it; takes no space."""
        self._check(name)
        data = self._group.create_dataset(name, (size,), np.int32, **_empty(size))
        h5py.h5ds.set_scale(data.id, f"{layout.PURE_DIMENSION} {size:10d}".encode())
        self._scales[name] = data

    def array(
        self,
        name: str,
        values: NDArray[Any],
        axes: Sequence[str],
        attributes: Mapping[str, Any] | None = None,
        *,
        fill: float | None = None,
        shuffle: bool = True,
    ) -> None:
        """An array; *axes* name its dimension scales in this group.

        *fill* becomes the fill value, and what equals it takes no space. *shuffle* sorts the bytes
        by significance before deflating: right for counts and times, wrong for a float that takes
        few distinct values.
        """
        data = self._store(name, values, fill, shuffle)
        _put(data, attributes or {}, self._where(name))
        self._attach(data, axes)

    def texts(self, name: str, values: Iterable[str], axis: str) -> None:
        """A list of texts on one axis."""
        self._check(name)
        array = np.array([*map(storable, values), ""], dtype=object)[:-1]
        data = self._group.create_dataset(name, array.shape, TEXT, **_empty(len(array)))
        if len(array):
            data[...] = array
        self._ledger[self._where(name)] = values_digest(array)
        self._attach(data, (axis,))

    def text(self, name: str, value: str, attributes: Mapping[str, Any] | None = None) -> None:
        """One text."""
        self._check(name)
        value = storable(value)
        data = self._group.create_dataset(name, data=value, dtype=TEXT)
        self._ledger[self._where(name)] = values_digest(value)
        _put(data, attributes or {}, self._where(name))

    def number(
        self, name: str, value: float | bool, attributes: Mapping[str, Any] | None = None
    ) -> None:
        """One number: float64, int64, or uint8 for true and false."""
        self._check(name)
        array = np.asarray(np.uint8(value) if isinstance(value, bool) else value)
        data = self._group.create_dataset(name, data=array)
        self._ledger[self._where(name)] = values_digest(array)
        _put(data, attributes or {}, self._where(name))

    def _where(self, name: str) -> str:
        return f"{self.path}/{name}"

    def _check(self, name: str) -> None:
        layout.check_name(name, self.path)
        if name in self._names:
            raise RunFileError(f"{self._where(name)}: two things would have this name; rename one")
        self._names.add(name)

    def _attach(self, data: h5py.Dataset, axes: Sequence[str]) -> None:
        for number, (axis, size) in enumerate(zip(axes, data.shape, strict=True)):
            scale = self._scales[axis]
            if scale.shape != (size,):
                raise RunFileError(
                    f"{data.name}: has {size} values on axis {axis!r}, which has {scale.shape[0]}"
                )
            h5py.h5ds.attach_scale(data.id, scale.id, number)

    def _store(
        self, name: str, values: NDArray[Any], fill: float | None, shuffle: bool
    ) -> h5py.Dataset:
        self._check(name)
        if str(values.dtype.newbyteorder("=")) not in layout.DTYPES:
            raise RunFileError(f"{self._where(name)}: type {values.dtype} is not in the layout")
        array = canonical(values)
        self._ledger[self._where(name)] = values_digest(array)
        if array.nbytes <= layout.CONTIGUOUS_BYTES:
            data = self._group.create_dataset(
                name, array.shape, array.dtype, fillvalue=fill, **_empty(array.size)
            )
            if not _equals(array, fill or 0):
                data[...] = array
            return data
        return self._store_chunks(name, array, fill, shuffle and array.itemsize > 1)

    def _store_chunks(
        self, name: str, array: NDArray[Any], fill: float | None, shuffle: bool
    ) -> h5py.Dataset:
        row = array[0].nbytes
        rows = min(len(array), max(1, layout.CHUNK_BYTES // row))
        data = self._group.create_dataset(
            name, array.shape, array.dtype, chunks=(rows, *array.shape[1:]), fillvalue=fill,
            shuffle=shuffle, compression="gzip", compression_opts=DEFLATE_LEVEL,
        )  # fmt: skip
        rest = (0,) * (array.ndim - 1)
        for first in range(0, len(array), rows):
            chunk = array[first : first + rows]
            if not _equals(chunk, fill or 0):
                data.id.write_direct_chunk((first, *rest), _deflate(_padded(chunk, rows), shuffle))
        return data


def _empty(size: int) -> dict[str, Any]:
    """How to store an array without values: as netCDF-4 does, which h5repack can take too."""
    return {} if size else {"maxshape": (None,), "chunks": (1,)}


def _equals(chunk: NDArray[Any], fill: float) -> bool:
    if not chunk.size:
        return True
    if fill != fill:
        return bool(np.isnan(chunk).all())
    return chunk.flat[0] == fill and bool((chunk == fill).all()) and not _has_minus_zero(chunk)


def _has_minus_zero(chunk: NDArray[Any]) -> bool:
    return chunk.dtype.kind == "f" and bool(np.signbit(chunk).any())


def _padded(chunk: NDArray[Any], rows: int) -> NDArray[Any]:
    """The last chunk of an array, filled up: HDF5 stores whole chunks."""
    if len(chunk) == rows:
        return chunk
    full = np.zeros((rows, *chunk.shape[1:]), chunk.dtype)
    full[: len(chunk)] = chunk
    return full


def _deflate(chunk: NDArray[Any], shuffle: bool) -> bytes:
    data = chunk.reshape(-1).view(np.uint8)
    if shuffle:
        data = np.ascontiguousarray(data.reshape(-1, chunk.itemsize).T).reshape(-1)
    deflated: bytes = isal_zlib.compress(data, DEFLATE_LEVEL)
    return deflated


def storable(text: str) -> str:
    """*text* as HDF5 can hold it: NUL as its picture, what is not Unicode as question marks."""
    return text.encode("utf-8", "replace").decode().replace("\0", "\N{SYMBOL FOR NULL}")


def spread(facts: Facts) -> dict[str, Any]:
    """Facts as attributes: ``x`` with ``x_units`` and ``x_uncertainty`` for a quantity."""
    attributes: dict[str, Any] = {}
    for name, fact in facts.items():
        if isinstance(fact, Quantity):
            attributes[name] = float(fact.value)
            attributes[f"{name}_units"] = fact.unit
            attributes[f"{name}_uncertainty"] = fact.uncertainty
        else:
            attributes[name] = fact
    return attributes


def _put(item: h5py.HLObject, attributes: Mapping[str, Any], where: str) -> None:
    written = 0
    for name, value in attributes.items():
        if value is None or (isinstance(value, str) and not value):
            continue
        _put_one(item, name, value, where)
        written += 1
    if isinstance(item, h5py.Dataset) and written >= layout.ATTRIBUTES_PER_DATASET:
        raise RunFileError(
            f"{where}: more attributes than a dataset may have; put them into its _info group"
        )


def _put_one(item: h5py.HLObject, name: str, value: Any, where: str) -> None:
    if isinstance(value, str):
        item.attrs.create(name, storable(value), dtype=TEXT)
    elif isinstance(value, bool):
        item.attrs.create(name, np.uint8(value))
    elif str(np.asarray(value).dtype) in layout.DTYPES:
        item.attrs.create(name, value)
    else:
        raise RunFileError(f"{where}: attribute {name!r}: {value!r} is no text and no number")
