"""One line of progress on standard error: rewritten on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys

from daq import clock

PLAIN_EVERY_NS = 5 * clock.SECOND_NS


class Progress:
    """Shows the last text it was called with; leaves a clean line behind."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._shown_ns = 0
        self._width = 0

    def __call__(self, text: str) -> None:
        """Show *text*; on a log, at most one line every five seconds."""
        now = clock.monotonic_ns()
        if self._terminal:
            sys.stderr.write("\r" + text.ljust(self._width))
            self._width = len(text)
        elif now - self._shown_ns >= PLAIN_EVERY_NS:
            sys.stderr.write(text + "\n")
            self._shown_ns = now
        sys.stderr.flush()

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self._terminal and self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            sys.stderr.flush()
