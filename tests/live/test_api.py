"""The API on its real socket: every answer against its own description, every bad request named.

Source of the description's rules: OpenAPI 3.1 by openapi-spec-validator, JSON Schema 2020-12 by
jsonschema; of the event stream: HTML Living Standard, 9.2.
"""

from __future__ import annotations

import http.client
import json
import os
import socket
import stat
import tempfile
import threading
import time
from itertools import pairwise
from pathlib import Path

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openapi_spec_validator import validate

from daq.commands import CommandError
from daq.live.bulletin import Bulletin
from daq.live.client import ApiClient, ApiError, NoDaemon, _Connection
from daq.live.events import WAITING
from daq.live.openapi import document
from daq.live.server import Server
from daq.live.values import Live


class Daemon:
    """A server with the readings of a simulated bench, and a recorder of commands."""

    def __init__(self, folder, bench, ticks):
        self.folder, self.given, self.refusal = folder, [], ""
        self.server = Server(folder, self.command, folder / "runs")
        self.live = Live(bench)
        self.bulletin = Bulletin(self.live, self.server, self.tell)
        self.told = []
        self.ticks = iter(ticks)
        for _ in range(60):
            self.step()
        self.server.start()
        self.client = ApiClient(folder / "api.sock", timeout_s=5.0)

    def tell(self, command, **values):
        self.told.append((command, values))

    def command(self, wanted):
        if self.refusal:
            raise CommandError(self.refusal)
        self.given.append(wanted)
        return {"ok": True, "seq": 7, "t_ns": 123}

    def step(self):
        now, entries = next(self.ticks)
        for entry in entries:
            self.live.feed(entry)
        self.bulletin.issue(now, now)


@pytest.fixture
def daemon(simulated_run, simulated_ticks):
    with tempfile.TemporaryDirectory(prefix="daq-", dir="/tmp") as folder:
        daemon = Daemon(Path(folder), simulated_run.bench, simulated_ticks)
        wait_for(lambda: daemon.server._server is not None and daemon.server._server.started)
        yield daemon
        daemon.server.close()
        assert not daemon.server.is_alive()


def wait_for(done, timeout_s=5.0):
    end = time.monotonic() + timeout_s
    while not done():
        assert time.monotonic() < end
        time.sleep(0.005)


def ask(daemon, method, path, body=None, **headers):
    connection = _Connection(daemon.folder / "api.sock", 5.0)
    try:
        data = body if isinstance(body, bytes | None) else json.dumps(body)
        connection.request(method, path, data, {k.replace("_", "-"): v for k, v in headers.items()})
        answer = connection.getresponse()
        return answer.status, json.loads(answer.read())
    finally:
        connection.close()


def check(content, name):
    described = document()
    schema = {"$ref": f"#/components/schemas/{name}", "components": described["components"]}
    jsonschema.Draft202012Validator(schema).validate(content)


# --- description


def test_description_is_valid_and_covers_every_path(daemon):
    described = daemon.client.get("/openapi.json")
    validate(described)
    assert set(described["paths"]) == set(daemon.server._api.paths)


def test_answers_are_as_described(daemon):
    runs = daemon.folder / "runs" / "front"
    runs.mkdir(parents=True)
    (runs / "a.h5").write_bytes(b"12345")
    check(daemon.client.get("/state"), "State")
    for channel in daemon.client.get("/channels"):
        check(channel, "Channel")
    check(daemon.client.get("/channels/map"), "Channel")
    (run,) = daemon.client.get("/runs")
    check(run, "Run")
    assert (run["file"], run["bytes"]) == ("front/a.h5", 5)


def test_schemas_would_notice(daemon):
    channel = daemon.client.get("/channels/map")
    for wrong in ({"state": "fine"}, {"extra": 1}, {"age_s": "0.1"}):
        with pytest.raises(jsonschema.ValidationError):
            check({**channel, **wrong}, "Channel")


def test_channel_tells_what_a_technician_asks(daemon, simulated_run):
    oil = daemon.client.get("/channels/oil")
    assert oil["unit"] == "degC"
    assert oil["state"] == "running"
    assert oil["value"] == pytest.approx(96, abs=8)
    assert isinstance(oil["raw"], int)
    assert oil["rate_hz"] == pytest.approx(1000, rel=0.05)


def test_socket_is_for_owner_and_group(daemon):
    assert stat.S_IMODE(os.stat(daemon.folder / "api.sock").st_mode) == 0o660


def test_before_main_has_said_anything_there_is_nothing():
    with (
        tempfile.TemporaryDirectory(prefix="daq-", dir="/tmp") as folder,
        pytest.raises(NoDaemon, match=r"api.sock: no daemon answers here"),
    ):
        ApiClient(Path(folder) / "api.sock").get("/state")


# --- commands


def test_command_is_sent_on_and_answered(daemon):
    answer = daemon.client.command("mark", "button", text="gear 3")
    check(answer, "Done")
    assert daemon.given == [{"command": "mark", "origin": "button", "content": {"text": "gear 3"}}]


def test_refusal_comes_with_its_reason(daemon):
    daemon.refusal = "stop: no run is being recorded"
    status, answer = ask(daemon, "POST", "/commands", {"command": "stop"}, content_type=JSON)
    assert (status, answer) == (409, {"error": "stop: no run is being recorded"})
    with pytest.raises(ApiError, match="no run is being recorded"):
        daemon.client.command("stop")


JSON = "application/json"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"command": "strat"}, "command: 'strat'; did you mean 'start'?"),
        ({"command": "rotate"}, "command: 'rotate'; known: arm, "),
        ({}, "command: missing; expected one of arm"),
        ({"command": 3}, "command: 3; expected a text"),
        ({"command": "mark", "orgin": "x"}, "orgin: no such key; did you mean 'origin'?"),
        ({"command": "mark", "content": []}, "content: []; expected an object"),
        ({"command": "mark", "t_ns": True}, "t_ns: True; expected host time in ns"),
        ([1], "body: list; expected a JSON object"),
        (b"{", "body: not JSON"),
        (b"\xff\xfe", "body: not JSON"),
        (b"[" * 50_000, "body: not JSON"),
    ],
)
def test_bad_command_is_named(daemon, body, words):
    status, answer = ask(daemon, "POST", "/commands", body, content_type=JSON)
    assert status == 400
    check(answer, "Error")
    assert answer["error"].startswith(words)
    assert daemon.given == []


@pytest.mark.parametrize(
    ("method", "path", "headers", "status", "words"),
    [
        ("GET", "/chanels", {}, 404, "/chanels: no such path; did you mean '/channels'?"),
        ("GET", "/channels/oli", {}, 404, "channels: no channel is called 'oli'; did you mean"),
        ("GET", "/channels/..%2f..%2fetc", {}, 404, "/channels/"),
        ("DELETE", "/state", {}, 405, "/state: DELETE is not for this path; expected GET"),
        ("GET", "/commands", {}, 405, "/commands: GET is not for this path; expected POST"),
        ("POST", "/events", {}, 405, "/events: POST is not for this path; expected GET"),
        ("POST", "/commands", {}, 415, "content-type: ''; expected application/json"),
        ("GET", "/events?rate_hz=fast", {}, 400, "rate_hz: 'fast'; expected a number from 0.1"),
        ("GET", "/events?rate_hz=nan", {}, 400, "rate_hz: 'nan'; expected"),
        ("GET", "/events?rate_hz=1000", {}, 400, "rate_hz: '1000'; expected"),
        ("GET", "/events?rate=5", {}, 400, "query: 'rate'; expected rate_hz"),
    ],
)
def test_bad_request_is_named(daemon, method, path, headers, status, words):
    found, answer = ask(daemon, method, path, None, **headers)
    assert found == status
    check(answer, "Error")
    assert answer["error"].startswith(words)


def test_long_body_is_refused(daemon):
    body = json.dumps({"command": "mark", "content": {"x": "y" * 70_000}}).encode()
    status, answer = ask(daemon, "POST", "/commands", body, content_type=JSON)
    assert (status, answer["error"][:22]) == (413, "body: more than 65536 ")


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=300))
def test_any_bytes_on_the_socket_leave_it_answering(daemon, noise):
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(daemon.folder / "api.sock"))
        line.sendall(noise)
        line.shutdown(socket.SHUT_WR)
    assert daemon.client.get("/state")["bench"] == "bay 2"
    assert daemon.given == []


# --- events


def collect(daemon, count, rate_hz=20.0):
    """A thread that takes *count* events."""
    found = []

    def take():
        for event in daemon.client.events(rate_hz):
            found.append(event)
            if len(found) >= count:
                return

    thread = threading.Thread(target=take)
    thread.start()
    before = len(daemon.server._api.hub.clients)
    wait_for(lambda: found and len(daemon.server._api.hub.clients) >= max(1, before))
    return thread, found


SCHEMA_OF = {
    "whole": "EventWhole", "values": "EventValues", "channel": "EventChannel",
    "state": "EventState", "limit": "EventLimit", "mark": "EventMark",
}  # fmt: skip


def test_events_are_as_described_and_none_is_missing(daemon):
    thread, found = collect(daemon, 40)
    for _ in range(60):
        daemon.step()
        time.sleep(0.001)
    thread.join(5)
    assert found[0].kind == "whole"
    for event in found:
        check(event.data, SCHEMA_OF[event.kind])
    numbers = [event.number for event in found[1:]]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    values = [event for event in found if event.kind == "values"]
    assert len(values) > 30
    assert values[-1].data["channels"]["map"][3] == "running"
    assert ("pace", {"value": "fast"}) in daemon.told


def test_all_clients_get_the_same(daemon):
    both = [collect(daemon, 30) for _ in range(2)]
    wait_for(lambda: len(daemon.server._api.hub.clients) == 2)
    for _ in range(40):
        daemon.step()
        time.sleep(0.001)
    for thread, _ in both:
        thread.join(5)
    one, other = ({e.number: e.data for e in found if e.number} for _, found in both)
    shared = set(one) & set(other)
    assert len(shared) > 20
    assert all(one[number] == other[number] for number in shared)


def test_rate_thins_out_values_only(daemon):
    thread, found = collect(daemon, 8, rate_hz=5.0)
    for _ in range(60):
        daemon.step()
        time.sleep(0.001)
    thread.join(5)
    times = [event.data["t_ns"] for event in found if event.kind == "values"]
    steps = [(b - a) / 1e9 for a, b in pairwise(times)]
    assert steps == pytest.approx([0.2] * len(steps), abs=0.051)


def test_client_that_does_not_read_is_dropped_and_delays_no_one(daemon):
    with socket.socket(socket.AF_UNIX) as stuck:
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.connect(str(daemon.folder / "api.sock"))
        stuck.sendall(b"GET /events HTTP/1.1\r\nhost: x\r\n\r\n")
        wait_for(lambda: len(daemon.server._api.hub.clients) == 1)
        thread, found = collect(daemon, 300)
        wait_for(lambda: len(daemon.server._api.hub.clients) == 2)
        slowest, number = 0.0, 0
        while thread.is_alive():
            begun, number = time.monotonic(), number + 1
            event = {"t_ns": number, "channels": {}, "pad": "x" * 9000}
            daemon.server.publish("values", event)
            wait_for(lambda n=number: len(found) > n or not thread.is_alive())
            slowest = max(slowest, time.monotonic() - begun)
        thread.join(5)
        wait_for(lambda: daemon.server._api.hub.dropped == 1)
    assert len(found) == 300
    assert slowest < 1.0
    assert WAITING < 300


def test_client_that_goes_is_forgotten_and_the_pace_slows_down(daemon):
    thread, _ = collect(daemon, 3)
    for _ in range(10):
        daemon.step()
        time.sleep(0.002)
    thread.join(5)
    wait_for(lambda: not daemon.server._api.hub.clients)
    for _ in range(10):
        daemon.step()
    assert daemon.told[-1] == ("pace", {"value": "slow"})


def test_end_of_the_server_ends_the_stream(simulated_run, simulated_ticks):
    with tempfile.TemporaryDirectory(prefix="daq-", dir="/tmp") as folder:
        daemon = Daemon(Path(folder), simulated_run.bench, simulated_ticks)
        wait_for(lambda: daemon.server._server is not None and daemon.server._server.started)
        thread, _ = collect(daemon, 10_000)
        begun = time.monotonic()
        daemon.server.close()
        thread.join(5)
        assert not thread.is_alive()
        assert time.monotonic() - begun < 2.0
        with pytest.raises((NoDaemon, http.client.HTTPException, ApiError)):
            daemon.client.get("/state")
