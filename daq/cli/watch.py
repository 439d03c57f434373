"""`daq watch`: every channel live, readable at arm's length."""

from __future__ import annotations

import contextlib
import fnmatch
import os
import select
import shutil
import sys
import termios
import tty
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from daq import clock
from daq.cli.bench_file import daemon
from daq.cli.follower import Beeper, Follower
from daq.config import nearest
from daq.errors import DaqError

RATE_HZ = 10.0
DRAW_S = 0.1
PLAIN_S = 1.0
WIDEST = 120
COLOURS = {"stale": "yellow", "lost": "red", "never_seen": "bright_black"}
LEVEL_COLOURS = {"warning": "yellow", "alarm": "red"}
ENTER = "\x1b[?1049h\x1b[?25l"
"""Another screen, no cursor. Source: ECMA-48 and the xterm control sequences."""
LEAVE = "\x1b[?25h\x1b[?1049l"
HOME, CLEAR_LINE, CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"


@click.command()
@click.argument("channels", nargs=-1)
@click.option("--config", help="Bench file; else ./bench.toml, else /etc/rollerdaq/bench.toml.")
@click.option("--beep", metavar="CHANNEL", help="Beep when this channel changes.")
@click.option("--by", type=click.FloatRange(min=0), help="Beep for changes of more than this.")
@click.option("--count", type=click.IntRange(min=1), help="End after so many tables.")
def command(
    channels: tuple[str, ...],
    config: str | None,
    beep: str | None,
    by: float | None,
    count: int | None,
) -> None:
    """Show CHANNELS live (patterns such as 'oil*'; all of the bench file when none is given).

    Keys: space and b turn pages, q quits. With --beep, wiggle the loom and listen: by default it
    beeps when the channel moves by 2 % of its believable range, or changes its state. Where the
    output is no terminal, a plain table is printed each second.
    """
    client = daemon(config)
    known = {channel["name"]: channel for channel in client.get("/channels")}
    shown = chosen(channels, known)
    if beep is not None and beep not in known:
        raise DaqError(f"--beep: no channel is called {beep!r}{nearest(beep, known)}")
    beeper = Beeper(beep, by, known[beep]) if beep is not None else None
    follower = Follower(client, RATE_HZ, beeper)
    follower.start()
    with contextlib.suppress(KeyboardInterrupt):
        if sys.stdout.isatty() and sys.stdin.isatty():
            _on_terminal(follower, shown, count)
        else:
            _plainly(follower, shown, count)


def chosen(patterns: Sequence[str], known: Mapping[str, Any]) -> list[str]:
    """Names to show: those that match, in bench order.

    Raises DaqError for a pattern that none matches.
    """
    if not patterns:
        return [name for name, channel in known.items() if channel["listed"]]
    for pattern in patterns:
        if not fnmatch.filter(known, pattern):
            raise DaqError(f"no channel matches {pattern!r}{nearest(pattern, known)}")
    return [n for n in known if any(fnmatch.fnmatchcase(n, p) for p in patterns)]


# --- on a terminal


def _on_terminal(follower: Follower, shown: Sequence[str], count: int | None) -> None:
    before = termios.tcgetattr(sys.stdin)
    sys.stdout.write(ENTER)
    try:
        tty.setcbreak(sys.stdin)
        _draw_until_q(follower, shown, count)
    finally:
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, before)
        sys.stdout.write(LEAVE)
        sys.stdout.flush()


def _draw_until_q(follower: Follower, shown: Sequence[str], count: int | None) -> None:
    page, drawn = 0, 0
    while count is None or drawn < count:
        width, height = shutil.get_terminal_size()
        room = max(1, height - 4)
        pages = max(1, -(-len(shown) // room))
        page %= pages
        part = shown[page * room : (page + 1) * room]
        title = f"{follower.title}   page {page + 1} of {pages}" if pages > 1 else follower.title
        screen = [title, "", *table(follower.rows(part), min(width, WIDEST))]
        text = "".join(f"{line}{CLEAR_LINE}\r\n" for line in screen)
        bell = "\a" if follower.take_beep() else ""
        sys.stdout.write(HOME + text + follower.hint + CLEAR_LINE + CLEAR_BELOW + bell)
        sys.stdout.flush()
        drawn += 1
        if select.select([sys.stdin], [], [], DRAW_S)[0]:
            key = os.read(sys.stdin.fileno(), 1)
            if key in (b"q", b"Q", b""):
                return
            page += {b" ": 1, b"b": -1}.get(key, 0)


# --- elsewhere


def _plainly(follower: Follower, shown: Sequence[str], count: int | None) -> None:
    follower.wait_first()
    printed = 0
    while count is None or printed < count:
        if printed:
            clock.sleep_ns(round(PLAIN_S * clock.SECOND_NS))
        if follower.error:
            raise DaqError(follower.error)
        for line in table(follower.rows(shown), WIDEST, colour=False):
            click.echo(line.rstrip())
        if follower.take_beep() and follower.beeper is not None:
            click.echo(f"{follower.beeper.channel} changed")
        sys.stdout.flush()
        printed += 1


# --- the table


def table(rows: Sequence[Mapping[str, Any]], width: int, colour: bool = True) -> Iterator[str]:
    """Lines of the table, as wide as *width* allows: name, value, unit, rate, age, state."""
    colour = colour and "NO_COLOR" not in os.environ
    name_width = max([len(row["name"]) for row in rows] + [7])
    gap = " " * max(2, min(5, (width - name_width - 56) // 5))
    head = f"{'channel':<{name_width}}{gap}{'value':>10} {'unit':<8}{gap}{'rate':>8}{gap}"
    yield _styled(f"{head}{'age':>8}{gap}state"[:width], colour, bold=True)
    for row in rows:
        left = f"{row['name']:<{name_width}}{gap}"
        value = f"{_value(row):>10}"
        middle = f" {_unit(row):<8}{gap}{_rate(row):>8}{gap}{_age(row):>8}{gap}"
        state = _state(row)[: max(10, width - len(left + value + middle))]
        value = _styled(value, colour, bold=True, fg=LEVEL_COLOURS.get(row["level"]))
        tint = COLOURS.get(row["state"]) or LEVEL_COLOURS.get(row["level"])
        yield left + value + middle + _styled(state, colour, fg=tint)


def _styled(text: str, colour: bool, **style: Any) -> str:
    return click.style(text, **style) if colour else text


def _value(row: Mapping[str, Any]) -> str:
    value = row["value"]
    if value is None:
        return "-"
    label = row["labels"].get(f"{value:.0f}") if row["labels"] else None
    if label is not None:
        return str(label)[:10]
    if abs(value) >= 1e7:
        return f"{value:.4g}"
    decimals = 0 if float(value).is_integer() and abs(value) >= 1000 else 3
    decimals = min(decimals, max(0, 4 - len(str(int(abs(value))))))
    return f"{value:.{decimals}f}"


def _unit(row: Mapping[str, Any]) -> str:
    return "" if row["unit"] == "1" else str(row["unit"])


def _rate(row: Mapping[str, Any]) -> str:
    return "-" if row["rate_hz"] is None else f"{row['rate_hz']:.4g} Hz"


def _age(row: Mapping[str, Any]) -> str:
    age = row["age_s"]
    return "-" if age is None else f"{age:.2f} s" if age < 10 else f"{age:.0f} s"


def _state(row: Mapping[str, Any]) -> str:
    said = [row["level"].upper()] if row["level"] != "ok" else []
    said.append(row["state"].replace("_", " "))
    return ", ".join(said) + (f": {row['why']}" if row["why"] else "")
