"""Typed configuration: TOML tables into frozen dataclasses, with every mistake named at once.

A configuration is a frozen dataclass. A key's type is its annotation; its unit, range and choices
are given by :func:`key`. Unknown keys are refused with the nearest known name.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from daq.errors import ConfigError

T = TypeVar("T")
_WORDS = {int: "a whole number", float: "a number", str: "a text", bool: "true or false"}


def key(
    default: Any = dataclasses.MISSING,
    *,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    choices: tuple[Any, ...] | None = None,
    help: str = "",  # noqa: A002 - the word a reader expects
    factory: Any = dataclasses.MISSING,
) -> Any:
    """One key of a configuration: its default, unit, inclusive range or choices, and help text."""
    metadata = {"unit": unit, "low": low, "high": high, "choices": choices, "help": help}
    if factory is not dataclasses.MISSING:
        return dataclasses.field(default_factory=factory, metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


MOST_NAMES = 12
"""As many names as a message lists; of more it tells the number."""
MOST_LETTERS = 80
"""As much of a value or line as a message shows."""


def nearest(word: str, known: typing.Iterable[str]) -> str:
    """`; did you mean 'x'?` for the nearest of *known*, or the list of what is known."""
    names = sorted(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.55)
    if close:
        return f"; did you mean {close[0]!r}?"
    parts = re.split(r"[^a-z0-9]+", word.lower())
    alike = [name for name in names if parts[-1] and parts[-1] in name.lower().split("_")]
    if len(alike) == 1:
        return f"; did you mean {alike[0]!r}?"
    if alike and len(names) > MOST_NAMES:
        return f"; did you mean one of {', '.join(alike[:MOST_NAMES])}?"
    if len(names) > MOST_NAMES:
        return f"; {len(names)} are known, among them {', '.join(names[:MOST_NAMES])}"
    return f"; known: {', '.join(names)}" if names else ""


class Problems:
    """Collects every mistake of a configuration in the user's path and words."""

    def __init__(self, file: str | Path = "") -> None:
        self.file = str(file)
        self.found: list[str] = []

    def add(self, where: str, text: str) -> None:
        """Note one mistake at the dotted key path *where*."""
        self.found.append(": ".join(part for part in (self.file, where, text) if part))

    def raise_if_any(self) -> None:
        """Raise ConfigError with all of them; nothing when there are none."""
        if self.found:
            raise ConfigError(self.found)


def read_toml(path: Path) -> dict[str, Any]:
    """The tables of a TOML file.

    Raises ConfigError naming the file and, for a syntax error, the line.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from None
    return parse_toml(content, path)


def parse_toml(content: bytes, file: str | Path) -> dict[str, Any]:
    """The tables of a TOML document; ConfigError as :func:`read_toml`, with what the line says."""
    try:
        text = content.decode()
        return tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{file}: byte {error.start} is not UTF-8; save the file as UTF-8"
        ) from None
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        said = text.splitlines()[int(found[1]) - 1].strip() if found else ""
        raise ConfigError(
            f"{file}: not valid TOML: {error}{f': {said[:MOST_LETTERS]}' if said else ''}"
        ) from None


def load(cls: type[T], table: Mapping[str, Any], *, file: str | Path = "", where: str = "") -> T:
    """Build *cls* from *table*.

    Raises ConfigError with all mistakes at once.
    """
    problems = Problems(file)
    value = build(cls, table, where, problems)
    problems.raise_if_any()
    assert value is not None
    return value


def build(
    cls: type[T],
    table: Mapping[str, Any],
    where: str,
    problems: Problems,
    beside: typing.Iterable[str] = (),
) -> T | None:
    """Build the dataclass *cls* from *table*, adding every mistake to *problems*.

    *beside* names keys that stand in the same table and are read by someone else: not allowed in
    *table*, but perhaps meant by a misspelt one. Returns None when anything is wrong. A
    ``ValueError`` or ``ConfigError`` raised by the class's ``__post_init__`` is one more mistake
    at *where*.
    """
    hints = _hints(cls)  # type: ignore[arg-type]
    fields = {f.name: f for f in dataclasses.fields(cls) if f.init}  # type: ignore[arg-type]
    before = len(problems.found)
    for name in table:
        if name not in fields:
            inner = [n for n in fields if name in _keys_within(hints[n])]
            meant = f"; it belongs into {inner[0]}" if inner else nearest(name, [*fields, *beside])
            problems.add(join(where, name), f"no such key{meant}")
    values: dict[str, Any] = {}
    for name, field in fields.items():
        if name in table:
            ok, value = _convert(hints[name], table[name], join(where, name), field, problems)
            if ok:
                values[name] = value
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            wanted = f"missing; expected {_expected(hints[name], field)}{_help(field)}"
            problems.add(join(where, name), wanted)
    if len(problems.found) > before:
        return None
    try:
        return cls(**values)
    except ConfigError as error:
        for problem in error.problems:
            problems.add(where, problem)
    except ValueError as error:
        problems.add(where, str(error))
    return None


@cache
def _hints(cls: type) -> dict[str, Any]:
    return typing.get_type_hints(cls)


def _keys_within(hint: Any) -> list[str]:
    """Keys of the table that a key of type *hint* takes; none where it takes no single table."""
    for option in typing.get_args(hint) or (hint,):
        if dataclasses.is_dataclass(option) and not _is_list(hint):
            return [f.name for f in dataclasses.fields(option)]
    return []


def _is_list(hint: Any) -> bool:
    return typing.get_origin(hint) in (tuple, list)


def join(where: str, name: str) -> str:
    """The dotted path of key *name* in the table *where*."""
    return f"{where}.{name}" if where else name


def to_plain(value: Any) -> Any:
    """A configuration as plain dicts, lists, texts and numbers, as JSON and TOML know them."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(name): to_plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple | frozenset | set):
        return [to_plain(item) for item in value]
    if isinstance(value, Path):
        return str(value)
    return value


def _convert(
    hint: Any, value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    """(True, value as the type *hint* wants it) or (False, None) after noting the mistake."""
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        options = [option for option in typing.get_args(hint) if option is not types.NoneType]
        if len(options) == 1:
            return _convert(options[0], value, where, field, problems)
        return _convert_union(options, value, where, field, problems)
    if dataclasses.is_dataclass(hint):
        return _convert_table(hint, value, where, field, problems)
    if origin in (tuple, list):
        return _convert_list(hint, value, where, field, problems)
    if origin in (dict, Mapping) or origin is typing.get_origin(Mapping[str, Any]):
        return _convert_mapping(hint, value, where, field, problems)
    if origin is typing.Literal:
        if value in typing.get_args(hint):
            return True, value
        problems.add(where, _refusal(hint, value, field))
        return False, None
    return _convert_scalar(hint, value, where, field, problems)


def _convert_union(
    options: list[Any], value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    for option in options:
        trial = Problems()
        ok, result = _convert(option, value, where, field, trial)
        if ok:
            return True, result
    words = " or ".join(_expected(option, field) for option in options)
    problems.add(where, f"expected {words}, got {_shown(value)}")
    return False, None


def _convert_table(
    cls: Any, value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    if not isinstance(value, Mapping):
        problems.add(where, _refusal(cls, value, field))
        return False, None
    built: Any = build(cls, value, where, problems)
    return built is not None, built


def _convert_list(
    hint: Any, value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    item_types = typing.get_args(hint)
    fixed = typing.get_origin(hint) is tuple and item_types[-1] is not Ellipsis
    if isinstance(value, Mapping) and dataclasses.is_dataclass(item_types[0]):
        wanted = f"expected {_expected(hint, field)}, got one table"
        problems.add(where, f"{wanted}; write [[{_header(where)}]]")
        return False, None
    if not isinstance(value, list | tuple) or (fixed and len(value) != len(item_types)):
        problems.add(where, f"expected {_expected(hint, field)}, got {_shown(value)}")
        return False, None
    kinds = item_types if fixed else (item_types[0],) * len(value)
    results = [
        _convert(kind, item, f"{where}[{_named(item, index)}]", field, problems)
        for index, (kind, item) in enumerate(zip(kinds, value, strict=True))
    ]
    make = tuple if typing.get_origin(hint) is tuple else list
    return all(ok for ok, _ in results), make(item for _, item in results)


def _header(where: str) -> str:
    """A path as it stands in a table's header, without places in lists."""
    return re.sub(r"\[[^]]*\]", "", where)


def _named(item: Any, index: int) -> str:
    """What a person looks for in a list: the item's own name, else its place from 0."""
    name = item.get("name") if isinstance(item, Mapping) else None
    return name if isinstance(name, str) and name else str(index)


def _convert_mapping(
    hint: Any, value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    if not isinstance(value, Mapping):
        problems.add(where, f"expected a table, got {_shown(value)}")
        return False, None
    item_type = typing.get_args(hint)[1]
    results = {
        name: _convert(item_type, item, join(where, str(name)), field, problems)
        for name, item in value.items()
    }
    return all(ok for ok, _ in results.values()), {n: item for n, (_, item) in results.items()}


def _convert_scalar(
    hint: Any, value: Any, where: str, field: dataclasses.Field[Any], problems: Problems
) -> tuple[bool, Any]:
    if hint is Any:
        return True, value
    if hint is Path and isinstance(value, str):
        return True, Path(value)
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    right = isinstance(value, hint) and not (isinstance(value, bool) and hint is not bool)
    if right and isinstance(value, float) and not math.isfinite(value):
        right = False
    if right and _within(value, field):
        return True, value
    problems.add(where, _refusal(hint, value, field))
    return False, None


def _within(value: Any, field: dataclasses.Field[Any]) -> bool:
    choices = field.metadata.get("choices")
    if choices is not None:
        return value in choices
    low, high = field.metadata.get("low"), field.metadata.get("high")
    if isinstance(value, int | float) and not isinstance(value, bool):
        return (low is None or value >= low) and (high is None or value <= high)
    return True


def _refusal(hint: Any, value: Any, field: dataclasses.Field[Any]) -> str:
    text = f"expected {_expected(hint, field)}, got {_shown(value)}"
    choices = field.metadata.get("choices") or typing.get_args(hint)
    if isinstance(value, str) and choices and all(isinstance(c, str) for c in choices):
        close = difflib.get_close_matches(value, choices, n=1)
        if close:
            text += f"; did you mean {close[0]!r}?"
    return text + _help(field)


def _help(field: dataclasses.Field[Any]) -> str:
    words = field.metadata.get("help")
    return f" ({words})" if words else ""


def _expected(hint: Any, field: dataclasses.Field[Any]) -> str:
    origin = typing.get_origin(hint)
    if origin in (typing.Union, types.UnionType):
        options = [option for option in typing.get_args(hint) if option is not types.NoneType]
        return " or ".join(_expected(option, field) for option in options)
    choices = field.metadata.get("choices")
    if origin is typing.Literal:
        choices = typing.get_args(hint)
    if choices is not None:
        return "one of " + ", ".join(repr(choice) for choice in choices)
    if dataclasses.is_dataclass(hint) or origin is dict:
        return "a table"
    if origin in (tuple, list):
        items = typing.get_args(hint)
        if origin is tuple and items[-1] is not Ellipsis:
            return f"a list of {len(items)}"
        return f"a list, each {_expected(items[0], field)}"
    return _scalar_words(hint, field)


def _scalar_words(hint: Any, field: dataclasses.Field[Any]) -> str:
    words = _WORDS.get(hint, "a path" if hint is Path else getattr(hint, "__name__", str(hint)))
    low, high = field.metadata.get("low"), field.metadata.get("high")
    unit = field.metadata.get("unit")
    if low is not None and high is not None:
        words += f" from {_plainly(low)} to {_plainly(high)}"
    elif low is not None:
        words += f" of at least {_plainly(low)}"
    elif high is not None:
        words += f" of at most {_plainly(high)}"
    return f"{words} {unit}" if unit and unit != "1" else words


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= MOST_LETTERS else f"{text[: MOST_LETTERS - 1]}…"


def _plainly(number: float) -> str:
    """A bound as a person writes it: 12000000, not 1.2e+07."""
    return str(int(number)) if float(number).is_integer() else f"{number:g}"
