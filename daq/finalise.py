"""Journal to run file: one run cut out, decoded, evaluated and written.

Runs as a process of its own (``python -m daq.finalise``), because HDF5 must not take anything
along when a disk is full. The same journal and the same release give the same file.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import uuid
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from daq import belonging
from daq.bench import Bench, bench_from_documents
from daq.clock import SECOND_NS, ClockRow, iso_utc
from daq.contents import calibration_contents, stream_contents
from daq.decode import Decoded, decode
from daq.entries import ChunkRow, ClockEntry, Entry, MarkRow, NoteRow, Run, runs, to_json
from daq.errors import DaqError, JournalError
from daq.evaluate import evaluate
from daq.evaluation import Evaluation
from daq.findings import gesture_windows, time_results
from daq.journal import Journal
from daq.runfile.content import Document, Event, Fact, Facts, Quantity, RunContent
from daq.runfile.write import write_run
from daq.sources import Sources
from daq.table import aligned_content
from daq.zeros import find_zeros

Progress = Callable[[str], None]
NAMESPACE = uuid.UUID("0b9c8f3e-52c4-5d1b-8e43-6a1f1c0d7e55")
"""Of run identities: UUIDv5 of journal and start."""
EVENT_OF_MARK = {
    "start": "start",
    "stop": "stop",
    "mark": "mark",
    "arm": "arm",
    "emergency_stop": "emergency_stop",
    "end": "end",
    "not_for_power": "not_for_power",
    "refused": "refused",
    "limit": "limit",
}
SILENT_MARKS = ("about", "finalised")
"""They say what the file holds or who wrote another: no events of this run."""
EVENT_OF_NOTE = {"closed": "device_lost", "identified": "device_back", "lost": "gap"}
MEDIA_TYPES = {".toml": "application/toml", ".dbc": "text/plain", ".xml": "application/xml"}


def finalise(
    journal: Journal, start_seq: int, out: Path, progress: Progress = lambda text: None
) -> Path:
    """Write the run that began at *start_seq*; returns the run file's path.

    *out* is the file, or a folder in which it gets a name that sorts. A file of this very run that
    is there already, left by an attempt that could not say so, is taken as it is.
    Raises JournalError for a run that is not there or has not ended, RunFileError when the file
    cannot be written.
    """
    run = find_run(journal, start_seq)
    assert run.end is not None
    about: belonging.About = run.about.content if run.about is not None else {}
    bench_file, documents = journal.configuration(start_seq)
    bench = belonging.on_bench(bench_from_documents(documents, bench_file), about)
    zero = run.start.t_ns
    before_s = bench.run.pretrigger_s if run.start.kind == "start" else 0.0
    begin = zero - round(before_s * SECOND_NS)
    end = run_end(journal, run)
    progress("decoding")
    sources = Sources(bench)
    events: list[Event] = []
    clocks: list[ClockRow] = []
    entries = _watched(journal.span(begin, end, start_seq), sources, events, clocks)
    decoded = decode(bench, entries)
    progress("computing times and values")
    result = evaluate(bench, decoded, zero)
    clocks = clocks or _clocks_before(journal, start_seq)
    content = run_content(journal, run, bench, decoded, result)
    belong(content, journal, run, bench)
    add_zeros(content, journal, run, bench)
    begin = max(begin, min(sources.begin, zero))
    content.t_start, content.t_end = (begin - zero) / SECOND_NS, (end - zero) / SECOND_NS
    content.time_zero_utc_ns = utc_at(clocks, zero)
    content.clocks = np.array(clocks, np.int64) if clocks else None
    content.calibrations = calibration_contents(
        (c for c in result.channels.values() if c.name in result.values), content.time_zero_utc_ns
    )
    content.events = sorted(events, key=lambda event: event.raw_time)
    content.sources = sources.contents(decoded.devices)
    progress("writing")
    path = out if out.suffix == ".h5" else out / file_name(content)
    if path.exists() and _is_run(path, content.run_id):
        return path
    write_run(content, path)
    return path


def belong(content: RunContent, journal: Journal, run: Run, bench: Bench) -> None:
    """Say to what the run belongs, and what was told of it while it was recorded."""
    about: belonging.About = run.about.content if run.about is not None else {}
    content.title = str(run.start.content.get("title") or belonging.title(about, bench))
    for kind in ("vehicle", "visit", "setup"):
        if kind in about:
            setattr(content, kind, belonging.facts(about, kind))
    operator = {n: about.get("visit", {}).get(n) for n in ("operator", "driver")}
    content.operator = {**content.operator, **{n: name for n, name in operator.items() if name}}
    content.documents += belonging.document(about)
    told = [m for m in journal.marks(run.start.seq) if m.content.get("start") == run.start.seq]
    lost = [str(m.content.get("reason")) for m in told if m.kind == "not_for_power"]
    ended = next((m for m in told if m.kind == "end"), None)
    content.settings = {
        **content.settings,
        "run_number": about.get("number"),
        "not_for_power": "; ".join(lost) or None,
        "start_window": "; ".join(about.get("outside", ())) or None,
        "start_reason": str(run.start.content.get("reason") or "") or None,
    }
    if ended is not None:
        content.settings["measurement_end"] = Quantity(
            (ended.t_ns - run.start.t_ns) / SECOND_NS, "s"
        )
        content.settings["end_reason"] = str(ended.content.get("reason", ""))


def add_zeros(content: RunContent, journal: Journal, run: Run, bench: Bench) -> None:
    """Add the standstill before and after the run, and what the zeros did between."""
    assert run.end is not None
    about: belonging.About = run.about.content if run.about is not None else {}
    intervals = {
        "zero_before": about.get("zero_before"),
        "zero_after": run.end.content.get("zero_after"),
    }
    zero = run.start.t_ns
    decoded = {}
    for name, (begin, end) in ((name, at) for name, at in intervals.items() if at):
        rows = decode(bench, journal.span(begin, end, run.start.seq))
        decoded[name] = rows, (begin - zero) / SECOND_NS, (end - zero) / SECOND_NS
    zeros = find_zeros(bench, decoded, zero)
    content.windows += zeros.windows
    content.results += zeros.results
    if zeros.shifted:
        content.settings = {**content.settings, "zero_shifted": "; ".join(zeros.shifted)}


def find_run(journal: Journal, start_seq: int) -> Run:
    """The run that began at *start_seq*, with its end.

    Raises JournalError when there is none or it has not ended.
    """
    for run in runs(journal.marks(start_seq - 1)):
        if run.start.seq == start_seq:
            if run.end is None:
                raise JournalError(f"{journal.path}: run {start_seq} is still being recorded")
            return run
    raise JournalError(f"{journal.path}: entry {start_seq} is not the start of a run")


def run_end(journal: Journal, run: Run) -> int:
    """Host time at which the run ends: its stop, or the last entry before acquisition ended."""
    assert run.end is not None
    if not run.recovered:
        return run.end.t_ns
    last = run.start.t_ns
    for entry in journal.entries(run.start.seq, run.end.seq - 1):
        if isinstance(entry, ChunkRow):
            last = max(last, entry.chunks[-1].t_ns)
        elif isinstance(entry, NoteRow | MarkRow):
            last = max(last, entry.t_ns)
    return last


def _watched(
    entries: Iterable[Entry], sources: Sources, events: list[Event], clocks: list[ClockRow]
) -> Iterator[Entry]:
    """Pass *entries* on, keeping the undecoded record, events and clock rows."""
    for entry in entries:
        sources.add(entry)
        if isinstance(entry, ClockEntry):
            clocks.append(entry.row)
        elif isinstance(entry, MarkRow) and entry.kind not in SILENT_MARKS:
            kind = EVENT_OF_MARK.get(entry.kind, "other")
            events.append(Event(entry.t_ns, kind, _event_text(entry), entry.origin))
        elif isinstance(entry, NoteRow) and entry.content.get("note") in EVENT_OF_NOTE:
            kind = EVENT_OF_NOTE[entry.content["note"]]
            text = to_json({k: v for k, v in entry.content.items() if k != "preface"})
            events.append(Event(entry.t_ns, kind, text, entry.wire))
        yield entry


def _event_text(mark: MarkRow) -> str:
    content = mark.content
    if mark.kind == "limit":
        bound = content.get("bound")
        against = f", bound {bound:g}" if isinstance(bound, int | float) else ""
        return f"{content.get('channel')}: {content.get('level')}, {content.get('value')}{against}"
    return str(content.get("text") or content.get("reason") or mark.kind)


def _clocks_before(journal: Journal, seq: int) -> list[ClockRow]:
    return journal.clocks(until=seq)[-1:]


def utc_at(clocks: Iterable[ClockRow], t_ns: int) -> int:
    """UTC in ns at host time *t_ns*, by the clock row nearest to it; 0 when there is none."""
    nearest = min(clocks, key=lambda row: abs(row.monotonic - t_ns), default=None)
    return 0 if nearest is None else nearest.realtime + t_ns - nearest.monotonic


def run_content(
    journal: Journal, run: Run, bench: Bench, decoded: Decoded, result: Evaluation
) -> RunContent:
    """The run without what depends on its extent and clocks."""
    assert run.end is not None
    run_id = str(uuid.uuid5(NAMESPACE, f"{journal.journal_id} {run.start.seq}"))
    problems = [*result.problems, *(p for d in decoded.devices.values() for p in d.problems)]
    return RunContent(
        run_id=run_id,
        title="",
        time_zero_ns=run.start.t_ns,
        time_zero_utc_ns=0,
        t_start=0.0,
        t_end=0.0,
        state="recovered" if run.recovered else "complete",
        streams=stream_contents(result, decoded.devices),
        aligned=aligned_content(bench, result),
        results=time_results(result),
        windows=gesture_windows(result),
        documents=[document(name, data) for name, data in sorted(bench.documents.items())],
        settings=settings(bench, run, problems),
        roller_sets={name: roller_facts(bench, name) for name in bench.roller_set},
        vehicle=plain_facts(bench.vehicle),
        ambient=ambient_facts(bench),
        operator={"name": bench.operator} if bench.operator else {},
        journal={
            "journal_id": journal.journal_id,
            "boot_id": journal.boot_id(run.start.seq),
            "start_seq": run.start.seq,
            "end_seq": run.end.seq,
            "ended_by": run.end.kind,
        },
        about={"institution": bench.bench.workshop, "creator_name": bench.operator},
    )


def document(name: str, data: bytes) -> Document:
    """A configuration file as it goes into the run file."""
    return Document(name, MEDIA_TYPES.get(Path(name).suffix, "application/octet-stream"), data)


def settings(bench: Bench, run: Run, problems: list[str]) -> dict[str, Fact]:
    """The bench's settings and the run's own, with what went wrong in making the file."""
    found: dict[str, Fact] = {
        "bench": bench.bench.name,
        "bench_location": bench.bench.location,
        "bench_latitude": _quantity(bench.bench.latitude_deg, "degree"),
        "bench_altitude": _quantity(bench.bench.altitude_m, "m"),
        "grid_rate": Quantity(bench.run.grid_rate_hz, "Hz"),
        "pretrigger": Quantity(bench.run.pretrigger_s, "s"),
        "configuration_sha256": bench.digest(),
        "start_origin": run.start.origin,
    }
    if problems:
        found["problems"] = "\n".join(problems)
    return found


def roller_facts(bench: Bench, name: str) -> Facts:
    """A roller set's figures with their units."""
    roller = bench.roller_set[name]
    facts: dict[str, Fact] = {
        "encoder": roller.encoder,
        "counts_per_revolution": Quantity(roller.counts_per_revolution, "1"),
        "circumference": Quantity(roller.circumference_m, "m"),
        "inertia": Quantity(roller.inertia_kg_m2, "kg.m^2", roller.inertia_uncertainty_kg_m2),
        "loss_a": Quantity(roller.loss_a_n, "N"),
        "loss_b": Quantity(roller.loss_b_n_s_m, "N.s/m"),
        "loss_c": Quantity(roller.loss_c_n_s2_m2, "N.s^2/m^2"),
        "linked_with": roller.linked_with,
    }
    for number, cell in enumerate(roller.load_cells, 1):
        facts[f"load_cell_{number}_channel"] = cell.channel
        facts[f"load_cell_{number}_arm"] = Quantity(cell.arm_m, "m")
    return facts


def ambient_facts(bench: Bench) -> Facts:
    """Configured ambient conditions; a sensor's are in its channel."""
    ambient = bench.ambient
    return {
        "pressure": _quantity(ambient.pressure_kpa, "kPa"),
        "temperature": _quantity(ambient.temperature_degc, "degC"),
        "relative_humidity": _quantity(ambient.relative_humidity_percent, "%"),
    }


def plain_facts(table: Any) -> Facts:
    """Texts and numbers of a free table, nested names joined by an underscore."""
    found: dict[str, Fact] = {}
    for name, value in table.items():
        name = re.sub(r"[^a-z0-9_]", "_", str(name).lower())
        if isinstance(value, dict):
            found |= {f"{name}_{inner}": item for inner, item in plain_facts(value).items()}
        elif isinstance(value, str | int | float | bool):
            found[name] = value
        else:
            found[name] = str(value)
    return found


def file_name(content: RunContent) -> str:
    """A name that sorts by time (UTC) and tells: 20260331-141502-r0017-stock.h5.

    A run without a number has the beginning of its identity in place of it.
    """
    stamp = re.sub(r"[-:]", "", iso_utc(content.time_zero_utc_ns)[:19]).replace("T", "-")
    number = content.settings.get("run_number")
    setup = content.setup.get("name")
    if number is None:
        return f"{stamp}-{content.run_id[:8]}.h5"
    return f"{stamp}-r{number:04}{f'-{setup}' if setup else ''}.h5"


def _quantity(value: float | None, unit: str) -> Quantity | None:
    return None if value is None else Quantity(value, unit)


def _is_run(path: Path, run_id: str) -> bool:
    from daq.runfile.read import RunFile
    from daq.runfile.verify import verify

    try:
        with RunFile(path) as file:
            return file.attributes["run_id"] == run_id and not verify(path)
    except DaqError:
        return False


def main(arguments: list[str] | None = None) -> int:
    """The finaliser process: writes one run and prints where it is."""
    parser = argparse.ArgumentParser(prog="python -m daq.finalise", description=__doc__)
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--start", type=int, required=True, help="seq of the run's start mark")
    parser.add_argument("--out", type=Path, required=True, help="run file, or folder for it")
    options = parser.parse_args(arguments)
    try:
        with Journal(options.journal) as journal:
            path = finalise(journal, options.start, options.out)
    except DaqError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    sys.stdout.write(f"run file: {path}\n")
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
