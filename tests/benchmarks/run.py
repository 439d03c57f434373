"""Run every benchmark of this folder, one after another; JSON lines on standard output.

Each line: name, value, unit, and where there is a goal: limit, ok. Exit code 1 when one is missed.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path


def main(words: list[str]) -> int:
    """Run the benchmarks whose file name contains one of *words*, all when there is none."""
    missed = 0
    for script in sorted(Path(__file__).parent.glob("bench_*.py")):
        if words and not any(word in script.stem for word in words):
            continue
        print(f"running {script.name}", file=sys.stderr)
        result = subprocess.run(
            [sys.executable, str(script)], stdout=subprocess.PIPE, text=True, check=False
        )
        for line in result.stdout.splitlines():
            print(line, flush=True)
            if line.startswith("{") and json.loads(line).get("ok") is False:
                missed += 1
        if result.returncode not in (0, 1):
            print(f"{script.name} failed with exit code {result.returncode}", file=sys.stderr)
            missed += 1
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
