"""What the acquisition process costs, and how soon its readers stamp, at the nominal load.

``python tests/benchmarks/bench_acquisition.py [--seconds 30]`` prints JSON lines. A process of its
own feeds four pseudo-terminals: the unit's frames (16 analogue inputs and encoder pairs at 1 kHz,
ignition edges at 300/s, in 100 frames/s), a CAN adapter's lines (20 signals in 5 messages at
100 Hz), 40 polled answers/s, and packets that carry the time at which they were written. The whole
acquisition process records them with a commit every 50 ms, at the priority that the service gives
it, while another process decodes what is recorded and writes it to HDF5 without a pause.

Exit status 1 when a limit is missed: 6 % of a core for the process; 0.1 ms from a packet's writing
to its stamp at 95 %; 150 ms from any stamp to a reader that is told of its commit. Packets are
written by a process at the same priority; without the right to raise it the figure is printed but
not judged.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "whole")]

import numpy as np
from bench_storage import percentile, report
from feeding import Acquire, wait_for, workshop

from daq.clock import MILLISECOND_NS, SECOND_NS, monotonic_ns
from daq.commands import ask, follow
from daq.journal import ChunkRow, Journal

WIRES = {"unit": 921_600, "can": 1_000_000, "polled": 38_400, "packets": 921_600}
FRAME_BYTES = 10 * (16 * 2 + 8) + 3 * 4 + 12
NICE = -11
"""As in systemd/rollerdaq.service."""


def bench_text(folder: Path) -> str:
    wires = [
        f'[wire.{name}]\nkind = "serial"\nport = "{folder / name}"\nbaud = {baud}\n'
        for name, baud in WIRES.items()
    ]
    return '[bench]\nname = "benchmark"\n' + "".join(wires)


def feed(masters: dict[str, int], seconds: float) -> None:
    """Write every millisecond what is due: runs as a process of its own."""
    raise_priority()
    frame, line, answer = os.urandom(FRAME_BYTES), b"t1238" + b"0" * 16 + b"\r", b"410C1AF8\r\r>"
    begun = monotonic_ns()
    for millisecond in range(round(1000 * seconds)):
        wait_ns = begun + millisecond * MILLISECOND_NS - monotonic_ns()
        time.sleep(max(0, wait_ns) / SECOND_NS)
        if millisecond % 10 == 0:
            os.write(masters["unit"], frame)
        elif millisecond % 2 == 1:
            os.write(masters["can"], line)
        if millisecond % 25 == 3:
            os.write(masters["polled"], answer)
        if millisecond % 10 == 6:
            os.write(masters["packets"], monotonic_ns().to_bytes(8, "little"))


def decode(journal: Path) -> None:
    """Decode and write without a pause, as main and a finaliser do: a process of its own."""
    import h5py

    os.setpriority(os.PRIO_PROCESS, 0, 0)
    while True:
        with Journal(journal) as reader, contextlib.suppress(OSError):
            data = b"".join(c.data for e in reader.entries(wires={"unit"})
                            if isinstance(e, ChunkRow) for c in e.chunks)  # fmt: skip
            values = np.frombuffer(data[: len(data) // 2 * 2], "<i2").astype(float)
            with h5py.File(journal / "scratch.h5", "w") as file:
                file.create_dataset("values", data=np.sort(values), compression="gzip")


def raise_priority(process: int = 0) -> bool:
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, process, NICE)
        return True
    return False


@contextlib.contextmanager
def terminals(folder: Path) -> Iterator[dict[str, int]]:
    masters, slaves = {}, []
    for name in WIRES:
        masters[name], slave = os.openpty()
        tty.setraw(slave)
        (folder / name).symlink_to(os.ttyname(slave))
        slaves.append(slave)
    yield masters
    for descriptor in [*masters.values(), *slaves]:
        os.close(descriptor)


def observe(acquire: Acquire, until: int) -> list[int]:
    """Time from each row's first stamp to here, told of its commit."""
    ages = []
    with Journal(acquire.journal) as journal, follow(acquire.socket) as connection:
        after = journal.last_seq()
        connection.settimeout(1.0)
        while monotonic_ns() < until:
            connection.recv(4096)
            for entry in journal.entries(after):
                after = entry.seq
                if isinstance(entry, ChunkRow):
                    ages.append(monotonic_ns() - entry.chunks[0].t_ns)
    return ages


def lateness(journal: Path) -> list[int]:
    """From the writing of each packet to its stamp; those read together count by the last."""
    with Journal(journal) as reader:
        return [
            chunk.t_ns - int.from_bytes(chunk.data[-8:], "little")
            for entry in reader.entries(wires={"packets"})
            if isinstance(entry, ChunkRow)
            for chunk in entry.chunks
        ]


def set_priority(acquire: Acquire) -> bool:
    """Raise all threads of acquisition."""
    threads = Path(f"/proc/{acquire.process.pid}/task").iterdir()
    raised = {raise_priority(int(thread.name)) for thread in threads}
    return raised == {True}


def measure(folder: Path, seconds: float) -> bool:
    (folder / "bench.toml").write_text(bench_text(folder))
    spawn = multiprocessing.get_context("fork")
    with terminals(folder) as masters:
        acquire = Acquire(folder / "bench.toml")
        wait_for(lambda: opened(acquire), "all wires are open")
        raised = set_priority(acquire)
        ask(acquire.socket, "start")
        others = [
            spawn.Process(target=feed, args=(masters, seconds + 1), daemon=True),
            spawn.Process(target=decode, args=(acquire.journal,), daemon=True),
        ]
        for process in others:
            process.start()
        time.sleep(0.5)
        before, begun = cpu_of(acquire.process.pid), monotonic_ns()
        ages = observe(acquire, begun + round(seconds * SECOND_NS))
        share = (cpu_of(acquire.process.pid) - before) / (monotonic_ns() - begun)
        for process in reversed(others):
            process.terminate()
            process.join()
        acquire.end()
        check_recorded(acquire.journal, seconds)
        return judge(share, lateness(acquire.journal), ages, raised)


def check_recorded(journal: Path, seconds: float) -> None:
    """Everything that was fed is in the journal."""
    rates = {"unit": 100 * FRAME_BYTES, "can": 500 * 22, "polled": 40 * 11, "packets": 100 * 8}
    bytes_of = dict.fromkeys(WIRES, 0)
    with Journal(journal) as reader:
        for entry in reader.entries():
            if isinstance(entry, ChunkRow):
                bytes_of[entry.wire] += sum(len(chunk.data) for chunk in entry.chunks)
    for wire, rate in rates.items():
        assert bytes_of[wire] >= 0.99 * rate * seconds, f"{wire}: {bytes_of[wire]} B recorded"


def opened(acquire: Acquire) -> bool:
    wires = ask(acquire.socket, "status")["wires"]
    return all(wire["state"] == "open" for wire in wires.values())


def cpu_of(process: int) -> int:
    """CPU time of another process in ns. Source: clock_getcpuclockid(3), its id as the kernel's."""
    return time.clock_gettime_ns(~process << 3 | 2)


def judge(share: float, late: list[int], ages: list[int], raised: bool) -> bool:
    limit = 0.1 if raised else None
    report("acquisition: stamp, 50 %", percentile(late, 50) / 1e6, "ms")
    report("acquisition: stamp, 99 %", percentile(late, 99) / 1e6, "ms")
    results = [
        report("acquisition: whole process, of a core", 100 * share, "%", high=6.0),
        report("acquisition: stamp, 95 %", percentile(late, 95) / 1e6, "ms", high=limit),
        report("acquisition: stamp to committed, 99 %", percentile(ages, 99) / 1e6, "ms"),
        report("acquisition: stamp to committed", max(ages) / 1e6, "ms", high=150.0),
    ]
    return all(results)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    seconds = parser.parse_args().seconds
    with workshop() as folder:
        return 0 if measure(folder, seconds) else 1


if __name__ == "__main__":
    sys.exit(main())
