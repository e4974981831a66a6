"""
1-wire thermometers through the text of the kernel's w1_therm driver.

Linux kernel, Documentation/w1/slaves/w1_therm: the first line has the nine bytes, the
check sum worked out from them and YES or NO; the second has ``t=`` in thousandths of a
degree. After a NO the second line is the old reading and must not be used. The check
sum (reflected polynomial 8Ch) is worked out again here.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from campledger.acquire.drivers.chip import Notes, mapped_roles
from campledger.acquire.drivers.word import Word, refuse, signed

if TYPE_CHECKING:
    from campledger.model.ports import FileBus, Reading
    from campledger.model.rig import Sensor

POLYNOMIAL = 0x8C
LSB = 1 / 16
RESET_RAW = 0x0550
"""+85 Cel, the power-on value of the family. DS18B20 data sheet, table 1."""
FROZEN = "85 Cel, the value after power-on; no conversion seen"
LOW, HIGH = -55.0, 125.0
_LINE = re.compile(
    r"^((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)\s+.*?t=(-?\d+)\s*$", re.DOTALL
)


def checksum(data: bytes) -> int:
    """Work out the check sum of some bytes."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (POLYNOMIAL if crc & 1 else 0)
    return crc


def decode_scratch(raw: bytes) -> float:
    """Decode the first two of nine bytes, least significant first. [Cel]"""
    return signed(int.from_bytes(raw[:2], "little"), 16) * LSB


def decode_text(text: str, *, moved: bool = True) -> Word:
    """
    Decode the text of a sensor.

    Parameters
    ----------
    text : str
        Both lines.
    moved : bool
        Whether another value than the power-on one was ever read; 85 Cel before that
        is refused.

    Returns
    -------
    word : Word
        [Cel]
    """
    found = _LINE.match(text)
    if found is None:
        return refuse(0, "got text of another form, expected nine bytes and t=")
    data = bytes.fromhex(found[1])
    raw = int.from_bytes(data[:2], "little")
    if found[3] != "YES" or checksum(data[:8]) != data[8]:
        return refuse(raw, "the check sum does not fit; check the lead")
    if not any(data):
        return refuse(raw, "nothing but zeros; the data line is shorted")
    if raw == RESET_RAW and not moved:
        return refuse(raw, FROZEN)
    value = int(found[4]) / 1000
    if not LOW <= value <= HIGH:
        return refuse(raw, f"got {value:g} Cel, expected {LOW:g} to {HIGH:g}")
    return Word(value=value, raw=raw)


class OneWire:
    """
    One 1-wire thermometer.

    85 Cel is the reset value: it is taken only when the readings led there, never after
    a start or a jump of more than `JUMP`.
    """

    JUMP = 10.0

    def __init__(self, sensor: Sensor, bus: FileBus) -> None:
        self.bus = bus
        self.name = f"w1 sensor {sensor.bus.removeprefix('w1:')}"
        roles = mapped_roles(sensor, ("temp",))
        self.channels = tuple(roles.values())
        self.interval = sensor.interval
        self._device = sensor.bus.removeprefix("w1:")
        self._notes = Notes(self.name, roles)
        self._last: float | None = None

    def start(self) -> None:
        """
        Look whether it is there.

        Raises
        ------
        BusError
            It is not.
        """
        self._last = None
        self.bus.read_text(self._device)

    def read(self) -> Reading:
        """
        Read it once.

        Raises
        ------
        BusError
            It is not there.
        """
        near = self._last is not None and abs(self._last - RESET_RAW * LSB) <= self.JUMP
        word = decode_text(self.bus.read_text(self._device), moved=near)
        if not word.refused:
            self._last = word.value
        return self._notes.reading({"temp": word})
