"""A declaration drawn: each frame as a map of its bytes."""

from __future__ import annotations

from drivers.byte_stream.declaration import Declaration, Field, Frame

ACROSS = 8
WIDE = 12


def byte_map(declaration: Declaration) -> str:
    """Each frame's bytes in rows of eight, then its fields in words; for `daq check`."""
    parts = [f"line {declaration.line.words}"] if declaration.line else []
    return "\n".join([*parts, *(_frame(frame) for frame in declaration.frame)])


def _frame(frame: Frame) -> str:
    labels = _labels(frame)
    lines = [f"frame {frame.name}: {_length(frame)}{_rate(frame)}"]
    for first in range(0, len(labels), ACROSS):
        lines += _row(first, labels[first : first + ACROSS])
    lines.append(f"  {_checksum(frame)}")
    lines += [f"  {_in_words(field, frame)}" for field in frame.field]
    return "\n".join(lines)


def _length(frame: Frame) -> str:
    if frame.length is not None:
        return f"{frame.length} bytes"
    if frame.counted is not None:
        counted = frame.counted
        return f"{counted.each} × byte {counted.at} + {counted.plus} bytes, at most {frame.longest}"
    until = frame.coding.upper() or "delimited by"
    return f"{until} {frame.delimiter.hex(' ').upper()}, at most {frame.longest} bytes"


def _rate(frame: Frame) -> str:
    if frame.poll is not None:
        asked = repr(frame.poll.text) if frame.poll.text else frame.poll.data.hex(" ").upper()
        return f", asked {frame.poll.rate_hz:g} times a second by {asked}"
    return f", {frame.rate_hz:g} a second" if frame.rate_hz else ""


def _labels(frame: Frame) -> list[str]:
    """What each byte up to the last declared one holds; several names where bits share it."""
    used: dict[int, list[str]] = {}

    def mark(place: int, name: str) -> None:
        if name not in used.setdefault(place, []):
            used[place].append(name)

    for place, pair in enumerate(frame.pattern.text.split()):
        mark(place, pair)
    if frame.counted is not None:
        for place in range(int(frame.counted.type[1:]) // 8):
            mark(frame.counted.at + place, "length")
    if frame.counter is not None:
        for place in range(frame.counter.at, frame.counter.end):
            mark(place, frame.counter.kind)
    for field in frame.field:
        for place in _bytes_of(field):
            mark(place, field.name)
    if frame.length is not None and frame.checksum is not None:
        for place in range(frame.checksum.size):
            mark(frame.length + frame.checksum.place + place, "checksum")
    size = frame.length or max(used) + 1
    return ["/".join(used.get(place, ["."])) for place in range(size)]


def _bytes_of(field: Field) -> list[int]:
    if field.where is not None:
        return list(range(field.where.at, field.where.end))
    assert field.digits is not None
    return sorted({place.byte for digit in field.digits.places for place in digit})


def _row(first: int, labels: list[str]) -> list[str]:
    """One row of the map: byte numbers, then cells, neighbours that belong together in one."""
    numbers = "".join(f"{first + n:<{WIDE}}" for n in range(len(labels)))
    cells, n = "|", 0
    while n < len(labels):
        end = n + 1
        while end < len(labels) and labels[end] == labels[n] != ".":
            end += 1
        room = (end - n) * WIDE - 1
        cells += f"{_short(labels[n], room - 1):^{room}}|"
        n = end
    edge = "+" + "-" * (len(cells) - 2) + "+"
    return [f"    {numbers}".rstrip(), f"   {edge}", f"   {cells}", f"   {edge}"]


def _short(text: str, room: int) -> str:
    return text if len(text) <= room else text[: room - 1] + "…"


def _checksum(frame: Frame) -> str:
    check = frame.checksum
    if check is None:
        return "no checksum: a damaged frame cannot be told from a sound one"
    kind = check.sum.kind.replace("_", " ")
    detail = f" polynomial {check.sum.polynomial:#x}" if check.sum.polynomial is not None else ""
    how = "in hex digits" if check.written == "hex" else f"{check.byte_order} end first"
    return (
        f"checksum: {kind} of {check.sum.width} bits{detail}"
        f" over byte {check.first} up to {_place(frame, check.stop)},"
        f" at {_place(frame, check.place)}, {how}"
    )


def _place(frame: Frame, from_end: int) -> str:
    """A position that is given from the frame's end."""
    if frame.length is not None:
        return f"byte {frame.length + from_end}"
    return f"the end - {-from_end}"


def _in_words(field: Field, frame: Frame) -> str:
    where = field.where
    if where is None:
        assert field.digits is not None
        place = f"{len(field.digits.bits)} digits"
    else:
        order = where.byte_order or frame.byte_order
        place = f"byte {where.at}, {where.type}" + (f" {order}" if where.size > 1 else "")
        if where.bits or where.bit:
            place += f", bits {where.bit} to {where.bit + where.width - 1}"
    sign = "-" if field.offset < 0 else "+"
    offset = f" {sign} {abs(field.offset):g}" if field.offset else ""
    states = ", ".join(f"{number} {word}" for number, word in field.labels.items())
    return f"{field.name}: {place}: {field.scale:g} × raw{offset} in {field.unit}" + (
        f" ({states})" if states else ""
    )
