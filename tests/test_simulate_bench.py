"""The simulated bench as a process on real pseudo-terminals, in real time."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager

import numpy as np
import pytest

from daq.simulate.bench import Settings, record, run
from daq.simulate.line import Faults
from daq.simulate.port import Port
from daq.simulate.pulse_unit import ASK_ECHO, ECHO, cobs_decode, frame
from daq.simulate.truth import COLUMNS, read


def wait_for(path, seconds=10.0):
    until = time.monotonic() + seconds
    while not path.exists():
        assert time.monotonic() < until, f"{path} did not appear"
        time.sleep(0.005)
    return path


def listen(path, seconds):
    """[(monotonic ns, bytes)] of everything read from a port within *seconds*."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    reads, until = [], time.monotonic() + seconds
    try:
        while (left := until - time.monotonic()) > 0:
            if select.select([descriptor], [], [], left)[0]:
                data = os.read(descriptor, 4096)
                reads.append((time.monotonic_ns(), data))
    finally:
        os.close(descriptor)
    return reads


@contextmanager
def bench_process(folder, *arguments):
    command = [sys.executable, "-m", "daq.simulate", "--folder", str(folder), *arguments]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
        process.stdout.close()


@contextmanager
def bench_thread(folder, **keywords):
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(folder,), kwargs={"stop": stop, **keywords})
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(10)
        assert not thread.is_alive()


@pytest.mark.whole
def test_process_serves_both_ports_and_writes_the_truth(tmp_path):
    truth_file = tmp_path / "truth.npz"
    with bench_process(tmp_path, "--truth", str(truth_file), "--seed", "4") as process:
        began = json.loads(process.stdout.readline())
        assert began["event"] == "idle"
        reads = listen(wait_for(tmp_path / "unit"), 2.5)
    stream = b"".join(data for _, data in reads)
    # Source: the bytes of the same bench recorded without a clock
    same = b"".join(c.data for c in record(Settings(seed=4), until_s=8.0).chunks["unit"])
    middle = stream[len(stream) // 3 : len(stream) * 2 // 3]
    assert middle in same
    table, description = read(truth_file)
    assert list(table) == list(COLUMNS)
    assert description["start_ns"] == began["host_ns"]
    assert description["seed"] == 4
    assert len(table["time"]) > 2000
    assert np.allclose(np.diff(table["time"]), 0.001)
    assert not (tmp_path / "unit").is_symlink()


@pytest.mark.whole
def test_bytes_keep_pace_with_the_clock(tmp_path):
    with bench_thread(tmp_path):
        reads = listen(wait_for(tmp_path / "unit"), 2.0)
    times = np.array([t for t, _ in reads]) / 1e9
    counts = np.cumsum([len(data) for _, data in reads])
    rate = (counts[-1] - counts[0]) / (times[-1] - times[0])
    nominal = sum(len(c.data) for c in record(until_s=4.0).chunks["unit"]) / 4.0
    assert rate == pytest.approx(nominal, rel=0.1)
    # no burst faster than the line: 921600 Bd are 92,160 bytes/s, one late beat of 20 ms allowed
    for begin in range(0, len(times) - 20, 10):
        span = times[begin + 20] - times[begin]
        assert counts[begin + 20] - counts[begin] <= 92_160 * (span + 0.020)


def drain(descriptor):
    """Read until nothing is left; returns the number of bytes."""
    total = 0
    while data := os.read(descriptor, 4096):
        total += len(data)
        if not os.get_blocking(descriptor) and not select.select([descriptor], [], [], 0.1)[0]:
            break
    return total


@pytest.mark.whole
def test_unplugged_port_errs_and_comes_back_under_its_link(tmp_path):
    faults = {"unit": Faults(unplugged=((1.0, 0.7),))}
    with bench_thread(tmp_path, settings=Settings(faults=faults)):
        port = wait_for(tmp_path / "unit")
        first = os.open(port, os.O_RDWR | os.O_NOCTTY)
        name = os.readlink(port)
        with pytest.raises(OSError, match="Input/output error"):
            drain(first)
        assert not port.is_symlink()
        wait_for(port)
        assert os.readlink(port) != name
        os.close(first)
        assert sum(len(data) for _, data in listen(port, 0.5)) > 5_000


@pytest.mark.whole
def test_echo_lies_between_request_and_answer(tmp_path):
    """The unit's receive tick is never earlier than the request, nor its answer later."""
    heard = []
    with bench_thread(tmp_path, report=lambda event, host_ns: heard.append((event, host_ns))):
        descriptor = os.open(wait_for(tmp_path / "unit"), os.O_RDWR | os.O_NOCTTY)
        try:
            echoes = [exchange(descriptor, token) for token in range(1, 16)]
        finally:
            os.close(descriptor)
    start_ns = heard[0][1]
    settings = Settings()
    rate = 1e6 * (1 + settings.unit.crystal_ppm * 1e-6)
    for sent_ns, answered_ns, received_tick, sent_tick in echoes:
        for tick in (received_tick, sent_tick):
            # a tick is floored to a microsecond
            time_ns = start_ns + 1e9 * ((tick - settings.unit.first_tick) % 2**32 + 1) / rate
            assert sent_ns < time_ns < answered_ns


def exchange(descriptor, token):
    """One echo: (sent ns, answered ns, unit's receive tick, unit's answer tick)."""
    payload = token.to_bytes(8, "little")
    sent_ns = time.monotonic_ns()
    os.write(descriptor, frame(bytes([ASK_ECHO]) + bytes(7) + payload))
    buffer, until = b"", time.monotonic() + 5.0
    while time.monotonic() < until:
        buffer += os.read(descriptor, 4096)
        answered_ns = time.monotonic_ns()
        for code in buffer.split(b"\0")[:-1]:
            body = cobs_decode(code) if code else None
            if body and body[0] == ECHO and body[8:16] == payload:
                ticks = body[16:24]
                return (sent_ns, answered_ns, int.from_bytes(ticks[:4], "little"),
                        int.from_bytes(ticks[4:], "little"))  # fmt: skip
    raise AssertionError(f"no answer to echo {token}")


@pytest.mark.whole
def test_adapter_is_opened_on_its_port(tmp_path):
    with bench_thread(tmp_path):
        port = wait_for(tmp_path / "car_can")
        assert listen(port, 0.3) == []
        descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY)
        os.write(descriptor, b"\r\rC\rS6\rL\r")
        os.close(descriptor)
        lines = b"".join(data for _, data in listen(port, 0.6)).split(b"\r")
    frames = [line for line in lines if line[:1] in (b"t", b"T")]
    assert len([line for line in frames if line.startswith(b"t110")]) > 30


def test_unknown_fault_is_named_without_a_traceback(tmp_path):
    file = tmp_path / "faults.toml"
    file.write_text("[unit]\nstals = []\n")
    command = [sys.executable, "-m", "daq.simulate", "--folder", str(tmp_path), "--faults", file]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
    assert done.returncode == 1
    assert "unit.stals: no such key; did you mean 'stalls'?" in done.stderr
    assert "Traceback" not in done.stderr


def test_port_nobody_reads_loses_bytes_and_counts_them(tmp_path):
    port = Port(tmp_path / "unit")
    for _ in range(100):
        port.write(bytes(1000))
    descriptor = os.open(tmp_path / "unit", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    assert port.overrun > 0
    assert drain(descriptor) + port.overrun == 100_000
    os.close(descriptor)
    port.unplug()
    port.write(b"gone")
    assert port.read() == b""
