"""
TMP1075, 12 bits left-justified, LM75 style with an identity.

Data sheet SBOS854F, Table 7-1 and section 7.6: 00h temperature, 16 bits of 1/256 Cel of
which the lowest four are 0; 01h config, its low byte always FFh; 02h and 03h limits,
set to values of our own (126 and 127 Cel); 0Fh identity 7500h.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chips.lm75 import decode_temp
from campledger.acquire.drivers.thermometer import Thermometer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.acquire.drivers.word import Word
    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor


class Tmp1075(Thermometer):
    """A TMP1075 converting every 27.5 ms."""

    settle = 0.1
    identity: ClassVar[Sequence[tuple[int, int, int]]] = ((0x0F, 0xFFFF, 0x7500),)
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = (
        (0x02, 0x7E00, 0xFFF0, 2),
        (0x03, 0x7F00, 0xFFF0, 2),
    )

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        return decode_temp(raw)


def build(sensor: Sensor, bus: RegisterBus) -> Tmp1075:
    """Make the driver."""
    return Tmp1075(sensor, bus)
