"""CPU time of `daq --help` against importing click, in the same run."""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys

ROUNDS = 15


def cpu_s(arguments: list[str]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(arguments, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    ours: list[float] = []
    peer: list[float] = []
    for _ in range(ROUNDS):
        ours.append(cpu_s([sys.executable, "-m", "daq", "--help"]))
        peer.append(cpu_s([sys.executable, "-c", "import click"]))
    ratio = statistics.median(ours) / statistics.median(peer)
    lines = [
        {"name": "daq --help", "value": round(statistics.median(ours), 4), "unit": "s cpu"},
        {"name": "import click", "value": round(statistics.median(peer), 4), "unit": "s cpu"},
        {"name": "daq --help / import click", "value": round(ratio, 3), "unit": "1", "limit": 2.0,
         "ok": ratio <= 2.0},
    ]  # fmt: skip
    for line in lines:
        print(json.dumps(line))
    return 0 if ratio <= 2.0 else 1


if __name__ == "__main__":
    sys.exit(main())
