"""A finaliser for tests: what a run holds, as JSON instead of HDF5."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

from feeding import numbers_of

from daq.journal import Journal, runs


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=int, required=True)
    parser.add_argument("--slow", type=float, default=0.0)
    options = parser.parse_args()
    with Journal(options.journal) as journal:
        (run,) = [run for run in runs(journal.marks()) if run.start.seq == options.start]
        assert run.end is not None, "a run is finalised after its end"
        numbers = numbers_of(journal.span(run.start.t_ns, run.end.t_ns, run.start.seq))
    half = options.out / f".run-{options.start}.json.part"
    half.write_text("[")
    time.sleep(options.slow)
    content = {"start": options.start, "recovered": run.recovered, "numbers": numbers}
    half.write_text(json.dumps(content))
    final = options.out / f"run-{options.start}.json"
    half.rename(final)
    print(f"run file: {final}")


if __name__ == "__main__":
    main()
