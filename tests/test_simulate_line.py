"""The simulated serial line: pace, order and faults."""

from __future__ import annotations

from itertools import pairwise

import pytest

from daq.errors import ConfigError
from daq.simulate.bench import read_faults
from daq.simulate.line import PACKET_BYTES, Faults, Line

BYTE_S = 10 / 115_200


def taken(line, until_s, step_s=0.001, begin_s=0.0):
    """(time, bytes) of every read that returned something."""
    reads, steps = [], round((until_s - begin_s) / step_s)
    for n in range(1, steps + 1):
        now = begin_s + n * step_s
        if data := line.take(now):
            reads.append((now, data))
    return reads


def test_bytes_arrive_no_earlier_than_the_line_carries_them():
    line, sent = Line(BYTE_S), bytes(range(256)) * 4
    line.put(0.0, sent)
    arrived = 0
    for now, data in taken(line, 0.2):
        arrived += len(data)
        # Source: 8N1 is 10 bits a byte; 86.8 µs at 115200 Bd
        assert arrived * 86.8e-6 <= now + 1e-4
    assert arrived == len(sent)


def test_a_second_frame_waits_for_the_first():
    line = Line(BYTE_S)
    line.put(0.0, b"a" * 100)
    line.put(0.001, b"b" * 10)
    reads = taken(line, 0.05)
    assert b"".join(data for _, data in reads) == b"a" * 100 + b"b" * 10
    assert reads[-1][0] >= 110 * BYTE_S


def test_latency_timer_holds_back_parts_of_a_packet():
    line = Line(BYTE_S, Faults(latency_timer_s=0.016))
    for n in range(50):
        line.put(n * 0.010, bytes(20))
    reads = taken(line, 0.6)
    assert sum(len(data) for _, data in reads) == 1000
    gaps = [b[0] - a[0] for a, b in pairwise(reads)]
    short = [gap for gap, (_, data) in zip(gaps, reads[1:]) if len(data) % PACKET_BYTES]
    assert min(short) >= 0.016 - 1e-9


def test_stall_delivers_everything_late():
    line = Line(BYTE_S, Faults(stalls=((0.1, 0.2),)))
    for n in range(50):
        line.put(n * 0.010, bytes([n]))
    reads = taken(line, 0.6)
    assert b"".join(data for _, data in reads) == bytes(range(50))
    assert not [now for now, _ in reads if 0.1 <= now < 0.3 - 1e-9]


def test_hung_device_is_silent_and_loses_what_it_would_have_said():
    line = Line(BYTE_S, Faults(hung=((0.1, 0.2),)))
    for n in range(50):
        line.put(n * 0.010 + 0.005, bytes([n]))
    got = b"".join(data for _, data in taken(line, 0.6))
    assert got == bytes(range(10)) + bytes(range(30, 50))


def test_unplugged_line_loses_what_was_on_its_way():
    line = Line(BYTE_S, Faults(unplugged=((0.1, 0.2),)))
    for n in range(50):
        line.put(n * 0.010 + 0.005, bytes([n]))
    got = b"".join(data for _, data in taken(line, 0.6))
    assert got == bytes(range(10)) + bytes(range(30, 50))


def test_noise_and_losses_come_at_their_rates_and_by_seed():
    def spoilt(seed):
        line = Line(BYTE_S, Faults(noise_bytes_per_s=20.0), seed)
        for n in range(2000):
            line.put(n * 0.010, bytes(50))
        return b"".join(data for _, data in taken(line, 21.0, 0.05))

    first = spoilt(1)
    # 100,000 bytes take 8.68 s on the line: 174 noise bytes, give or take 4 standard deviations
    assert abs(len(first) - 100_000 - 174) < 53
    assert first == spoilt(1)
    assert first != spoilt(2)

    line = Line(BYTE_S, Faults(lost_bytes_per_s=20.0), 1)
    line.put(0.0, bytes(100_000))
    assert abs(len(line.take(60.0)) - (100_000 - 174)) < 53


def test_faults_file_names_every_mistake(tmp_path):
    file = tmp_path / "faults.toml"
    file.write_text("[unt]\nhung = []\n[unit]\nstals = [[1.0, 2.0]]\nnoise_bytes_per_s = -1\n")
    with pytest.raises(ConfigError) as caught:
        read_faults(file)
    text = str(caught.value)
    assert "did you mean 'unit'" in text
    assert "did you mean 'stalls'" in text
    assert "noise_bytes_per_s" in text


def test_faults_file_is_read(tmp_path):
    file = tmp_path / "faults.toml"
    file.write_text("[unit]\nstalls = [[1.0, 0.25]]\nclock_ppm = 80.0\n")
    assert read_faults(file) == {"unit": Faults(stalls=((1.0, 0.25),), clock_ppm=80.0)}
