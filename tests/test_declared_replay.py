"""Recordings of real serial lines to run files, by TOML alone, as a user does it.

Source of the bytes: the recorded data's own list (public-domain captures of a logic analyser). The
judges are the bytes themselves, read here by a few lines of their own, and an independent reader
of the run file.
"""

from __future__ import annotations

import csv
import shutil
import struct
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner

from daq.cli import group
from daq.driver import ChunkKind
from daq.errors import RecordingError
from daq.recordings import read_recording
from daq.runfile.verify import verify

STREAMS = Path(__file__).resolve().parents[1] / "config" / "streams"
BENCH = """
[bench]
name = "table in the corner"
[wire.line]
kind = "serial"
port = "/dev/serial/by-id/line"
{line}
[device.thing]
wire = "line"
driver = "{driver}"
declaration = "{declaration}"
"""


def replayed(folder: Path, driver: str, declaration: str, line: str, *recordings: str) -> Path:
    """The run file that `daq replay` makes of *recordings* of one line."""
    shutil.copyfile(STREAMS / declaration, folder / declaration)
    config = folder / "bench.toml"
    config.write_text(BENCH.format(driver=driver, declaration=declaration, line=line))
    wires = [word for name in recordings for word in ("--wire", f"line={name}")]
    arguments = ["replay", "--config", str(config), *wires, "--out", str(folder / "run.h5")]
    result = CliRunner().invoke(group, arguments)
    assert result.exit_code == 0, result.output
    assert result.output.splitlines()[-1] == f"run file: {folder / 'run.h5'}"
    assert verify(folder / "run.h5") == []
    return folder / "run.h5"


def stream(run: Path, name: str) -> xr.Dataset:
    with xr.open_dataset(run, group=f"run/streams/{name}", engine="h5netcdf") as data:
        return data.load()


def bytes_of(path: Path) -> bytes:
    with path.open() as file:
        return b"".join(bytes.fromhex(row["hex"]) for row in csv.DictReader(file))


def test_a_scale(shared, tmp_path):
    recording = shared / "serial" / "scale_ascii_1200_8n2.bytes.csv"
    line = "baud = 1200\nstop_bits = 2"
    found = stream(
        replayed(tmp_path, "text_line", "scale_text.toml", line, str(recording)), "thing_weight"
    )
    lines = bytes_of(recording).split(b"\r\n")[1:-1]  # whether the first is whole, nobody knows
    # an overload has no weight: state E
    weights = [np.nan if text.endswith(b"E") else float(text[:8]) for text in lines]
    assert found["mass"].values == pytest.approx(np.array(weights), nan_ok=True)
    assert found["mass"].attrs["units"] == "g"
    assert found["state"].values.tolist() == [b"SUE".index(text[-1:]) for text in lines]
    # about 7.8 lines a second: description of the recording
    assert np.median(np.diff(found["time"].values)) == pytest.approx(1 / 7.8, rel=0.02)


@pytest.mark.parametrize(
    ("size", "first", "apart_s", "value"),
    # apart: description of the recording; the first number by eye
    [(14, 1, 0.324, 0.001), (16, 0, 0.647, 11.0)],
)
def test_a_meter(shared, tmp_path, size, first, apart_s, value):
    recording = shared / "serial" / f"meter_nibble{size}_2400_8n1.bytes.csv"
    run = replayed(tmp_path, "byte_stream", f"meter_{size}.toml", "baud = 2400", str(recording))
    found = stream(run, "thing_meter")
    starts = [byte >> 4 for byte in bytes_of(recording)].count(first)
    assert len(found["time"]) == starts == 28
    assert np.median(np.diff(found["time"].values)) == pytest.approx(apart_s, abs=0.005)
    assert found["reading"].values[0] == pytest.approx(value)


def test_a_treadmill(shared, tmp_path):
    recording = shared / "serial" / "treadmill_console_to_motor_9600.bytes.csv"
    run = replayed(tmp_path, "text_line", "treadmill_text.toml", "baud = 9600", str(recording))
    said = bytes_of(recording).split(b"\xff")
    speeds = [int(text[6:-1], 16) for text in said if text[:6] == b"[hmph:" and text[-1:] == b"]"]
    # hundredths of a statute mile of 1609.344 m an hour (NIST SP 811, appendix B.8)
    km_h = np.array(speeds) * 0.01 * 1.609344
    assert stream(run, "thing_speed")["belt_speed"].values == pytest.approx(km_h)
    assert len(speeds) == 54


def test_a_modbus_meter_asked_by_another_master(shared, tmp_path):
    """Requests and answers are two recordings of one line, on one clock."""
    folder = shared / "serial"
    answers = folder / "modbus_rtu_float_9600.response.bytes.csv"
    requests = folder / "modbus_rtu_float_9600.request.bytes.csv"
    both = str(answers), f"{requests}@sent"
    run = replayed(tmp_path, "byte_stream", "modbus_meter.toml", "baud = 9600", *both)
    asked, back = bytes_of(requests), bytes_of(answers)
    values: dict[int, list[float]] = {1000: [], 1002: []}
    at = 0
    for n in range(0, len(asked), 8):
        function, register = struct.unpack(">xBH", asked[n : n + 4])
        size = 5 + back[at + 2] if function == 3 else 8
        if function == 3 and register in values:
            # Modbus application protocol V1.1b3, 6.3; low word first by the meter's list
            words = back[at + 5 : at + 7] + back[at + 3 : at + 5]
            values[register].append(struct.unpack(">f", words)[0])
        at += size
    for register, expected in values.items():
        found = stream(run, f"thing_register_{register}")
        assert len(expected) == 2
        assert found[f"value_{register}"].values.tolist() == expected
        # each was sampled after its request began, within its time-out of 0.3 s
        bounds = found["raw_time"].values - found["raw_time_low"].values
        assert (bounds > 0).all()
        assert (bounds < 300_000_000).all()


def test_what_was_sent_is_cut_where_the_line_was_silent(tmp_path):
    """3.5 characters of silence end a Modbus request: serial line V1.02, 2.5.1.1."""
    byte_ns = 1e10 / 9600
    rows = [(0, "01"), (1, "03"), (2, "00"), (6.4, "44"), (7.4, "55"), (12, "66")]
    path = tmp_path / "sent.csv"
    path.write_text("t_s,hex\n" + "".join(f"{n * byte_ns / 1e9},{h}\n" for n, h in rows))
    chunks = list(read_recording(path, "sent", byte_ns=byte_ns).chunks())
    assert [chunk.data.hex() for chunk in chunks] == ["0103004455", "66"]
    assert {chunk.kind for chunk in chunks} == {ChunkKind.TX}
    assert [chunk.t_ns for chunk in chunks] == [0, round(12 * byte_ns)]


def test_an_unknown_part_of_a_line_is_named(tmp_path):
    path = tmp_path / "line.csv"
    path.write_text("t_s,hex\n0.0,01\n")
    with pytest.raises(RecordingError, match="no part 'send'; expected sent"):
        read_recording(path, "send")


def test_a_wrong_checksum_shows_as_frames_refused(tmp_path):
    """Frames that end in an XOR, read by a declaration that says another sum."""
    frames = [bytes([0xA5, n, 2 * n]) for n in range(1, 21)]
    path = tmp_path / "line.csv"
    rows = [f"{0.01 * n:.3f},{f.hex()}{f[0] ^ f[1] ^ f[2]:02x}" for n, f in enumerate(frames)]
    path.write_text("\n".join(["t_s,hex", *rows]))
    text = """
    source = "invented"
    [[frame]]
    name = "f"
    sync = "A5"
    length = 4
    checksum = {{ sum = {{ kind = "{kind}" }} }}
    [[frame.field]]
    name = "n"
    unit = "1"
    at = 1
    type = "u8"
    """
    (tmp_path / "bench.toml").write_text(
        BENCH.format(driver="byte_stream", declaration="line.toml", line="")
    )
    told = {}
    for kind in ("xor", "sum_ones_complement"):
        (tmp_path / "line.toml").write_text(text.format(kind=kind))
        arguments = ["replay", "--config", str(tmp_path / "bench.toml"), "--wire", f"line={path}"]
        result = CliRunner().invoke(group, [*arguments, "--out", str(tmp_path / f"{kind}.h5")])
        assert result.exit_code == 0, result.output
        told[kind] = next(line for line in result.output.splitlines() if "  thing:" in line)
    assert told["xor"] == "  thing: 20 frames read"
    assert "thing: 0 frames read, " in told["sum_ones_complement"]
    assert int(told["sum_ones_complement"].split(" refused")[0].rpartition(" ")[2]) >= 20
