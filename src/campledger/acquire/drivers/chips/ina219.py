"""
INA219, 26 V shunt monitor with 12-bit words.

Data sheet SBOS448F, section 8.6:

======== =========== ======================================================
register name        meaning
======== =========== ======================================================
00h      config      bit 13 range 32 V, 12-11 gain, 10-7 and 6-3 averaging
01h      shunt       two's complement, 10 uV
02h      bus         bits 15-3, 4 mV; bit 1 conversion ready, bit 0 overflow
04h      current     shunt x calibration / 4096
05h      calibration trunc(0.04096 / (current LSB x shunt)), bit 0 is void
======== =========== ======================================================

No identity register. The longest averaging is 128 samples, 68.1 ms for each quantity.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from campledger.acquire.drivers.shunt import ShuntMonitor
from campledger.acquire.drivers.word import Word, refuse, signed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

CONFIG, SHUNT, BUS, CURRENT, CALIBRATION = 0x00, 0x01, 0x02, 0x04, 0x05
SHUNT_LSB = 10e-6
BUS_LSB = 4e-3
BUS_FULL = 8000
"""Counts at 32 V; more cannot be."""
GAINS = ((0.04, 4000), (0.08, 8000), (0.16, 16000), (0.32, 32000))
"""Full scale [V] and its count, by gain bits. Table 4 and 7."""
RANGE_32 = 1 << 13
SAMPLES_128 = 0b1111
CONTINUOUS = 0b111
READY = 0b10
UNITY = 4096
"""Calibration at which a count of current is a count of the shunt register."""


def calibration_word(current_lsb: float, shunt: float) -> int:
    """Give the calibration for a current per count [A] and a shunt [Ohm]; 8.5.1."""
    return math.floor(0.04096 / (current_lsb * shunt) + 1e-9) & 0xFFFE


def current_count(shunt_count: int, calibration: int) -> int:
    """Give the word that the chip puts into its current register; 8.5.1."""
    return int(shunt_count * calibration / 4096)


def decode_shunt(raw: bytes, full: int = 32000) -> Word:
    """Decode the drop over the shunt [V]; ``full`` is the count of full scale."""
    number = int.from_bytes(raw, "big")
    count = signed(number, 16)
    if abs(count) > full:
        return refuse(number, f"shunt word 0x{number:04x} is beyond the range")
    return Word(value=count * SHUNT_LSB, raw=number, clipped=abs(count) == full)


def decode_bus(raw: bytes) -> Word:
    """Decode the volts; the three low bits are flags. [V]"""
    number = int.from_bytes(raw, "big")
    count = number >> 3
    if count > BUS_FULL:
        return refuse(number, f"bus word 0x{number:04x} is beyond 32 V")
    return Word(value=count * BUS_LSB, raw=count, clipped=count == BUS_FULL)


class Ina219(ShuntMonitor):
    """An INA219 at its longest averaging."""

    full_scale = 0.32
    settle = 0.14

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        wanted = self.drop_max or self.full_scale
        self.gain = next(n for n, g in enumerate(GAINS) if wanted <= g[0] * (1 + 1e-9))
        self.registers = {SHUNT: 2, BUS: 2, CURRENT: 2}

    def configure(self) -> None:
        """Write range, gain and averaging, then the calibration."""
        value = RANGE_32 | self.gain << 11 | SAMPLES_128 << 7 | SAMPLES_128 << 3
        self.setting(CONFIG, value | CONTINUOUS, mask=0x3FFF)
        self.setting(CALIBRATION, UNITY, mask=0xFFFE)

    def converted(self) -> bool:
        """Look at the ready bit."""
        return bool(self.word(BUS) & READY)

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one conversion."""
        drop = decode_shunt(raw[SHUNT], GAINS[self.gain][1])
        count = signed(int.from_bytes(raw[CURRENT], "big"), 16)
        return self.combine(drop, decode_bus(raw[BUS]), count, SHUNT_LSB)


def build(sensor: Sensor, bus: RegisterBus) -> Ina219:
    """Make the driver."""
    return Ina219(sensor, bus)
