"""
TMP117, 16 bits of 7.8125 mC.

Data sheet SNOSD82D, Table 7-1 and section 7.6: 00h temperature, 8000h before the first
conversion; 01h config, 11-10 mode, 9-7 cycle, 6-5 averages; 0Fh identity 0117h in bits
11-0. Set to 32 averages in a cycle of 1 s: 0.5 s of averaging.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.thermometer import Thermometer, left_justified
from campledger.acquire.drivers.word import Word, refuse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

LSB = 7.8125e-3
LOW, HIGH = -55.0, 150.0
NOTHING_YET = bytes([0x80, 0x00])
CONFIG = 0b100 << 7 | 0b10 << 5


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature. [Cel]"""
    if raw == NOTHING_YET:
        return refuse(0x8000, "word 0x8000, no conversion has ended yet")
    return left_justified(raw, lsb=LSB, spare=0, low=LOW, high=HIGH)


class Tmp117(Thermometer):
    """A TMP117 averaging over half a second."""

    settle = 0.6
    identity: ClassVar[Sequence[tuple[int, int, int]]] = ((0x0F, 0x0FFF, 0x0117),)
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = (
        (0x01, CONFIG, 0x0FFC, 2),
    )

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        return decode_temp(raw)


def build(sensor: Sensor, bus: RegisterBus) -> Tmp117:
    """Make the driver."""
    return Tmp117(sensor, bus)
