"""Every error that a user of rollerdaq can meet, by whose fault it is.

A message reads *where*: *what was found*; *what was expected or what to do*.
"""

from __future__ import annotations

from collections.abc import Iterable


class DaqError(Exception):
    """Anything that rollerdaq reports without a traceback."""


class ConfigError(DaqError):
    """A mistake in a configuration: nothing starts.

    Carries every mistake found at once, for example
    ``bench.toml: device.oil.perod_s: no such key; did you mean 'period_s'?``.
    """

    def __init__(self, problems: str | Iterable[str]) -> None:
        self.problems = (problems,) if isinstance(problems, str) else tuple(problems)
        super().__init__("\n".join(self.problems))


class DeviceError(DaqError):
    """A device or its wire failed: the gap is recorded and the wire is opened again.

    Examples: the port is gone, the wrong device answers, no answer in time.
    """


class WireError(DeviceError):
    """A port or bus cannot be opened, read or written; every device on it is lost."""


class JournalError(DaqError):
    """A journal is missing, damaged or of a version that this release does not read."""


class RecordingError(DaqError):
    """A recording to be replayed is not in the format it claims, or not readable."""


class RunFileError(DaqError):
    """A run file cannot be written, is not one, or does not hold what it must."""


class CalibrationError(DaqError):
    """A calibration cannot be computed or does not fit the channel that asks for it."""
