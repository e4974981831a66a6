"""
Any meter on Modbus, as its register map file describes it.

References: Modbus Application Protocol V1.1b3; SunSpec (scale factors, "not
implemented" values); IEEE 754 for floats.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING

from campledger.acquire.drivers.chip import Notes, out_of_range, setting_fault
from campledger.acquire.drivers.meter_map import MeterMap, Register, read_map
from campledger.acquire.drivers.word import Word, refuse, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import Reading, WordBus
    from campledger.model.rig import Sensor

MOST_WORDS = 125
"""Registers in one question. Modbus Application Protocol V1.1b3, 6.3."""
NO_SCALE = 0x8000
"""SunSpec: scale factor not implemented."""
SCALE_MOST = 10
"""SunSpec: scale factors are -10 to 10."""
TINY = 1e-10
"""A float smaller than this but not 0 has its words swapped. No source."""


def assemble(words: Sequence[int], register: Register) -> int:
    """Put the words of a register together, high word first, as one raw number."""
    ordered = list(reversed(words)) if register.words_swapped else list(words)
    if register.bytes_swapped:
        ordered = [(w >> 8) | (w & 0xFF) << 8 for w in ordered]
    number = 0
    for word in ordered:
        number = number << 16 | word
    return number


def decode_register(
    words: Sequence[int], register: Register, scale_word: int | None = None
) -> Word:
    """
    Decode a quantity.

    Parameters
    ----------
    words : sequence of int
        As they came, one or two of 16 bits.
    register : Register
        Type, orders, scale and offset.
    scale_word : int or None
        The SunSpec scale factor as read.

    Returns
    -------
    word : Word
        scale x 10**factor x raw + offset; refused where the meter says "no value".
    """
    raw = assemble(words, register)
    shown = " ".join(f"0x{w:04x}" for w in words)
    if raw in register.not_implemented:
        return refuse(
            raw, f"register {register.address} reads {shown}, not implemented"
        )
    factor = 1.0
    if scale_word is not None:
        power = signed(scale_word, 16)
        if scale_word == NO_SCALE or abs(power) > SCALE_MOST:
            return refuse(raw, f"scale factor reads 0x{scale_word:04x}, no factor")
        factor = 10.0**power
    number = _number(raw, register.kind)
    if not math.isfinite(number) or (register.kind == "float32" and _tiny(number)):
        return refuse(
            raw,
            f"register {register.address} reads {shown} = {number:.3g}, word order?",
        )
    value = number * factor * register.scale + register.offset
    return Word(value=value, raw=raw, clipped=_at_end(raw, register.kind))


def _number(raw: int, kind: str) -> float:
    if kind == "float32":
        return float(struct.unpack(">f", raw.to_bytes(4, "big"))[0])
    if kind.startswith("int"):
        return float(signed(raw, int(kind[3:])))
    return float(raw)


def _tiny(number: float) -> bool:
    return 0.0 < abs(number) < TINY


def _at_end(raw: int, kind: str) -> bool:
    """Tell whether a signed integer is at an end of its range."""
    return raw in {"int16": (0x7FFF, 0x8000), "int32": (0x7FFFFFFF, 0x80000000)}.get(
        kind, ()
    )


def blocks(wanted: Mapping[tuple[int, int], int]) -> list[tuple[int, int, int]]:
    """
    Join neighbouring registers into questions.

    Parameters
    ----------
    wanted : mapping of (function, address) to int
        How many words from there.

    Returns
    -------
    questions : list of (function, start, count)
        Nothing is asked that is not wanted: some meters refuse gaps.
    """
    out: list[tuple[int, int, int]] = []
    for (function, address), size in sorted(wanted.items()):
        if out:
            last, start, count = out[-1]
            end = max(start + count, address + size)
            near = last == function and address <= start + count
            if near and end - start <= MOST_WORDS:
                out[-1] = (function, start, end - start)
                continue
        out.append((function, address, size))
    return out


class Meter:
    """
    A meter on a line, read block by block.

    Parameters
    ----------
    sensor : Sensor
        Its address is the unit id, 1 if none is given.
    bus : WordBus
        The line.
    meter : MeterMap
        The register map.
    """

    def __init__(self, sensor: Sensor, bus: WordBus, meter: MeterMap) -> None:
        self.bus = bus
        self.unit = sensor.address if sensor.address is not None else 1
        self.name = f"{meter.name} on {bus.name} unit {self.unit}"
        self.interval = sensor.interval
        self.registers = _mapped(sensor, meter)
        channels = {role: channel for role, (channel, _) in self.registers.items()}
        self.channels = tuple(channels.values())
        self._notes = Notes(self.name, channels)
        wanted: dict[tuple[int, int], int] = {}
        for _, register in self.registers.values():
            wanted[register.function, register.address] = register.size
            if register.scale_address is not None:
                wanted.setdefault((register.function, register.scale_address), 1)
        self.questions = blocks(wanted)

    def start(self) -> None:
        """
        Ask the first block: the meter answers and has these registers.

        Raises
        ------
        BusError
            It does not.
        """
        function, start, count = self.questions[0]
        self.bus.read_words(self.unit, function, start, count)

    def read(self) -> Reading:
        """
        Read every block once.

        Raises
        ------
        BusError
            No answer, or one that does not fit.
        """
        found: dict[tuple[int, int], int] = {}
        for function, start, count in self.questions:
            words = self.bus.read_words(self.unit, function, start, count)
            for n, word in enumerate(words):
                found[function, start + n] = word
        return self._notes.reading(
            {
                role: self._decode(channel, register, found)
                for role, (channel, register) in self.registers.items()
            }
        )

    def _decode(
        self, channel: str, register: Register, found: Mapping[tuple[int, int], int]
    ) -> Word:
        at = register.address
        words = [found[register.function, at + n] for n in range(register.size)]
        scale = None
        if register.scale_address is not None:
            scale = found[register.function, register.scale_address]
        word = decode_register(words, register, scale)
        why = "" if word.refused else out_of_range(channel, word.value)
        if why:
            shown = " ".join(f"0x{w:04x}" for w in words)
            hint = ", word order?" if register.size > 1 else ", scale or type?"
            word = refuse(word.raw, f"register {at} reads {shown}: {why}{hint}")
        return word


def _mapped(sensor: Sensor, meter: MeterMap) -> dict[str, tuple[str, Register]]:
    """Give the registers that are used: those mapped by the rig, else by the file."""
    by_role = {register.role: register for register in meter.registers}
    for role, _ in sensor.channels:
        if role not in by_role:
            raise setting_fault(
                sensor, "channels", f'"{role}"', f"one of {', '.join(by_role)}"
            )
    if sensor.channels:
        return {role: (channel, by_role[role]) for role, channel in sensor.channels}
    own = {r.role: (r.channel, r) for r in meter.registers if r.channel}
    if not own:
        raise setting_fault(sensor, "channels", "none", f"roles {', '.join(by_role)}")
    return own


def build_meter(sensor: Sensor, bus: WordBus) -> Meter:
    """
    Make the driver of a meter from its map file.

    Raises
    ------
    InputError
        The file or the roles do not fit.
    """
    if not sensor.map_file:
        raise setting_fault(sensor, "map", "nothing", 'map = "FILE.toml"')
    return Meter(sensor, bus, read_map(sensor.map_file))
