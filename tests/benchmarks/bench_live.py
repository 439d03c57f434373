"""What the live view costs and how late it is.

``python tests/benchmarks/bench_live.py [--seconds 20]`` prints JSON lines; exit status 1 when a
limit is missed.

- *push*: 10 clients at 20 Hz, 40 channels, from a process that does nothing else: at most 2 % of a
  core, no event missing. Beside it what building and encoding alone costs in the same process.
- *latency*: a number is written on a pseudo-terminal and comes back as an event of the API, while
  the simulated bench loads the daemon with the nominal load (16 analogue inputs and an encoder at
  1 kHz, ignition edges, more than 20 signals of the car's bus at up to 100 Hz, six parameters
  polled 32 times a second) and one client watches: at most 150 ms at 95 %.
- *daemon*: supervisor, acquisition and main together, the same load and client: at most 10 % of a
  core. The simulated bench is a process of its own and does not count.
- *ready*: from the start of `daq serve` to READY=1, four wires, median of five: at most 0.5 s.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import random
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "whole")]

from bench_acquisition import cpu_of
from bench_storage import percentile, report
from feeding import children, wait_for, workshop

from daq.bench import ChannelConfig
from daq.channels import BenchChannel
from daq.clock import MILLISECOND_NS, SECOND_NS, monotonic_ns
from daq.driver import Channel, Stream
from daq.live.client import ApiClient, ApiError, _Connection
from daq.live.events import encode
from daq.live.reading import Reading
from daq.live.server import Server
from daq.simulate.demo import place

CLIENTS, CHANNELS, TICK_NS = 10, 40, 50 * MILLISECOND_NS
PROBE = """
[wire.probe]
kind = "serial"
port = "{port}"
baud = 921600

[device.probe]
wire = "probe"
driver = "text_line"
declaration = "streams/probe.toml"

[device.probe.channel.probe_number]
input = "number"
"""
DECLARATION = r"""
source = "made for this measurement"
terminator = "\n"

[[message]]
name = "probe"
pattern = 'N(?P<number>\d+)'

[[message.field]]
name = "number"
unit = "1"
"""


# --- push


def readings(now_ns: int) -> dict[str, Reading]:
    """40 channels, with values that change."""
    found = {}
    for number in range(CHANNELS):
        value = round(100 + number + now_ns % 1_000_000 / 7e4, 4)
        reading = Reading(CHANNEL[number], 1, value, 0, now_ns, 1000.0, "running", "", "ok")
        found[CHANNEL[number].name] = reading
    return found


CHANNEL = [
    BenchChannel(
        f"channel_{number:02}",
        "unit",
        Stream("analogue_1", ()),
        Channel(f"ai{number}", "kPa", ""),
        ChannelConfig(),
        listed=True,
    )
    for number in range(CHANNELS)
]


def push(folder: Path, seconds: float, told: Connection) -> None:
    """A process that publishes 20 times a second; tells its CPU time, with and without clients."""
    server = Server(folder, lambda _: {}, folder)
    server.readings, server.state = readings(0), {}
    server.start()
    wait_for(lambda: len(server._api.hub.clients) == CLIENTS if server._api else False, "clients")
    time.sleep(0.5)
    before = time.process_time_ns()
    ticks = round(seconds * SECOND_NS / TICK_NS)
    due = monotonic_ns()
    for _ in range(ticks):
        due += TICK_NS
        time.sleep(max(0, due - monotonic_ns()) / SECOND_NS)
        publish(server, monotonic_ns())
    time.sleep(0.1)
    pushed = time.process_time_ns() - before
    before = time.process_time_ns()
    for number in range(ticks):
        now = monotonic_ns()
        encode("values", values_of(readings(now), now), number)
    told.send((pushed, time.process_time_ns() - before, ticks))
    server.close()


def values_of(found: dict[str, Reading], now_ns: int) -> dict[str, object]:
    return {"t_ns": now_ns, "channels": {n: r.brief(now_ns) for n, r in found.items()}}


def publish(server: Server, now_ns: int) -> None:
    server.readings = readings(now_ns)
    server.publish("values", values_of(server.readings, now_ns), now_ns)


def count(folder: Path, found: list[int]) -> None:
    """One client: the numbers of its events."""
    with contextlib.suppress(ApiError):
        for event in ApiClient(folder / "api.sock").events():
            found.append(event.number)


def measure_push(seconds: float) -> bool:
    spawn = multiprocessing.get_context("fork")
    here, there = spawn.Pipe()
    with workshop() as folder:
        process = spawn.Process(target=push, args=(folder, seconds, there))
        process.start()
        wait_for(lambda: (folder / "api.sock").exists(), "the server listens")
        counts: list[list[int]] = [[] for _ in range(CLIENTS)]
        clients = [threading.Thread(target=count, args=(folder, found)) for found in counts]
        for client in clients:
            client.start()
        pushed, alone, ticks = here.recv()
        process.join()
        for client in clients:
            client.join()
    missing = sum(ticks + 1 - len(set(found)) for found in counts)
    report("live: building and encoding alone, of a core", 100 * alone / seconds / SECOND_NS, "%")
    share = 100 * pushed / seconds / SECOND_NS
    return all(
        [
            report("live: 10 clients, 20 Hz, 40 channels, of a core", share, "%", high=2.0),
            report("live: events missing", missing, "1", high=0),
        ]
    )


# --- the whole daemon


@contextlib.contextmanager
def bench(folder: Path) -> Iterator[tuple[Path, int]]:
    """The demonstration's bench with one wire more: its file, and that wire's other end."""
    path = place(folder)
    master, slave = os.openpty()
    tty.setraw(slave)
    (folder / "streams" / "probe.toml").write_text(DECLARATION)
    path.write_text(path.read_text() + PROBE.format(port=os.ttyname(slave)))
    simulate = ["-m", "daq.simulate", "--folder", str(folder / "ports"), "--repeat"]
    with started(simulate, stdout=subprocess.DEVNULL):
        wait_for(lambda: len(list((folder / "ports").glob("*"))) == 4, "the simulated ports")
        yield path, master
    os.close(master)
    os.close(slave)


def nominal(path: Path) -> None:
    """Leave out the two streams that the nominal load does not have."""
    kept = [
        table
        for table in path.read_text().split("\n[")
        if not table.startswith(("wire.ecu", "wire.wideband", "device.ecu", "device.wideband"))
    ]
    path.write_text("\n[".join(kept))


@contextlib.contextmanager
def started(arguments: list[str], **more: object) -> Iterator[subprocess.Popen[bytes]]:
    environment = {k: v for k, v in os.environ.items() if k != "RUNTIME_DIRECTORY"}
    environment |= more.pop("env", {})  # type: ignore[call-overload]
    process = subprocess.Popen([sys.executable, *arguments], env=environment, **more)  # type: ignore[call-overload]
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)


def family(pid: int) -> list[int]:
    """Supervisor, acquisition and main."""
    found = [pid, *children(pid, "daq.acquire"), *children(pid, "daq.main")]
    assert len(found) == 3, found
    return found


def watch(client: ApiClient, seen: dict[int, int], stop: threading.Event) -> None:
    """When each number came back."""
    for event in client.events():
        now = monotonic_ns()
        if event.kind == "values":
            value = event.data["channels"].get("probe_number", [None])[0]
            if value is not None:
                seen.setdefault(int(value), now)
        if stop.is_set():
            return


def measure_daemon(seconds: float) -> bool:
    with contextlib.ExitStack() as stack:
        folder = stack.enter_context(workshop())
        path, probe = stack.enter_context(bench(folder))
        errors = stack.enter_context(log(folder))
        nominal(path)
        with started(["-m", "daq", "serve", str(path)], stderr=errors) as daemon:
            client = ApiClient(path.parent / "journal" / "api.sock")
            wait_for(lambda: alive(client), "the daemon is alive")
            seen: dict[int, int] = {}
            stop = threading.Event()
            watcher = threading.Thread(target=watch, args=(client, seen, stop))
            watcher.start()
            os.write(probe, b"N0\n")  # a first line may be the rest of one, and is not believed
            time.sleep(2.0)
            pids = family(daemon.pid)
            before, begun = [cpu_of(pid) for pid in pids], monotonic_ns()
            sent = write_numbers(probe, begun + round(seconds * SECOND_NS))
            passed = monotonic_ns() - begun
            shares = [100 * (cpu_of(pid) - old) / passed for pid, old in zip(pids, before)]
            time.sleep(0.5)
            stop.set()
            watcher.join()
            shown = sum(len(c["name"]) > 0 for c in client.get("/channels"))
    return judge(shares, [seen.get(n, 0) - t for n, t in sent.items()], shown)


def judge(shares: list[float], late: list[int], shown: int) -> bool:
    lost = sum(ns < 0 for ns in late)
    kept = [ns for ns in late if ns > 0]
    report("live: channels shown", shown, "1")
    report("live: acquisition, of a core", shares[1], "%")
    report("live: main, of a core", shares[2], "%")
    report("live: byte to event, 50 %", percentile(kept, 50) / 1e6, "ms")
    return all(
        [
            report("live: byte to event, 95 %", percentile(kept, 95) / 1e6, "ms", high=150.0),
            report("live: numbers that never came", lost, "1", high=0),
            report("live: whole daemon, of a core", sum(shares), "%", high=10.0),
        ]
    )


def write_numbers(probe: int, until: int) -> dict[int, int]:
    """Write a number now and then, further apart than two events; when each was written."""
    chance, sent = random.Random(1), {}
    while monotonic_ns() < until:
        number = len(sent) + 1
        sent[number] = monotonic_ns()
        os.write(probe, f"N{number}\n".encode())
        time.sleep(chance.uniform(0.16, 0.26))
    return sent


def alive(client: ApiClient) -> bool:
    with contextlib.suppress(ApiError):
        state = client.get("/state")
        devices = state["devices"] if state.get("acquisition") == "running" else {}
        waiting = [name for name, d in devices.items() if d["state"] != "running"]
        return bool(devices) and waiting in ([], ["probe"])
    return False


@contextlib.contextmanager
def log(folder: Path) -> Iterator[object]:
    with (folder / "serve.log").open("wb") as file:
        yield file


# --- ready


def measure_ready(times: int = 5) -> bool:
    taken = []
    with workshop() as folder, bench(folder) as (path, _), log(folder) as errors:
        text = path.read_text()
        path.write_text(text.replace(PROBE.format(port=ports_of(text)), ""))
        for number in range(times):
            address = folder / f"notify-{number}"
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
                heard.bind(str(address))
                heard.settimeout(20)
                begun = monotonic_ns()
                serve = ["-m", "daq", "serve", str(path)]
                with started(serve, stderr=errors, env={"NOTIFY_SOCKET": str(address)}):
                    while b"READY=1" not in heard.recv(4096):
                        pass
                    taken.append((monotonic_ns() - begun) / SECOND_NS)
                    wait_for(lambda: answers(path), "the API answers")
                    report("live: from start to an answer", (monotonic_ns() - begun) / 1e9, "s")
    return report("live: ready with four wires", statistics.median(taken), "s", high=0.5)


def ports_of(text: str) -> str:
    return text.rpartition('port = "')[2].partition('"')[0]


def answers(path: Path) -> bool:
    connection = _Connection(path.parent / "journal" / "api.sock", 5.0)
    try:
        connection.request("GET", "/state")
        return connection.getresponse().status == 200
    except (ApiError, OSError):
        return False
    finally:
        connection.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    results = [measure_push(seconds), measure_daemon(seconds), measure_ready()]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
