"""The simulated car, driving again and again; he presses *mark* at the beginning of each pull.

``python simulated_day.py PORTS [WIRE SECONDS_AFTER_THE_FIRST_PULL]``: with a wire that one is
unplugged then, and there is only one run.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

from daq.simulate import bench
from daq.simulate.line import Faults
from daq.simulate.script import Driver, Event, Plan

PLAN = Plan(idle_s=1.5, blips=0, steady_s=2.2, rate_m_s2=5.0, stop_rpm=5600.0, after_s=3.0)


class Marking(Driver):
    """Presses *mark* when the pull begins."""

    def _pull(self) -> Iterator[str]:
        self._press("mark")
        yield from super()._pull()


def say(event: Event, host_ns: int) -> None:
    print(json.dumps({"event": event.name, "host_ns": host_ns}), flush=True)


def main() -> None:
    bench.Driver = Marking  # type: ignore[misc]
    settings = bench.Settings(seed=4, plan=PLAN, repeat=True)
    if len(sys.argv) > 2:
        pull = next(e.time_s for e in bench.timeline(settings) if e.name == "pull")
        gone = pull + float(sys.argv[3])
        faults = {sys.argv[2]: Faults(unplugged=((gone, gone + 600.0),))}
        settings = bench.Settings(seed=4, plan=PLAN, faults=faults)
    bench.run(Path(sys.argv[1]), settings, report=say)


if __name__ == "__main__":
    main()
