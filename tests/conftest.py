"""Fixtures that every test may use."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.bench import Bench, load_bench
from daq.clock import SECOND_NS, ClockRow
from daq.config import to_plain
from daq.driver import Chunk, ChunkKind, Identified, Send
from daq.journal import JournalWriter
from daq.reader import encoded
from daq.simulate.bench import Recording, Rig, Settings, record
from daq.simulate.demo import place

SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of recorded data beside the project; the test is skipped where there is none."""
    if not (SHARED / "data").is_dir():
        pytest.skip("the folder of recorded data is not beside the project")
    return SHARED / "data"


@dataclass(frozen=True)
class SimulatedRun:
    """A run on the simulated bench as a journal, with what was really so."""

    bench: Bench
    journal: Path
    start_seq: int
    zero_ns: int
    recording: Recording

    def truth(self, column: str, time: NDArray[np.float64]) -> NDArray[np.float64]:
        """A column of the ground truth at run times in s."""
        assert self.recording.rig.truth is not None
        known = self.recording.rig.truth.table()
        at = known["time"] + (self.recording.start_ns - self.zero_ns) / SECOND_NS
        return np.interp(time, at, known[column])


def identify(bench: Bench, device: str) -> dict[str, Any]:
    """What a device's conversation finds when it talks to its simulated counterpart."""
    wire = bench.device[device].wire
    rig = Rig(Settings(seed=7), opened=True)
    conversation = bench.driver(device).conversation()
    actions = list(conversation.opened(0))
    for _ in range(500):
        for action in actions:
            if isinstance(action, Identified):
                return dict(action.found)
            if isinstance(action, Send):
                rig.receive(wire, encoded(bench.wire[wire], action.data))
        rig.step()
        now = round(rig.time_s * SECOND_NS)
        data = rig.lines[wire].take(rig.time_s)
        actions = list(conversation.received(Chunk(ChunkKind.RX, now, data))) if data else []
        actions += list(conversation.wake(now))
    raise AssertionError(f"{device} was not identified within 0.5 s")


def write_journal(bench: Bench, recording: Recording, folder: Path, zero_ns: int) -> int:
    """Put a simulated recording into a journal as acquisition would; the start mark's seq."""
    begin = recording.start_ns
    items = sorted(
        (
            (chunk.t_ns, wire, chunk)
            for wire, chunks in recording.chunks.items()
            for chunk in chunks
        ),
        key=lambda item: item[0],
    )
    with JournalWriter(
        folder,
        bench.documents,
        bench.file_name,
        boot_id="simulated",
        journal_id="00000000-0000-5000-8000-000000000001",
        sync=False,
    ) as writer:
        writer.clock(ClockRow(begin, begin, begin, 1_790_000_000 * SECOND_NS))
        for name, device in bench.device.items():
            writer.note(device.wire, begin, {"note": "opened"})
            preface = {
                "driver": device.driver,
                "record_version": 1,
                "settings": to_plain(device.settings),
                "found": identify(bench, name),
                "wire": bench.wire[device.wire].facts(),
            }
            note = {"note": "identified", "device": name, "preface": preface}
            writer.note(device.wire, begin, note)
        start = 0
        for t_ns, wire, chunk in items:
            if not start and t_ns >= zero_ns:
                start = writer.mark(zero_ns, "start", "test", {"title": "simulated pull"})
            writer.append(wire, [chunk])
        writer.mark(items[-1][0], "stop", "test", {"reason": "standstill"})
        writer.commit()
    return start


@pytest.fixture(scope="session")
def simulated_run(tmp_path_factory: pytest.TempPathFactory) -> SimulatedRun:
    """The demonstration's whole script, recorded faster than real time."""
    folder = tmp_path_factory.mktemp("simulated")
    bench = load_bench(place(folder / "bench"))
    recording = record(Settings(seed=7))
    pressed = next(e.time_s for e in recording.rig.events if e.name == "button_start")
    zero = recording.start_ns + round(pressed * SECOND_NS)
    start = write_journal(bench, recording, folder / "journal", zero)
    return SimulatedRun(bench, folder / "journal", start, zero, recording)
