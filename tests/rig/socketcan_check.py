"""In the virtual machine: sends frames through python-can and finds them in the journal."""

from __future__ import annotations

import struct
import subprocess
import sys
import time
from pathlib import Path

import can
import numpy as np

from daq.commands import CommandError, ask
from daq.driver import ChunkKind
from daq.entries import ChunkRow, NoteRow
from daq.journal import Journal
from daq.wire.can import FLAG_EXTENDED, FRAME, FRAME_FD


def wait_for(socket: Path) -> None:
    """Until acquisition answers and has opened its wire."""
    answer: object = "no answer"
    for _ in range(600):
        try:
            answer = ask(socket, "status")["wires"]["can"]
            if answer["state"] == "open":
                return
        except CommandError as error:
            answer = error
        time.sleep(0.1)
    raise SystemExit(f"acquisition did not open vcan0 within 60 s: {answer}")


def recorded(folder: Path) -> tuple[np.ndarray, np.ndarray, list[str]]:
    narrow, wide, notes = [], [], []
    with Journal(folder / "journal") as journal:
        for entry in journal.entries():
            if isinstance(entry, ChunkRow):
                narrow += [c.data for c in entry.chunks if c.kind == ChunkKind.RX]
                wide += [c.data for c in entry.chunks if c.kind == ChunkKind.RX_FD]
            elif isinstance(entry, NoteRow):
                notes.append(str(entry.content.get("note")))
    return np.frombuffer(b"".join(narrow), FRAME), np.frombuffer(b"".join(wide), FRAME_FD), notes


def main(folder: Path, count: int) -> None:
    socket = next(folder.glob("*.sock"), folder / "acquire.sock")
    for _ in range(600):
        socket = next(folder.glob("*.sock"), socket)
        if socket.exists():
            break
        time.sleep(0.1)
    wait_for(socket)
    bus = can.Bus("vcan0", interface="socketcan", fd=True)
    for number in range(count):
        extended = number % 2 == 1
        message = can.Message(
            arbitration_id=0x18DB33F1 if extended else 0x123,
            is_extended_id=extended,
            data=struct.pack(">Q", number),
        )
        bus.send(message, timeout=5)
    bus.send(can.Message(arbitration_id=0x77, is_fd=True, data=bytes(range(48))))
    time.sleep(2)
    ask(socket, "mark", origin="test")
    frames, wide, notes = recorded(folder)
    numbers = [int.from_bytes(row.tobytes(), "big") for row in frames["data"]]
    assert numbers == list(range(count)), f"{len(numbers)} of {count} frames, or out of order"
    assert (frames["flags"] & FLAG_EXTENDED != 0).tolist() == [n % 2 == 1 for n in range(count)]
    assert set(frames["id"].tolist()) == {0x123, 0x18DB33F1}
    assert (np.diff(frames["t_host"]) >= 0).all(), "host stamps run back"
    assert (frames["t_device"] > 0).all(), "kernel stamps are missing"
    assert wide["length"].tolist() == [48]
    assert wide["data"][0, :48].tolist() == list(range(48))
    assert "lost" not in notes
    late = (frames["t_host"] - frames["t_host"][0]) - (frames["t_device"] - frames["t_device"][0])
    print(f"socketcan: {count} frames and one of CAN FD, none lost, in order")
    print(
        f"socketcan: read after the kernel's stamp, median {np.median(np.abs(late)) / 1e6:.2f} ms"
    )
    subprocess.run(["ip", "link", "set", "vcan0", "down"], check=True)
    for _ in range(100):
        if ask(socket, "status")["wires"]["can"]["state"] == "lost":
            break
        time.sleep(0.1)
    else:
        raise SystemExit("the interface went down and the wire is not lost")
    subprocess.run(["ip", "link", "set", "vcan0", "up"], check=True)
    wait_for(socket)
    print("socketcan: down is lost, up is back")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
