"""OBD-II over CAN: asks the car's ECUs for values of service 01, reading only.

Source: SAE J1979 / ISO 15031-5 for the values, ISO 15765-4 for identifiers and times.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from daq.config import key
from daq.driver import Driver, Preface, Stream
from daq.errors import DeviceError
from drivers.obd_can.answers import ObdDecoder, stream_name
from drivers.obd_can.bus import party_of
from drivers.obd_can.parameter import Parameter
from drivers.obd_can.pids import PARAMETERS, rescaled
from drivers.obd_can.talk import Talk


@dataclass(frozen=True)
class Config:
    """What is asked, how often, and of whom."""

    pids: dict[str, float] = key(
        unit="Hz", low=0.01, high=100, help="parameter in hex to wanted rate, as '0C' = 10"
    )
    ecus: tuple[str, ...] = key((), help="identifiers of answers to prefer, as '7E8'")
    extended_ids: bool = key(False, help="29-bit identifiers")
    together: bool = key(True, help="ask up to six parameters in one request")

    def __post_init__(self) -> None:
        wrong = [name for name in self.pids if _number(name) not in PARAMETERS]
        if wrong:
            known = ", ".join(f"{pid:02X}" for pid in PARAMETERS)
            raise ValueError(f"pids: {', '.join(map(repr, wrong))} not known; known: {known}")
        if not self.pids:
            raise ValueError("pids: expected at least one, as '0C' = 10")
        if len(self.rates) < len(self.pids):
            raise ValueError(f"pids: {', '.join(self.pids)}: one of them is given twice")
        for name in self.ecus:
            if party_of(_number(name), self.extended_ids) is None:
                form = "18DAF100 to 18DAF1FF" if self.extended_ids else "7E8 to 7EF"
                raise ValueError(f"ecus: {name!r} is no identifier of answers; expected {form}")

    @property
    def rates(self) -> dict[int, float]:
        """Parameter to wanted rate in Hz."""
        return {_number(name): rate for name, rate in self.pids.items()}

    @property
    def preferred(self) -> tuple[str, ...]:
        """Identifiers of answers as the conversation writes them."""
        return tuple(name.upper() for name in self.ecus)


def _number(text: str) -> int:
    try:
        return int(text, 16)
    except ValueError:
        return -1


class ObdCan(Driver):
    """Driver of OBD-II on a CAN wire; the wire may serve a DBC listener at the same time."""

    summary = "OBD-II over CAN: current values of the ECUs, several at once, reading only"
    rung = "captured"
    wires = frozenset({"can"})
    sends = True
    Config = Config

    def _parameters(self, found: Mapping[str, Any]) -> dict[int, Parameter]:
        """The wanted parameters, with the scalings that their ECUs told."""
        config: Config = self.config
        asked, ecus = found.get("asked", {}), found.get("ecus", {})
        parameters = {}
        for pid in config.rates:
            told = ecus.get(asked.get(f"{pid:02X}"), {}).get("scales", {})
            scales = {name: bytes.fromhex(data) for name, data in told.items()}
            parameters[pid] = rescaled(PARAMETERS[pid], scales)
        return parameters

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """One stream for each wanted parameter, ``pid_0c`` and so on."""
        rates = self.config.rates
        return tuple(
            Stream(
                stream_name(pid),
                tuple(
                    value.channel(f"{item.source}, service 01, {pid:02X}") for value in item.values
                ),
                rates[pid],
            )
            for pid, item in self._parameters(found).items()
        )

    def conversation(self) -> Talk:
        """Finds the ECUs, then asks in turn."""
        config: Config = self.config
        return Talk(config.rates, config.preferred, config.extended_ids, config.together, self.wire)

    def decoder(self, preface: Preface) -> ObdDecoder:
        """Rows of the wanted parameters."""
        if preface.record_version not in self.reads_versions:
            raise DeviceError(f"record version {preface.record_version}: this release reads 1")
        asked = {int(pid, 16): name for pid, name in preface.found.get("asked", {}).items()}
        return ObdDecoder(self._parameters(preface.found), asked, preface.wire)
