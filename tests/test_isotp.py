"""The transport protocol: published frames, and the can-isotp package as a peer."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import isotp as peer
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.wire import isotp
from daq.wire.isotp import Assembler, Message

CHECKS = json.loads((Path(__file__).parent / "data/obd_check_values.json").read_text())["values"]
SECOND = 1_000_000_000


def checks(prefix: str) -> list[Any]:
    found = [pytest.param(c, id=c["id"]) for c in CHECKS if c["id"].startswith(prefix)]
    assert found
    return found


# --- published values; each check names its source


@pytest.mark.parametrize("check", checks("isotp.stmin"))
def test_separation_time(check):
    assert isotp.separation_us(int(check["inputs"]["stmin_hex"], 16)) == check["expected"]


def in_words(head: bytes) -> str:
    """What the first bytes of a frame say, by the functions under test."""
    if head[0] >> 4 == isotp.FLOW_CONTROL:
        flow = isotp.flow_control(head)
        assert flow is not None
        if flow.status == isotp.CONTINUE:
            return f"FC CTS, BS {flow.block_size}, STmin {flow.separation_us // 1000} ms"
        return {isotp.WAIT: "FC WAIT", isotp.OVERFLOW: "FC OVERFLOW"}[flow.status]
    if head[0] >> 4 == isotp.SINGLE:
        message = Assembler().take(head.ljust(8, b"\0"), 0)
        assert message is not None
        return f"SF length {len(message.data)}"
    if head[0] >> 4 == isotp.FIRST:
        return f"FF length {length_announced(head)}"
    assert head[0] >> 4 == isotp.CONSECUTIVE
    return f"CF sequence {sequence_expected(head)}"


def length_announced(head: bytes) -> int:
    """How many bytes the assembler hands over when enough consecutive frames follow."""
    assembler = Assembler()
    assert assembler.take(head.ljust(8, b"\0"), 0) is None
    for number in range(1, 600):
        message = assembler.take(bytes([0x20 | number & 15, *bytes(7)]), 0)
        if message is not None:
            return len(message.data)
    raise AssertionError("never whole")


def sequence_expected(head: bytes) -> int:
    """The place behind the first frame at which the assembler takes *head*."""
    for before in range(16):
        assembler = Assembler()
        assembler.take(bytes([0x10, 6 + 7 * (before + 1), *bytes(6)]), 0)
        for number in range(1, before + 1):
            assembler.take(bytes([0x20 | number & 15, *bytes(7)]), 0)
        if assembler.take(head.ljust(8, b"\0"), 0) is not None:
            return before + 1 & 15
    raise AssertionError("never taken")


@pytest.mark.parametrize("check", checks("isotp.pci"))
def test_head_of_a_frame(check):
    assert in_words(bytes.fromhex(check["inputs"]["pci_hex"])) == check["expected"]


@pytest.mark.parametrize("check", checks("isotp.vin.f") + checks("isotp.multipid.f"))
def test_published_exchange_frame_by_frame(check):
    """Requests, flow control and the message put together, as the published frames have them."""
    frames = [bytes.fromhex(line.split(" ", 1)[1]) for line in check["expected"]]
    request = bytes.fromhex(check["inputs"]["request"])
    assert isotp.single(request)[: len(request) + 1] == frames[0][: len(request) + 1]
    assert isotp.clear_to_send()[:3] == frames[2][:3]
    assembler = Assembler()
    assert assembler.take(frames[1], 1) is None
    assert assembler.wants_flow_control
    messages = [assembler.take(frame, 2 + n) for n, frame in enumerate(frames[3:])]
    assert messages[-1] == Message(bytes.fromhex(check["inputs"]["response"]), 1, 1 + len(messages))


# --- the peer


def frames_of_peer(data: bytes) -> list[bytes]:
    """Frames in which can-isotp sends *data*, let go by our flow control."""
    to_peer: list[Any] = []
    sent: list[bytes] = []
    logic = peer.TransportLayerLogic(
        rxfn=lambda timeout: to_peer.pop(0) if to_peer else None,
        txfn=lambda message: sent.append(bytes(message.data)),
        address=peer.Address(txid=0x7E8, rxid=0x7E0),
        params={"blocking_send": False},
    )
    logic.send(data)
    logic.process()
    if len(data) > 7:
        assert len(sent) == 1
        to_peer.append(peer.CanMessage(arbitration_id=0x7E0, data=isotp.clear_to_send()))
        while logic.transmitting():
            logic.process()
    return sent


@given(st.binary(min_size=1, max_size=300) | st.binary(min_size=4090, max_size=4095))
@settings(max_examples=40, deadline=None)
def test_whatever_the_peer_sends_is_put_together(data):
    frames, assembler = frames_of_peer(data), Assembler()
    messages = [assembler.take(frame, n) for n, frame in enumerate(frames)]
    assert messages[-1] == Message(data, 0, len(frames) - 1)
    assert not any(messages[:-1])
    assert assembler.broken == 0


@given(st.binary(min_size=1, max_size=7))
def test_the_peer_reads_our_requests(data):
    frame = peer.CanMessage(arbitration_id=0x7E0, data=isotp.single(data))
    assert peer.protocol.PDU(frame).data == data


@given(st.binary(min_size=3, max_size=3))
def test_flow_control_as_the_peer_reads_it(data):
    """The peer refuses reserved separation times, which the standard takes as 127 ms."""
    ours = isotp.flow_control(b"\x30"[:1] + data[1:])
    assert ours is not None
    if data[2] in (*range(0x80, 0xF1), *range(0xFA, 0x100)):
        assert ours.separation_us == 127_000
        return
    theirs = peer.protocol.PDU(peer.CanMessage(data=b"\x30" + data[1:]))
    assert ours.block_size == theirs.blocksize
    assert ours.separation_us == pytest.approx(theirs.stmin_sec * 1e6)


# --- what goes wrong


LONG = bytes(range(100))


def test_a_lost_frame_costs_its_message_and_no_other():
    frames, assembler = frames_of_peer(LONG), Assembler()
    for lost in range(1, len(frames)):
        before = assembler.broken
        spoilt = frames[:lost] + frames[lost + 1 :]
        assert not any(assembler.take(frame, 0) for frame in spoilt)
        assert [assembler.take(frame, 0) for frame in frames][-1] == Message(LONG, 0, 0)
        assert assembler.broken == before + 1


def test_a_frame_that_comes_twice_or_too_late_ends_the_message():
    frames, assembler = frames_of_peer(LONG), Assembler()
    assert not any(assembler.take(frame, 0) for frame in [*frames[:3], frames[2], *frames[3:]])
    late = [assembler.take(frame, n * (SECOND + 1)) for n, frame in enumerate(frames)]
    assert not any(late), "N_Cr is 1 s, ISO 15765-2"
    slow = [assembler.take(frame, n * 50_000_000) for n, frame in enumerate(frames)]
    assert slow[-1] is not None, "an ECU may take 50 ms between frames"
    assert assembler.broken == 2


@pytest.mark.parametrize("size", [0, 8])
def test_a_single_frame_carries_one_to_seven_bytes(size):
    with pytest.raises(ValueError, match=f"1 to 7 bytes, not {size}"):
        isotp.single(bytes(size))


@given(st.lists(st.binary(max_size=8), max_size=40))
def test_any_frames_are_survived_and_none_gives_more_than_it_holds(frames):
    assembler, given_bytes = Assembler(), 0
    for number, frame in enumerate(frames):
        given_bytes += len(frame)
        message = assembler.take(frame, number)
        assert isotp.flow_control(frame) is None or frame[0] >> 4 == isotp.FLOW_CONTROL
        if message is not None:
            assert 1 <= len(message.data) <= given_bytes
            assert message.t_first <= message.t_last == number
