"""
ADS1115, four inputs and a 16-bit converter.

Data sheet SBAS444D (ADS111xL: Table 8-1), section 9.6:

======== ========= ==========================================================
register name      meaning
======== ========= ==========================================================
00h      result    two's complement, full scale / 32768
01h      config    15 start/idle, 14-12 input, 11-9 full scale, 8 single,
                   7-5 rate, 1-0 comparator off
======== ========= ==========================================================

Roles: ``voltage0`` to ``voltage3``, an input against ground, times the option
``divider0`` and so on (default 1); ``current01`` and ``current23``, two inputs over the
shunt; ``temp0`` to ``temp3``, a resistance thermometer against ground with the options
``ntc_ohm`` and ``ntc_beta`` or ``pt_ohm``, and ``series_ohm`` and ``supply_v``.
No identity register. Each poll converts one input after another at the slowest rate
that keeps it short: 125 ms at most, this chip averages no longer.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chip import Chip, setting_fault
from campledger.acquire.drivers.probes import ntc_temperature, platinum_of_divider
from campledger.acquire.drivers.word import Word, refuse, signed_word

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.model.ports import Reading, RegisterBus
    from campledger.model.rig import Sensor

RESULT, CONFIG = 0x00, 0x01
FULL_SCALES: Sequence[float] = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)
"""By their three bits. [V] Table 8-1."""
RATES: Sequence[float] = (8, 16, 32, 64, 128, 250, 475, 860)
"""By their three bits. [1/s]"""
RATE_BY_INPUTS = (0, 0, 1, 2, 2, 3, 3, 3, 3, 3, 3)
START, SINGLE, COMPARATOR_OFF = 1 << 15, 1 << 8, 0b11
SLOW = 1.1
"""The rate is within 10 %. Data sheet, electrical characteristics."""
INPUT_BITS = {"current01": 0b000, "current23": 0b011}


def lsb(full_scale: float) -> float:
    """Give the volts of one count. [V]"""
    return full_scale / 32768


def decode_result(raw: bytes, full_scale: float) -> Word:
    """Decode a conversion; its two ends are marked clipped. [V]"""
    return signed_word(int.from_bytes(raw, "big"), 16, lsb(full_scale))


class Ads1115(Chip):
    """An ADS1115 that converts each mapped input once a poll."""

    roles: ClassVar[tuple[str, ...]] = (
        *(f"{what}{n}" for what in ("voltage", "temp") for n in range(4)),
        *INPUT_BITS,
    )

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        self.options = dict(sensor.options)
        self.rate = RATE_BY_INPUTS[len(self.mapped)]
        self.pause: Callable[[float], None] = time.sleep
        if "shunt_mohm" not in self.options and sensor.shunt is not None:
            self.options["shunt_mohm"] = 1000 * sensor.shunt
        for role in self.mapped:
            for name in _needs(role, self.options):
                if self.options.get(name, 0.0) <= 0.0:
                    raise setting_fault(sensor, name, "nothing", "a number above 0")

    def configure(self) -> None:
        """Write a harmless config and read it back: something answers as this chip."""
        self.setting(CONFIG, self._config(next(iter(self.mapped))), mask=0x7FFF)
        self._settings.clear()

    def _config(self, role: str) -> int:
        gain = 5 if role.startswith("current") else 1
        inputs = INPUT_BITS.get(role, 0b100 | int(role[-1]))
        word = inputs << 12 | gain << 9 | SINGLE | self.rate << 5 | COMPARATOR_OFF
        return word & 0x7FFF

    def _read(self) -> Reading:
        words = {role: self._convert(role) for role in self.mapped}
        return self._notes.reading(words)

    def _convert(self, role: str) -> Word:
        config = self._config(role)
        self.bus.write(self.address, CONFIG, (config | START).to_bytes(2, "big"))
        self.pause(SLOW / RATES[self.rate])
        before = self.word(CONFIG)
        first = self.bus.read(self.address, RESULT, 2)
        again = self.bus.read(self.address, RESULT, 2)
        after = self.word(CONFIG)
        if (before, after) != (config | START, config | START):
            why = f"config reads 0x{before:04x}, then 0x{after:04x}, not converted"
            return refuse(0, why)
        if first != again:
            return refuse(0, "two reads disagree, noise on the wire")
        return self._quantity(role, first)

    def _quantity(self, role: str, raw: bytes) -> Word:
        word = decode_result(raw, FULL_SCALES[5 if role.startswith("current") else 1])
        if role.startswith("current"):
            value = word.value / (self.options["shunt_mohm"] / 1000)
        elif role.startswith("voltage"):
            if word.value < -0.1:
                return refuse(word.raw, f"got {word.value:g} V below ground")
            value = word.value * self.options.get(f"divider{role[-1]}", 1.0)
        else:
            value = self._temperature(word.value)
            if math.isnan(value) or word.clipped:
                return refuse(
                    word.raw, f"got {word.value:g} V, the probe is open or shorted"
                )
        return Word(value=value, raw=word.raw, clipped=word.clipped)

    def _temperature(self, volts: float) -> float:
        if "pt_ohm" in self.options:
            return platinum_of_divider(
                volts,
                supply=self.options["supply_v"],
                series=self.options["series_ohm"],
                nominal=self.options["pt_ohm"],
            )
        return ntc_temperature(
            volts,
            supply=self.options["supply_v"],
            series=self.options["series_ohm"],
            nominal=self.options["ntc_ohm"],
            beta=self.options["ntc_beta"],
        )


def _needs(role: str, options: Mapping[str, float]) -> tuple[str, ...]:
    if role.startswith("temp"):
        own = ("pt_ohm",) if "pt_ohm" in options else ("ntc_ohm", "ntc_beta")
        return (*own, "series_ohm", "supply_v")
    return ("shunt_mohm",) if role.startswith("current") else ()


def build(sensor: Sensor, bus: RegisterBus) -> Ads1115:
    """Make the driver."""
    return Ads1115(sensor, bus)
