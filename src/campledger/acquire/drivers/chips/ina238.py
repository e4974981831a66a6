"""
INA238, 85 V shunt monitor with 16-bit words; registers as the INA228.

Data sheet SLYS025B, section 7.6: VSHUNT 16 bits of 5 uV (1.25 uV in the small range),
VBUS 16 bits of 3.125 mV, DIETEMP bits 15-4 of 125 mC, CURRENT 16 bits, SHUNT_CAL =
819.2e6 x current LSB x shunt (x 4 in the small range), identity 238xh.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chips.ina228 import (
    CURRENT,
    DIETEMP,
    SMALL,
    VBUS,
    VSHUNT,
    Ina228,
)
from campledger.acquire.drivers.word import Word, refuse, signed, signed_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

VSHUNT_LSB = 5e-6
VBUS_LSB = 3.125e-3
DIETEMP_LSB = 0.125


def calibration_word(current_lsb: float, shunt: float, *, small: bool = False) -> int:
    """Give SHUNT_CAL for a current per count [A] and a shunt [Ohm]; section 8.1.2."""
    return round(819.2e6 * current_lsb * shunt * (SMALL if small else 1))


def decode_shunt(raw: bytes, *, small: bool = False) -> Word:
    """Decode the drop over the shunt. [V]"""
    lsb = VSHUNT_LSB / SMALL if small else VSHUNT_LSB
    return signed_word(int.from_bytes(raw, "big"), 16, lsb)


def decode_bus(raw: bytes) -> Word:
    """Decode the volts; the sign bit cannot be set. [V]"""
    number = int.from_bytes(raw, "big")
    if number & 0x8000:
        return refuse(number, f"bus word 0x{number:04x} has a sign")
    return Word(value=number * VBUS_LSB, raw=number, clipped=number == 0x7FFF)


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature of the chip itself. [Cel]"""
    return signed_word(int.from_bytes(raw, "big") >> 4, 12, DIETEMP_LSB)


class Ina238(Ina228):
    """An INA238 averaging over half a second."""

    identity: ClassVar[Sequence[tuple[int, int, int]]] = (
        (0x3E, 0xFFFF, 0x5449),
        (0x3F, 0xFFF0, 0x2380),
    )

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        self.registers = {VSHUNT: 2, VBUS: 2, CURRENT: 2, DIETEMP: 2}

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one conversion."""
        drop = decode_shunt(raw[VSHUNT], small=self.small)
        lsb = VSHUNT_LSB / SMALL if self.small else VSHUNT_LSB
        count = signed(int.from_bytes(raw[CURRENT], "big"), 16)
        out = dict(self.combine(drop, decode_bus(raw[VBUS]), count, lsb))
        out["temp"] = decode_temp(raw[DIETEMP])
        return out


def build(sensor: Sensor, bus: RegisterBus) -> Ina238:
    """Make the driver."""
    return Ina238(sensor, bus)
