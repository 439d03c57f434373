"""python-can's player, in a process of its own, feeds a serial line that is read as a wire is."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import can
import numpy as np
import pytest

from daq.driver import Chunk, Preface
from daq.recordings import read_recording
from daq.wire.can import FRAME
from daq.wire.serial import SerialPort
from drivers.can_dbc import CanDbc, DbcConfig

pytestmark = pytest.mark.whole

SLCAN = {"kind": "slcan", "bitrate": 500_000, "byte_ns": 0.0}


@pytest.fixture
def ends() -> Iterator[tuple[Path, Path]]:
    """Both ends of a serial line, joined by socat."""
    if shutil.which("socat") is None:
        pytest.skip("socat is not installed")
    with tempfile.TemporaryDirectory() as folder:
        near, far = Path(folder) / "near", Path(folder) / "far"
        join = [f"pty,raw,echo=0,link={end}" for end in (near, far)]
        process = subprocess.Popen(["socat", *join])
        deadline = time.monotonic() + 5
        while not (near.exists() and far.exists()) and time.monotonic() < deadline:
            time.sleep(0.01)
        yield near, far
        process.terminate()
        process.wait(5)


def played(ends: tuple[Path, Path], recording: Path) -> list[Chunk]:
    """What came over the line while the player played *recording* at its own pace."""
    near, far = ends
    port = SerialPort(str(near), baud=115200)
    command = [sys.executable, "-m", "can.player", "-i", "slcan", "-c", str(far), str(recording)]
    chunks: list[Chunk] = []
    try:
        with subprocess.Popen(command, stdout=subprocess.DEVNULL) as player:
            quiet_since = time.monotonic()
            while player.poll() is None or time.monotonic() < quiet_since + 0.5:
                arrived = [Chunk(*found) for found in port.read(0.2)]
                chunks += arrived
                if arrived:
                    quiet_since = time.monotonic()
        assert player.returncode == 0
    finally:
        port.close()
    return chunks


def check(chunks: list[Chunk], sent: np.ndarray, driver: CanDbc) -> dict[str, np.ndarray]:
    """No frame lost, added or altered; what the driver makes of them."""
    preface = Preface("can_dbc", 1, wire=SLCAN)
    live = driver.decoder(preface)
    reader = driver.decoder(preface).reader
    found = np.concatenate([frames for _, frames in reader.feed(chunks)])
    assert len(found) == len(sent)
    for name in ("id", "flags", "length", "data"):
        assert np.array_equal(found[name], sent[name]), name
    assert (np.diff(found["t_host"]) >= 0).all()
    # the player waits until the recorded time has passed, so a frame is never early by much
    took = (found["t_host"][-1] - found["t_host"][0]) / 1e9
    assert took == pytest.approx((sent["t_host"][-1] - sent["t_host"][0]) / 1e9, rel=0.1)
    values: dict[str, list[np.ndarray]] = {}
    for chunk in chunks:
        for block in live.feed([chunk]):
            for channel, raw in block.raw.items():
                values.setdefault(channel, []).append(raw)
    report = live.report()
    # the player speaks as a PC does to an adapter: O when it opens, C when it closes
    assert report["frames_bad"] == 2
    assert report["frames_unknown"] == len(sent) - report["frames_ok"]
    return {channel: np.concatenate(parts) for channel, parts in values.items()}


def test_no_frame_lost_at_1209_a_second(ends: tuple[Path, Path], tmp_path: Path) -> None:
    """1 209 frames/s for 3 s, standard and extended, of 0 to 8 bytes."""
    path = tmp_path / "made.log"
    rng = np.random.default_rng(7)
    with can.CanutilsLogWriter(path) as writer:
        for n in range(3 * 1209):
            extended = n % 5 == 4
            writer.on_message_received(
                can.Message(
                    timestamp=1000 + n / 1209,
                    arbitration_id=0x18FF0000 + n % 7 if extended else 0x100 + n % 7,
                    is_extended_id=extended,
                    data=n.to_bytes(4, "little") + rng.bytes(n % 5) if n % 11 else b"",
                    channel="can0",
                )
            )
    sent = np.concatenate([np.frombuffer(c.data, FRAME) for c in read_recording(path).chunks()])
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECU\n' + "".join(
        f'BO_ {0x100 + n} M{n}: 4 ECU\n SG_ Count{n} : 0|32@1+ (1,0) [0|0] "" ECU\n'
        for n in range(7)
    )
    driver = CanDbc(DbcConfig(Path("made.dbc")), {"made.dbc": text.encode()})
    values = check(played(ends, path), sent, driver)
    counts = np.sort(np.concatenate([values[f"count{n}"] for n in range(7)]))
    assert counts.tolist() == [n for n in range(3 * 1209) if n % 5 != 4 and n % 11]


def test_a_real_pull_played_over_the_line(ends: tuple[Path, Path], shared: Path) -> None:
    """7 402 frames in 6.12 s, as recorded; engine speed 907 to 5 005 rpm."""
    path = shared / "can" / "coupe_road_pull.log"
    sent = np.concatenate([np.frombuffer(c.data, FRAME) for c in read_recording(path).chunks()])
    content = (shared / "can" / "dbc" / "coupe.dbc").read_bytes()
    driver = CanDbc(DbcConfig(Path("coupe.dbc")), {"coupe.dbc": content})
    values = check(played(ends, path), sent, driver)
    assert len(sent) == 7402
    assert (values["ems1_n"].min() / 4, values["ems1_n"].max() / 4) == (907, 5005)
