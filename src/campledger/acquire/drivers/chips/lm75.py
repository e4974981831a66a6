"""
LM75 and its many relatives with 9 to 12 bits (TMP75, TMP1075 without its identity).

Data sheet LM75B SNOS808, section 7.5; TMP1075 SBOS854F, Table 7-1: register 00h holds
the temperature, 16 bits of 1/256 Cel of which the lowest four are 0; 01h config, one
byte; 02h and 03h limits. No identity: the limits are set to values of our own (126 and
127 Cel) so that a chip that lost its supply is found out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.thermometer import Thermometer, left_justified

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.acquire.drivers.word import Word
    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

LOW, HIGH = -55.0, 125.0


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature. [Cel]"""
    return left_justified(raw, lsb=1 / 256, spare=4, low=LOW, high=HIGH)


class Lm75(Thermometer):
    """A chip that converts all the time, 0.3 s at most."""

    settle = 0.3
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = (
        (0x01, 0x00, 0xFF, 1),
        (0x02, 0x7E00, 0xFF80, 2),
        (0x03, 0x7F00, 0xFF80, 2),
    )

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        return decode_temp(raw)


def build(sensor: Sensor, bus: RegisterBus) -> Lm75:
    """Make the driver."""
    return Lm75(sensor, bus)
