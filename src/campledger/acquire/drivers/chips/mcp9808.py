"""
MCP9808, 13 bits with three alert flags above them.

Data sheet DS25095A, 5.1.3.1: 05h temperature, bits 15-13 flags, bit 12 sign, 0.0625
Cel; 01h config; 02h upper limit, set to a value of our own (126 Cel); 06h 07h identity
0054h and 04xxh; a conversion takes 0.25 s.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.thermometer import Thermometer
from campledger.acquire.drivers.word import Word, refuse, signed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

LSB = 0.0625
LOW, HIGH = -40.0, 125.0


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature; the flags are dropped. [Cel]"""
    number = int.from_bytes(raw, "big")
    value = signed(number & 0x1FFF, 13) * LSB
    if not LOW <= value <= HIGH:
        return refuse(number, f"word 0x{number:04x} is {value:g} Cel, beyond the chip")
    return Word(value=value, raw=number & 0x1FFF)


class Mcp9808(Thermometer):
    """An MCP9808 at its finest resolution."""

    settle = 0.3
    register = 0x05
    identity: ClassVar[Sequence[tuple[int, int, int]]] = (
        (0x06, 0xFFFF, 0x0054),
        (0x07, 0xFF00, 0x0400),
    )
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = (
        (0x01, 0x0000, 0x07DF, 2),
        (0x02, 0x07E0, 0x1FFC, 2),
    )

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        return decode_temp(raw)


def build(sensor: Sensor, bus: RegisterBus) -> Mcp9808:
    """Make the driver."""
    return Mcp9808(sensor, bus)
