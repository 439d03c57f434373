"""Mends a DBC text that cannot be read, or takes the bad line out of it, and says so.

Lines are replaced by empty ones, never removed, so that line numbers stay those of the file.
"""

from __future__ import annotations

import re

EXTENDED_BIT = 1 << 31
"""Marks a 29-bit identifier in a DBC file. Source: DBC format, common practice."""
MOST_VALUES = 65_536
"""Values of a multiplexer in one range: all of 16 bits."""

_MESSAGE = re.compile(r"^\s*BO_\s+(\d+)\s+(\S[^:]*?)\s*:", re.MULTILINE)
_SIGNAL = re.compile(r"^(\s*SG_\s+)(\S+)(?=(?:\s+(?:M|m\d+M?))?\s*:)", re.MULTILINE)
_STATEMENT = re.compile(
    r"(VERSION|NS_|BS_|BU_|BO_|SG_|CM_|BA_\w*|VAL_|VAL_TABLE_|SIG_\w+|SG_MUL_VAL_|EV_|ENVVAR_\w+"
    r"|BO_TX_BU_|SGTYPE_\w*|CAT_\w*|FILTER)\b"
)
_REFERS = r'^((?:VAL_|SIG_VALTYPE_|SG_MUL_VAL_|SIG_GROUP_|BO_TX_BU_|CM_\s+(?:BO|SG)_|BA_\s+"[^"]*"\s+(?:BO|SG)_)\s+)'  # noqa: E501


class Refused(Exception):
    """Nothing in the text answers to what the reader complained about."""


def mended(text: str, notes: list[str]) -> str:
    """The text with the mistakes mended that have one plain meaning, and a note on each."""
    for mend in (_without_empty_section, _with_marked_ids, _with_proper_names):
        text = mend(text, notes)
    return text


def bounded(text: str, notes: list[str]) -> str:
    """The text with ranges of multiplexer values cut to ``MOST_VALUES``, which a reader lists."""

    def cut(found: re.Match[str]) -> str:
        first, last = int(found[1]), int(found[2])
        if last - first < MOST_VALUES:
            return found[0]
        notes.append(f"multiplexer values {first}-{last}: only the first {MOST_VALUES} are read")
        return f"{first}-{first + MOST_VALUES - 1}"

    return re.sub(
        r"^SG_MUL_VAL_\s[^;]*;",
        lambda line: re.sub(r"(\d+)\s*-\s*(\d+)", cut, line[0]),
        text,
        flags=re.MULTILINE,
    )


def _without_empty_section(text: str, notes: list[str]) -> str:
    """NS_ lists keywords and says nothing; without BS_ behind it a reader takes all for keywords.

    Source: DBC format, common practice.
    """
    section = re.search(r"^NS_\s*:.*\n(?:[ \t]+\S.*\n|\s*\n)*", text, re.MULTILINE)
    if section is None or re.search(r"^BS_\s*:", text, re.MULTILINE):
        return text
    notes.append(f"{_place(text, section.start())}: section NS_ without BS_; passed over")
    return _blanked(text, section.start(), section.end())


def _with_marked_ids(text: str, notes: list[str]) -> str:
    """An identifier above 11 bits can only be an extended one, whether or not it is marked."""
    for found in list(_MESSAGE.finditer(text)):
        number = int(found[1])
        if 0x7FF < number <= 0x1FFFFFFF:
            notes.append(
                f"{_place(text, found.start())}: message {found[2]}: identifier 0x{number:X} has"
                " more than 11 bits and no mark of an extended one; read as extended"
            )
            marked = str(number | EXTENDED_BIT)
            text = re.sub(rf"^(\s*BO_\s+){number}\b", rf"\g<1>{marked}", text, flags=re.MULTILINE)
            text = re.sub(_REFERS + rf"{number}\b", rf"\g<1>{marked}", text, flags=re.MULTILINE)
    return text


def _with_proper_names(text: str, notes: list[str]) -> str:
    """Names of messages and signals as the format wants them: letters, digits, underscores."""

    def message(found: re.Match[str]) -> str:
        return found[0].replace(found[2], _proper(text, found.start(), found[2], notes), 1)

    def signal(found: re.Match[str]) -> str:
        proper = _proper(text, found.start(), found[2], notes)
        if proper != found[2]:
            renamed[found[2]] = proper
        return found[1] + proper

    renamed: dict[str, str] = {}
    text = _SIGNAL.sub(signal, _MESSAGE.sub(message, text))
    for old, new in renamed.items():
        refers = _REFERS + rf"(\d+\s+){re.escape(old)}(?=[\s:;])"
        text = re.sub(refers, rf"\g<1>\g<2>{new}", text, flags=re.MULTILINE)
    return text


def _proper(text: str, at: int, name: str, notes: list[str]) -> str:
    if re.fullmatch(r"[A-Za-z_]\w*", name):
        return name
    proper = re.sub(r"\W", "_", name)
    proper = proper if not proper[:1].isdigit() else f"_{proper}"
    notes.append(f"{_place(text, at)}: name {name!r} is not one in a DBC; read as {proper!r}")
    return proper


# --- what the reader complains about


def taken_out(text: str, complaint: str) -> tuple[str, str]:
    """The text without what *complaint* (the reader's words) names, and a note.

    Raises Refused when it names nothing that is there.
    """
    if found := re.search(r"Invalid syntax at line (\d+)", complaint):
        return _without_statement(text, int(found[1]))
    if "unused VAL_" in complaint and (found := re.search(r"VAL_ (\d+) (\w+)", complaint)):
        pattern = rf"^VAL_\s+{found[1]}\s+{found[2]}\b[^;]*;"
        words = f"labels of {found[2]} belong to no signal; left out"
        return _without(text, re.search(pattern, text, re.MULTILINE), words)
    if found := re.search(r"in message (\w+)|[Mm]essage (\w+)", complaint):
        name = re.escape(found[1] or found[2])
        pattern = rf"^\s*BO_\s+\d+\s+{name}\s*:.*(?:\n\s*SG_ .*)*"
        words = f"message {name} is left out: {complaint}"
        return _without(text, re.search(pattern, text, re.MULTILINE), words)
    raise Refused


def _without(text: str, found: re.Match[str] | None, words: str) -> tuple[str, str]:
    if found is None:
        raise Refused
    return _blanked(text, found.start(), found.end()), f"{_place(text, found.start())}: {words}"


def _without_statement(text: str, number: int) -> tuple[str, str]:
    lines = text.split("\n")
    first = min(number, len(lines)) - 1
    while first > 0 and not _STATEMENT.match(lines[first].lstrip()):
        first -= 1
    first = _unfinished_before(lines, first)
    last = _end_of_statement(lines, first)
    if not any(line.strip() for line in lines[first:last]):
        raise Refused
    note = f"line {first + 1}: cannot be read; left out: {lines[first].strip()[:80]!r}"
    return "\n".join(lines[:first] + [""] * (last - first) + lines[last:]), note


def _unfinished_before(lines: list[str], first: int) -> int:
    """The statement before, when it is one that ends in a semicolon and has none."""
    before = first - 1
    while before >= 0 and not lines[before].strip():
        before -= 1
    if before < 0 or lines[before].rstrip().endswith(";"):
        return first
    while before > 0 and not _STATEMENT.match(lines[before].lstrip()):
        before -= 1
    ends_in_line = re.match(r"(VERSION|NS_|BS_|BU_|BO_|SG_)\b", lines[before].lstrip())
    return first if ends_in_line else before


def _end_of_statement(lines: list[str], first: int) -> int:
    """Line behind the statement; a message takes its signals along."""
    keyword = lines[first].split(maxsplit=1)[:1]
    last = first + 1
    if keyword == ["SG_"]:
        return last
    if keyword == ["BO_"]:
        while last < len(lines) and lines[last].lstrip().startswith("SG_"):
            last += 1
        return last
    while last < len(lines) and not lines[last - 1].rstrip().endswith(";"):
        if _STATEMENT.match(lines[last].lstrip()):
            break
        last += 1
    return last


def _place(text: str, at: int) -> str:
    skipped = len(text[at:]) - len(text[at:].lstrip())
    return f"line {text.count(chr(10), 0, at + skipped) + 1}"


def _blanked(text: str, first: int, end: int) -> str:
    return text[:first] + "\n" * text.count("\n", first, end) + text[end:]
