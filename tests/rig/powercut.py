"""A journal under a power cut: what commit() acknowledged is there afterwards, and nothing false.

``write`` commits numbered chunks for ever and notes each acknowledged seq in a file that the cut
cannot reach; ``check`` opens the journal as the next start does and compares.
"""

from __future__ import annotations

import sys
from pathlib import Path

from daq.clock import boot_id, monotonic_ns
from daq.driver import Chunk, ChunkKind
from daq.entries import ChunkRow
from daq.journal import Journal, JournalWriter, Limits


def payload(number: int) -> bytes:
    return number.to_bytes(8, "big") * 300


def write(folder: Path, promised: Path) -> None:
    folder.mkdir(exist_ok=True)
    limits = Limits(part_bytes=2_000_000, reserve_bytes=1_000_000)
    documents = {"bench.toml": b"[bench]\nname = 'cut'\n"}
    with (
        JournalWriter(folder, documents, "bench.toml", boot_id=boot_id(), limits=limits) as writer,
        promised.open("w") as oracle,
    ):
        number = 0
        while True:
            for _ in range(3):
                writer.append("wire", [Chunk(ChunkKind.RX, monotonic_ns(), payload(number))])
                number += 1
            writer.commit()
            print(number, file=oracle, flush=True)
            if writer.wants_rotation:
                writer.rotate()


def check(folder: Path, promised: Path) -> None:
    wanted = int(promised.read_text().split()[-1])
    found: list[bytes] = []
    with Journal(folder) as journal:
        for entry in journal.entries():
            if isinstance(entry, ChunkRow):
                found += [chunk.data for chunk in entry.chunks]
    for number, data in enumerate(found):
        assert data == payload(number), f"chunk {number} is not what was written"
    assert len(found) >= wanted, f"{wanted} chunks were promised, {len(found)} are there"
    documents = {"bench.toml": b"[bench]\nname = 'cut'\n"}
    with JournalWriter(folder, documents, "bench.toml", boot_id=boot_id()) as writer:
        writer.append("wire", [Chunk(ChunkKind.RX, monotonic_ns(), b"after")])
        writer.commit()
    print(f"promised {wanted}, there {len(found)}: none lost, and it goes on")


if __name__ == "__main__":
    {"write": write, "check": check}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
