"""
INA226, 36 V shunt monitor with 16-bit words.

Data sheet SBOS547, section 7.6 (SBOS547B numbering):

======== =========== ==========================================================
register name        meaning
======== =========== ==========================================================
00h      config      11-9 averages, 8-6 bus time, 5-3 shunt time, 2-0 mode
01h      shunt       two's complement, 2.5 uV
02h      bus         1.25 mV, bit 15 always 0
04h      current     shunt x calibration / 2048
05h      calibration 0.00512 / (current LSB x shunt); 0 at power-on
06h      mask        bit 3 conversion ready, cleared by reading
FEh FFh  identity    5449h, 2260h (low four bits: revision)
======== =========== ==========================================================

Set to 128 averages of 2.116 ms each: 0.54 s, both quantities in one cycle.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.shunt import COUNTS, ShuntMonitor, averaging
from campledger.acquire.drivers.word import Word, refuse, signed, signed_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

CONFIG, SHUNT, BUS, CURRENT, CALIBRATION, MASK = 0x00, 0x01, 0x02, 0x04, 0x05, 0x06
SHUNT_LSB = 2.5e-6
BUS_LSB = 1.25e-3
TIMES = (140e-6, 204e-6, 332e-6, 588e-6, 1.1e-3, 2.116e-3, 4.156e-3, 8.244e-3)
"""Conversion times by their three bits. [s]"""
TIME_BITS = 5
CONTINUOUS = 0b111
POWER_ON_BIT = 0x4000
"""Bit 14 of the config register always reads 1."""
READY = 1 << 3
UNITY = 2048


def calibration_word(current_lsb: float, shunt: float) -> int:
    """Give the calibration for a current per count [A] and a shunt [Ohm]; eq. 1."""
    return math.floor(0.00512 / (current_lsb * shunt) + 1e-9)


def current_count(shunt_count: int, calibration: int) -> int:
    """Give the word that the chip puts into its current register; eq. 3."""
    return int(shunt_count * calibration / 2048)


def update_time(config: int) -> float:
    """Give how often a config word brings new data. [s]"""
    times = TIMES[config >> 6 & 7] + TIMES[config >> 3 & 7]
    return COUNTS[config >> 9 & 7] * times


def decode_shunt(raw: bytes) -> Word:
    """Decode the drop over the shunt. [V]"""
    return signed_word(int.from_bytes(raw, "big"), 16, SHUNT_LSB)


def decode_bus(raw: bytes, lsb: float = BUS_LSB) -> Word:
    """Decode the volts; the sign bit cannot be set. [V]"""
    number = int.from_bytes(raw, "big")
    if number & 0x8000:
        return refuse(number, f"bus word 0x{number:04x} has a sign")
    return Word(value=number * lsb, raw=number, clipped=number == 0x7FFF)


class Ina226(ShuntMonitor):
    """An INA226 averaging over half a second."""

    full_scale = 32768 * SHUNT_LSB
    bus_lsb: ClassVar[float] = BUS_LSB
    identity: ClassVar[Sequence[tuple[int, int, int]]] = (
        (0xFE, 0xFFFF, 0x5449),
        (0xFF, 0xFFF0, 0x2260),
    )
    config_fixed: ClassVar[int] = POWER_ON_BIT

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        index = averaging(2 * TIMES[TIME_BITS])
        self.config = self.config_fixed | index << 9 | TIME_BITS << 6 | TIME_BITS << 3
        self.config |= CONTINUOUS
        self.settle = update_time(self.config)
        self.registers = {SHUNT: 2, BUS: 2, CURRENT: 2}

    def configure(self) -> None:
        """Write averaging, then the calibration."""
        self.setting(CONFIG, self.config, mask=0xFFFF)
        self.setting(CALIBRATION, UNITY, mask=0xFFFF)

    def converted(self) -> bool:
        """Look at the ready bit."""
        return bool(self.word(MASK) & READY)

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one conversion."""
        drop = decode_shunt(raw[SHUNT])
        volts = decode_bus(raw[BUS], self.bus_lsb)
        count = signed(int.from_bytes(raw[CURRENT], "big"), 16)
        return self.combine(drop, volts, count, SHUNT_LSB)


def build(sensor: Sensor, bus: RegisterBus) -> Ina226:
    """Make the driver."""
    return Ina226(sensor, bus)
