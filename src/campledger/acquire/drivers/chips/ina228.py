"""
INA228, 85 V shunt monitor with 20-bit words.

Data sheet SLYS021A (INA229: SLYS023A, Table 8-4 has the same result registers):

======== ========= =========================================================
register name      meaning
======== ========= =========================================================
00h      config    bit 4 small range (40.96 mV instead of 163.84 mV)
01h      ADC       15-12 mode, 11-9 8-6 5-3 times, 2-0 averages
02h      SHUNT_CAL 13107.2e6 x current LSB x shunt; x 4 in the small range
04h      VSHUNT    bits 23-4, 312.5 nV (78.125 nV in the small range)
05h      VBUS      bits 23-4, 195.3125 uV, never negative
06h      DIETEMP   7.8125 mC
07h      CURRENT   bits 23-4, current LSB = largest current / 2**19
08h-0Ah  POWER, ENERGY, CHARGE: 3.2, 16 x 3.2 and 1 x current LSB
0Bh      flags     bit 1 conversion ready, cleared by reading
3Eh 3Fh  identity  5449h, 228xh
======== ========= =========================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.shunt import COUNTS, ShuntMonitor, averaging
from campledger.acquire.drivers.word import Word, refuse, signed, signed_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

CONFIG, ADC, SHUNT_CAL = 0x00, 0x01, 0x02
VSHUNT, VBUS, DIETEMP, CURRENT, FLAGS = 0x04, 0x05, 0x06, 0x07, 0x0B
VSHUNT_LSB = 312.5e-9
VBUS_LSB = 195.3125e-6
DIETEMP_LSB = 7.8125e-3
POWER_FACTOR, ENERGY_FACTOR, CHARGE_FACTOR = 3.2, 16 * 3.2, 1.0
"""Table 8-4: W, J and C per count, times the current per count."""
SMALL_RANGE = 1 << 4
SMALL = 4
"""The small range is this many times finer."""
TIMES = (50e-6, 84e-6, 150e-6, 280e-6, 540e-6, 1.052e-3, 2.074e-3, 4.12e-3)
TIME_BITS = 6
CONTINUOUS_ALL = 0xF
READY = 1 << 1
UNITY = 4096


def calibration_word(current_lsb: float, shunt: float, *, small: bool = False) -> int:
    """Give SHUNT_CAL for a current per count [A] and a shunt [Ohm]; section 8.1.2."""
    return round(13107.2e6 * current_lsb * shunt * (SMALL if small else 1))


def current_lsb(current_max: float) -> float:
    """Give the current per count for a largest current; section 8.1.2. [A]"""
    return current_max / 2**19


def decode_shunt(raw: bytes, *, small: bool = False) -> Word:
    """Decode the drop over the shunt, three bytes. [V]"""
    lsb = VSHUNT_LSB / SMALL if small else VSHUNT_LSB
    return signed_word(int.from_bytes(raw, "big") >> 4, 20, lsb)


def decode_bus(raw: bytes) -> Word:
    """Decode the volts, three bytes; the sign bit cannot be set. [V]"""
    number = int.from_bytes(raw, "big") >> 4
    if number & 0x80000:
        return refuse(number, f"bus word 0x{number:05x} has a sign")
    return Word(value=number * VBUS_LSB, raw=number, clipped=number == 0x7FFFF)


def decode_temp(raw: bytes) -> Word:
    """Decode the temperature of the chip itself, two bytes. [Cel]"""
    return signed_word(int.from_bytes(raw, "big"), 16, DIETEMP_LSB)


class Ina228(ShuntMonitor):
    """An INA228 averaging over half a second."""

    roles: ClassVar[tuple[str, ...]] = ("current", "voltage", "power", "temp")
    identity: ClassVar[Sequence[tuple[int, int, int]]] = (
        (0x3E, 0xFFFF, 0x5449),
        (0x3F, 0xFFF0, 0x2280),
    )
    full_scale = 0.16384
    settle = 0.6

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        self.small = 0.0 < self.drop_max <= self.full_scale / SMALL
        index = averaging(3 * TIMES[TIME_BITS])
        self.adc = CONTINUOUS_ALL << 12 | index
        self.adc |= TIME_BITS << 9 | TIME_BITS << 6 | TIME_BITS << 3
        self.settle = COUNTS[index] * 3 * TIMES[TIME_BITS]
        self.registers = {VSHUNT: 3, VBUS: 3, CURRENT: 3, DIETEMP: 2}

    def configure(self) -> None:
        """Write range and averaging, then the calibration."""
        self.setting(CONFIG, SMALL_RANGE if self.small else 0, mask=SMALL_RANGE)
        self.setting(ADC, self.adc, mask=0xFFFF)
        self.setting(SHUNT_CAL, UNITY, mask=0x7FFF)

    def converted(self) -> bool:
        """Look at the ready bit."""
        return bool(self.word(FLAGS) & READY)

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one conversion."""
        drop = decode_shunt(raw[VSHUNT], small=self.small)
        lsb = VSHUNT_LSB / SMALL if self.small else VSHUNT_LSB
        count = signed(int.from_bytes(raw[CURRENT], "big") >> 4, 20)
        out = dict(self.combine(drop, decode_bus(raw[VBUS]), count, lsb))
        out["temp"] = decode_temp(raw[DIETEMP])
        return out


def build(sensor: Sensor, bus: RegisterBus) -> Ina228:
    """Make the driver."""
    return Ina228(sensor, bus)
