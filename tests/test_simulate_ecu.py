"""The simulated car answers OBD on its bus, through the adapter's lines."""

from __future__ import annotations

from daq.simulate.bench import Rig, Settings
from daq.wire import slcan


def exchange(rig: Rig, command: bytes, seconds: float = 0.05) -> list[tuple[int, bytes]]:
    """Frames with an identifier of diagnostics that come after *command*."""
    rig.receive("car_can", command)
    data = b""
    for _ in range(round(seconds * 1000)):
        rig.step()
        data += rig.lines["car_can"].take(rig.time_s)
    frames = slcan.split(bytearray(data)).frames
    mine = frames[(frames["id"] >= 0x7E0) & (frames["id"] <= 0x7EF)]
    return [(int(f["id"]), f["data"][: f["length"]].tobytes()) for f in mine]


def test_supported_parameters_and_engine_speed():
    rig = Rig(Settings(seed=1), opened=True)
    exchange(rig, b"")
    ((identifier, data),) = exchange(rig, b"t7DF80201000000000000\r")
    assert identifier == 0x7E8
    assert data[:3] == b"\x06\x41\x00"
    ((_, data),) = exchange(rig, b"t7E0802010C0000000000\r")
    assert data[:3] == b"\x04\x41\x0c"
    # an idling engine; w/4 rpm, SAE J1979
    assert 600 < int.from_bytes(data[3:5], "big") / 4 < 1100


def test_several_parameters_come_in_several_frames_after_flow_control():
    rig = Rig(Settings(seed=1), opened=True)
    exchange(rig, b"")
    first = exchange(rig, b"t7E0806010C0B0D0F0500\r")
    assert [data[0] >> 4 for _, data in first] == [1]
    rest = exchange(rig, b"t7E083000000000000000\r")
    assert [data[0] for _, data in rest] == [0x21]


def test_a_listening_adapter_sends_nothing():
    rig = Rig(Settings(seed=1))
    rig.receive("car_can", b"S6\rL\r")
    assert exchange(rig, b"t7DF80201000000000000\r") == []


def test_another_service_is_refused():
    rig = Rig(Settings(seed=1), opened=True)
    exchange(rig, b"")
    ((_, data),) = exchange(rig, b"t7E080109000000000000\r")
    assert data[:4] == b"\x03\x7f\x09\x11"
