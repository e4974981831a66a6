"""
TMP102, 12 bits left-justified.

Data sheet SBOS397C, Table 5 and section 7.5: 00h temperature, 0.0625 Cel in bits 15-4;
01h config, bits 14-13 always 1; 02h and 03h limits, set to values of our own (126, 127
Cel).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.thermometer import Thermometer, left_justified

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.acquire.drivers.word import Word
    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

LOW, HIGH = -55.0, 128.0
CONFIG = 0x60A0
"""Power-on value: 12 bits, 4 conversions a second."""
CONFIG_MASK = 0xFFD0
"""Without the alert bit, which the chip sets."""


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature. [Cel]"""
    return left_justified(raw, lsb=1 / 256, spare=4, low=LOW, high=HIGH)


class Tmp102(Thermometer):
    """A TMP102 at four conversions a second."""

    settle = 0.3
    identity: ClassVar[Sequence[tuple[int, int, int]]] = ((0x01, 0x6000, 0x6000),)
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = (
        (0x01, CONFIG, CONFIG_MASK, 2),
        (0x02, 0x7E00, 0xFFF0, 2),
        (0x03, 0x7F00, 0xFFF0, 2),
    )

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        return decode_temp(raw)


def build(sensor: Sensor, bus: RegisterBus) -> Tmp102:
    """Make the driver."""
    return Tmp102(sensor, bus)
