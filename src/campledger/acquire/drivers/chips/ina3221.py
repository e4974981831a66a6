"""
INA3221, three shunts and three voltages.

Data sheet SBOS576B, section 8.6:

========== ======== =====================================================
register   name     meaning
========== ======== =====================================================
00h        config   14-12 channels on, 11-9 averages, 8-6 5-3 times, mode
01h 03 05  shunt    bits 15-3, two's complement, 40 uV
02h 04 06  bus      bits 15-3, 8 mV, never negative
0Fh        mask     bit 0 conversion ready, cleared by reading
FEh FFh    identity 5449h, 3220h
========== ======== =====================================================

Roles ``current1`` .. ``voltage3``; shunts of their own are the options
``shunt1_mohm`` .. ``shunt3_mohm``. There is no calibration register.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chip import Chip, setting_fault
from campledger.acquire.drivers.chips.ina226 import TIMES
from campledger.acquire.drivers.shunt import COUNTS, averaging
from campledger.acquire.drivers.word import Word, refuse, signed_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

CONFIG, MASK = 0x00, 0x0F
SHUNT_LSB = 40e-6
BUS_LSB = 8e-3
CHANNELS = (1, 2, 3)
TIME_BITS = 5
CONTINUOUS = 0b111
READY = 1


def decode_shunt(raw: bytes) -> Word:
    """Decode the drop over a shunt. [V]"""
    number = int.from_bytes(raw, "big")
    if number & 0b110:
        return refuse(number, f"shunt word 0x{number:04x} has bits that are always 0")
    return signed_word(number >> 3, 13, SHUNT_LSB)


def decode_bus(raw: bytes) -> Word:
    """Decode the volts of a channel. [V]"""
    number = int.from_bytes(raw, "big")
    if number & 0x8000:
        return refuse(number, f"bus word 0x{number:04x} has a sign")
    return signed_word(number >> 3, 13, BUS_LSB)


class Ina3221(Chip):
    """An INA3221 with the channels on that are mapped."""

    roles: ClassVar[tuple[str, ...]] = tuple(
        f"{what}{n}" for what in ("current", "voltage") for n in CHANNELS
    )
    identity: ClassVar[Sequence[tuple[int, int, int]]] = (
        (0xFE, 0xFFFF, 0x5449),
        (0xFF, 0xFFFF, 0x3220),
    )

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        own = dict(sensor.options)
        self.used = tuple(
            n for n in CHANNELS if any(role.endswith(str(n)) for role in self.mapped)
        )
        self.shunts: dict[int, float] = {}
        for n in self.used:
            if f"current{n}" not in self.mapped:
                continue
            shunt = own.get(f"shunt{n}_mohm", 1000 * (sensor.shunt or 0.0)) / 1000
            if shunt <= 0.0:
                raise setting_fault(sensor, "shunt_mohm", "nothing", "e.g. 0.5")
            self.shunts[n] = shunt
        conversion = 2 * TIMES[TIME_BITS] * len(self.used)
        index = averaging(conversion)
        self.settle = COUNTS[index] * conversion
        on = sum(1 << (15 - n) for n in self.used)
        self.config = on | index << 9 | TIME_BITS << 6 | TIME_BITS << 3 | CONTINUOUS
        self.registers = {r: 2 for n in self.used for r in (2 * n - 1, 2 * n)}

    def configure(self) -> None:
        """Write channels and averaging."""
        self.setting(CONFIG, self.config, mask=0x7FFF)

    def converted(self) -> bool:
        """Look at the ready bit."""
        return bool(self.word(MASK) & READY)

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one round of conversions."""
        out: dict[str, Word] = {}
        for n in self.used:
            out[f"voltage{n}"] = decode_bus(raw[2 * n])
            if n in self.shunts:
                drop = decode_shunt(raw[2 * n - 1])
                out[f"current{n}"] = Word(
                    value=drop.value / self.shunts[n],
                    raw=drop.raw,
                    clipped=drop.clipped,
                    refused=drop.refused,
                )
        return out


def build(sensor: Sensor, bus: RegisterBus) -> Ina3221:
    """Make the driver."""
    return Ina3221(sensor, bus)
