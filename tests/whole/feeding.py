"""What the tests of the whole daemon share: numbered bytes on a real line, and real processes."""

from __future__ import annotations

import contextlib
import os
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterable, Iterator
from pathlib import Path

from daq.commands import CommandError, ask
from daq.journal import ChunkRow, Entry

HERE = Path(__file__).resolve().parent
BENCH = """
[bench]
name = "Test bench"
[wire.line]
kind = "serial"
port = "{port}"
baud = 921600
"""
SERVE = (
    "import sys; from pathlib import Path; from daq.serve import serve;"
    "sys.exit(serve(Path(sys.argv[1]), finaliser=sys.argv[2]))"
)


class Feeder(threading.Thread):
    """Writes the numbers 0, 1, 2 ... as 4 bytes each to a pseudo-terminal behind a link."""

    def __init__(self, link: Path, rate_hz: float = 500.0, burst: int = 8) -> None:
        super().__init__(daemon=True)
        self.link, self.period_s, self.burst = link, burst / rate_hz, burst
        self.written = 0
        self._ended = threading.Event()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self._slave))

    def run(self) -> None:
        while not self._ended.wait(self.period_s):
            numbers = range(self.written, self.written + self.burst)
            with contextlib.suppress(BlockingIOError):  # nobody reads: the numbers wait
                sent = os.write(self._master, b"".join(struct.pack(">I", n) for n in numbers))
                assert sent == 4 * self.burst, "a pseudo-terminal took half a burst"
                self.written += self.burst

    def received(self) -> bytes:
        with contextlib.suppress(BlockingIOError):
            return os.read(self._master, 65536)
        return b""

    def close(self) -> None:
        self._ended.set()
        if self.is_alive():
            self.join()
        os.close(self._master)
        os.close(self._slave)
        self.link.unlink(missing_ok=True)


def numbers_of(entries: Iterable[Entry], wire: str = "line") -> list[int]:
    """The numbers recorded; the bytes must be whole numbers from the first on."""
    data = b"".join(
        chunk.data
        for entry in entries
        if isinstance(entry, ChunkRow) and entry.wire == wire
        for chunk in entry.chunks
    )
    return [number for (number,) in struct.iter_unpack(">I", data[: len(data) // 4 * 4])]


def without_gap(numbers: list[int]) -> bool:
    """Whether the numbers follow each other."""
    return bool(numbers) and numbers == list(range(numbers[0], numbers[0] + len(numbers)))


@contextlib.contextmanager
def workshop() -> Iterator[Path]:
    """A folder with a short path (a socket's path has 107 bytes at most)."""
    folder = Path(tempfile.mkdtemp(prefix="daq-", dir="/tmp"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def write_bench(folder: Path, text: str = BENCH) -> Path:
    """A bench file whose wire is the link `line` in *folder*."""
    path = folder / "bench.toml"
    path.write_text(text.format(port=folder / "line"))
    return path


class Acquire:
    """The acquisition process alone."""

    def __init__(self, config: Path) -> None:
        self.folder = config.parent
        self.journal = self.folder / "journal"
        self.socket = self.folder / "acquisition.sock"
        where = ["--journal", str(self.journal), "--run-dir", str(self.folder)]
        self.log = (self.folder / "acquire.log").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq.acquire", str(config), *where],
            stdin=subprocess.PIPE,
            stderr=self.log,
        )
        wait_for(lambda: self.socket.exists() and answers(self.socket), "acquisition answers")

    def end(self) -> int:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.log.close()
        return self.process.wait(10)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.log.close()

    @property
    def said(self) -> str:
        return (self.folder / "acquire.log").read_text()


def answers(socket: Path) -> bool:
    try:
        ask(socket, "status", timeout_s=2.0)
    except CommandError:
        return False
    return True


def wait_for(done: object, what: str, timeout_s: float = 20.0) -> None:
    """Wait until *done* returns something true; fails naming *what*."""
    assert callable(done)
    end = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < end, f"not within {timeout_s} s: {what}"
        time.sleep(0.02)


class Serve:
    """The whole daemon, with a stand-in for the finaliser."""

    def __init__(self, config: Path, *, slow_s: float = 0.0) -> None:
        self.folder, self.journal = config.parent, config.parent / "journal"
        self.socket = self.journal / "acquisition.sock"
        finaliser = f"{sys.executable} {HERE / 'stand_in.py'} --slow {slow_s}"
        environment = {k: v for k, v in os.environ.items() if k != "RUNTIME_DIRECTORY"}
        self._log = (self.folder / "serve.log").open("ab")
        self.process = subprocess.Popen(
            [sys.executable, "-c", SERVE, str(config), finaliser],
            stderr=self._log,
            env=environment,
        )
        self._log.close()

    def wait_ready(self) -> None:
        wait_for(lambda: self.socket.exists() and answers(self.socket), "acquisition answers")
        wait_for(lambda: self.wires_open(), "the wire is open")

    def wires_open(self) -> bool:
        wires = ask(self.socket, "status")["wires"]
        return all(wire["state"] == "open" for wire in wires.values())

    def pid(self, role: str) -> int:
        """Process number of acquisition, main, finaliser or supervisor; 0 when there is none."""
        if role == "supervisor":
            return self.process.pid
        if role == "finaliser":
            return next(iter(children(self.pid("main"), "stand_in")), 0)
        word = {"acquisition": "daq.acquire", "main": "daq.main"}[role]
        return next(iter(children(self.process.pid, word)), 0)

    @property
    def said(self) -> str:
        return (self.folder / "serve.log").read_text()


def children(pid: int, word: str) -> list[int]:
    """Children of a process whose command line has *word* in it."""
    found = []
    with contextlib.suppress(OSError):
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            command = Path(f"/proc/{child}/cmdline").read_bytes()
            if word.encode() in command:
                found.append(int(child))
    return found


def gone(pid: int) -> bool:
    """Whether a process has ended (one that nobody waits for counts as ended)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True
