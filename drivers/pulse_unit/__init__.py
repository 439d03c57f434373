"""Pulse-and-analogue unit on a serial line: encoder, ignition, analogue, digital, lamp and buzzer.

The protocol is drivers/pulse_unit.md, open to any microcontroller.

Source: drivers/pulse_unit.md, version 1, for every layout and scaling.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from daq.config import load
from daq.driver import Driver, Preface, Stream
from daq.errors import ConfigError, DeviceError
from drivers.pulse_unit.hello import Config, Hello, streams_of
from drivers.pulse_unit.rows import UnitDecoder
from drivers.pulse_unit.talk import Talk


class PulseUnit(Driver):
    """Driver of the pulse-and-analogue unit."""

    summary = "pulse-and-analogue unit: encoders, ignition, analogue and digital inputs, outputs"
    rung = "simulated"
    wires = frozenset({"serial"})
    Config = Config

    def hello(self, found: Mapping[str, Any]) -> Hello:
        """The unit's description in *found*, what the configuration assumes when it is empty.

        Raises ConfigError when *found* holds something else.
        """
        if "hello" in found:
            return load(Hello, found["hello"])
        config: Config = self.config
        return config.assumed()

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """Streams ``encoder_<n>``, ``analogue_<n>``, ignition, digital, echo and output."""
        return streams_of(self.hello(found))

    def conversation(self) -> Talk:
        """Hello, echoes and outputs."""
        return Talk(self.config)

    def decoder(self, preface: Preface) -> UnitDecoder:
        """Rows of all streams."""
        if preface.record_version not in self.reads_versions:
            raise DeviceError(f"record version {preface.record_version}: this release reads 1")
        try:
            hello = self.hello(preface.found)
        except ConfigError as error:
            raise DeviceError(f"the recorded hello is not understood: {error}") from None
        return UnitDecoder(hello, 0.0 if hello.native_usb else preface.byte_ns)
