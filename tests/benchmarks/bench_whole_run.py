"""Ten minutes of the simulated bench, from journal to verified run file, all in.

The load is 16 analogue inputs and encoder pairs at 1 kHz, ignition edges, and the car's bus.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from conftest import write_journal

from daq.bench import load_bench
from daq.clock import SECOND_NS
from daq.finalise import finalise
from daq.journal import Journal
from daq.runfile.read import read_run
from daq.simulate.bench import Settings, record
from daq.simulate.demo import place

DURATION_S = 600.0
LIMIT_S = 10.0


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        bench = load_bench(place(folder / "bench"))
        recording = record(Settings(seed=1, repeat=True), until_s=DURATION_S)
        zero = recording.start_ns + 6 * SECOND_NS
        start = write_journal(bench, recording, folder / "journal", zero)
        del recording
        began, cpu = time.perf_counter(), time.process_time()
        marks: list[tuple[str, float]] = []
        with Journal(folder / "journal") as journal:
            path = finalise(
                journal, start, folder, lambda text: marks.append((text, time.perf_counter()))
            )
        ended, cpu = time.perf_counter(), time.process_time() - cpu
        samples = sum(len(s.channels) * len(s.time) for s in read_run(path).streams)
        size = path.stat().st_size
    steps = dict(zip([m[0] for m in marks], [m[1] for m in marks[1:]] + [ended], strict=True))
    for (text, at), until in zip(marks, steps.values(), strict=True):
        say(f"10 min to run file: {text}", until - at, "s")
    say("10 min to run file: all", ended - began, "s", limit=LIMIT_S)
    say("10 min to run file: cpu", cpu, "s")
    say("10 min to run file: samples", samples, "1")
    say("10 min to run file: size with undecoded bytes", size / samples, "B/sample")


def say(name: str, value: float, unit: str, limit: float | None = None) -> None:
    line: dict[str, object] = {"name": name, "value": round(value, 3), "unit": unit}
    if limit is not None:
        line |= {"limit": limit, "ok": value <= limit}
    print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()
