"""The published values of diagnostics that other parts than the OBD driver answer for."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from daq.config import load
from daq.driver import Chunk, ChunkKind, Preface
from daq.wire.can import FLAG_EXTENDED, FRAME
from daq.wire.checksum import Checksum
from drivers.can_dbc import CanDbc

CHECKS = json.loads((Path(__file__).parents[1] / "data/obd_check_values.json").read_text())[
    "values"
]
DBC = b"""VERSION ""
BU_: Engine
BO_ 2364539904 EEC1: 8 Engine
 SG_ SPN190 : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Engine
BO_ 2566843904 ET1: 8 Engine
 SG_ SPN110 : 0|8@1+ (1,-40) [-40|210] "degC" Engine
"""
"""The two layouts of the check values: byte 4-5 little-endian, byte 1; identifiers of 29 bits."""


def values(prefix: str) -> list[dict]:
    found = [check for check in CHECKS if check["id"].startswith(prefix)]
    assert found
    return found


def test_every_published_value_is_checked_somewhere():
    """Beside this file: test_obd_can.py, test_isotp.py, test_checksum.py (J1850).

    Nothing here takes a J1939 identifier apart or judges a vehicle's number.
    """
    checked = ("obd.01.", "obd.support.", "obd.nrc.", "isotp.stmin.", "isotp.pci.", "isotp.vin.",
               "isotp.multipid.", "kline.cs.", "j1850.", "j1939.SPN")  # fmt: skip
    left = {check["id"] for check in CHECKS if not check["id"].startswith(checked)}
    assert left == {
        "j1939.id.0CF00400", "j1939.id.18FEEE00",
        "vin.check.1M8GDM9AXKP042788", "vin.check.11111111111111111",
    }  # fmt: skip


@pytest.mark.parametrize("check", values("kline."), ids=lambda check: check["id"])
def test_checksum_of_the_diagnostic_line(check):
    frame = bytes.fromhex(check["inputs"]["frame_hex"])
    assert f"{Checksum('sum', 8).of(frame):02X}" == check["expected"]


@pytest.mark.parametrize("check", values("j1939.SPN"), ids=lambda check: check["id"])
def test_signal_of_j1939_by_dbc(check):
    driver = CanDbc(load(CanDbc.Config, {"dbc": "truck.dbc"}), {"truck.dbc": DBC})
    frame = np.zeros(1, FRAME)
    frame["id"], frame["flags"] = int(check["inputs"]["can_id"], 16), FLAG_EXTENDED
    frame["length"], frame["data"][0] = 8, list(bytes.fromhex(check["inputs"]["data_hex"]))
    decoder = driver.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    (block,) = decoder.feed([Chunk(ChunkKind.RX, 1, frame.tobytes())])
    ((name, raw),) = block.raw.items()
    channels = [c for stream in driver.streams({}) for c in stream.channels if c.name == name]
    got = float(raw[0]) * channels[0].scale + channels[0].offset
    assert got == pytest.approx(check["expected"], abs=check["tolerance"])
