"""
What all chips on a register bus have in common.

Settings are written, read back and looked at again after each reading: a chip that lost
its supply has forgotten them and is started anew. All registers of a reading are read
twice and must agree, which at once proves that they are from one conversion and that no
single byte was disturbed.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.word import NAN, Word
from campledger.errors import BusError, Fault, InputError
from campledger.model.ports import Reading
from campledger.model.quantities import PLAUSIBLE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

PASSES = 4
"""Two in a row must agree; a conversion may end between two of them."""


class Notes:
    """Turns decoded words into a `Reading`, and counts what was noticed."""

    def __init__(self, name: str, roles: Mapping[str, str]) -> None:
        self._name = name
        self._roles = roles
        self._last: dict[str, int] = {}

    def reading(self, words: Mapping[str, Word]) -> Reading:
        """Make the reading of roles; a value outside any physical range is refused."""
        values: dict[str, float] = {}
        counts: dict[str, dict[str, int]] = {}
        notes: list[str] = []
        for role, channel in self._roles.items():
            word = words[role]
            why = word.refused or out_of_range(channel, word.value)
            noticed = {
                "bad": bool(why),
                "clipped": word.clipped and not why,
                "repeat": not why and self._last.get(role) == word.raw,
            }
            values[channel] = NAN if why else word.value
            found = {kind: 1 for kind, yes in noticed.items() if yes}
            if found:
                counts[channel] = found
            if why:
                notes.append(f"{self._name}: {channel}: {why}; kept as missing")
            self._last[role] = word.raw
        return Reading(values=values, counts=counts, notes=tuple(notes))

    def nothing(self, why: str) -> Reading:
        """Make a reading in which everything is refused for one reason."""
        self._last.clear()
        return Reading(
            values=dict.fromkeys(self._roles.values(), NAN),
            counts={channel: {"bad": 1} for channel in self._roles.values()},
            notes=(f"{self._name}: {why}; kept as missing",),
        )


def out_of_range(channel: str, value: float) -> str:
    """Say why a value cannot be, or nothing."""
    quantity = channel.partition("_")[0]
    low, high = PLAUSIBLE.get(quantity, (-1e30, 1e30))
    if low <= value <= high:
        return ""
    return f"got {value:.6g}, expected {low:g} to {high:g}"


def setting_fault(sensor: Sensor, field: str, got: str, expected: str) -> InputError:
    """Make the refusal of a sensor's settings."""
    where = f"{sensor.driver} on {sensor.bus}"
    if sensor.address is not None:
        where += f" address 0x{sensor.address:02x}"
    return InputError(
        Fault(
            file="rig.toml",
            field=f"sensor {where}: {field}",
            got=got,
            expected=expected,
            effect="Sensor not used.",
        )
    )


def mapped_roles(sensor: Sensor, known: Sequence[str]) -> dict[str, str]:
    """
    Give the roles that a rig file maps to channels.

    Raises
    ------
    InputError
        None, or one that this chip has not.
    """
    for role, _ in sensor.channels:
        if role not in known:
            raise setting_fault(sensor, "channels", f'"{role}"', ", ".join(known))
    if not sensor.channels:
        raise setting_fault(sensor, "channels", "none", ", ".join(known))
    for role, channel in sensor.channels:
        kind = channel.partition("_")[0]
        if not role.startswith(kind):
            raise setting_fault(
                sensor,
                f"channels.{role}",
                f'"{channel}"',
                f"a {role.strip('0123456789')}",
            )
    return dict(sensor.channels)


class Chip:
    """
    A chip with registers behind an address.

    A driver names its ``roles``, ``identity`` and ``settle`` and writes ``configure``
    and ``decode``; ``registers`` lists what one reading needs.
    """

    roles: ClassVar[tuple[str, ...]] = ()
    identity: ClassVar[Sequence[tuple[int, int, int]]] = ()
    """(register, mask, value) of 16-bit words that tell this chip from others."""
    settle: float = 0.0
    """Time from the settings to the first whole conversion. [s]"""

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        if sensor.address is None:
            raise setting_fault(sensor, "address", "nothing", "e.g. 0x40")
        self.sensor = sensor
        self.bus = bus
        self.address = sensor.address
        self.name = f"{sensor.driver} on {bus.name} address 0x{self.address:02x}"
        self.mapped = mapped_roles(sensor, self.roles)
        self.channels = tuple(self.mapped.values())
        self.interval = sensor.interval
        self.registers: dict[int, int] = {}
        self.clock: Callable[[], float] = time.monotonic
        self._notes = Notes(self.name, self.mapped)
        self._settings: dict[int, tuple[bytes, int]] = {}
        self._ready_at = 0.0
        self._started = False
        self._waiting = False

    def configure(self) -> None:
        """Write the settings with `setting`."""

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode the registers of one reading into every mapped role."""
        raise NotImplementedError

    def converted(self) -> bool:
        """Ask the chip whether a conversion has ended; only asked until it has."""
        return True

    def start(self) -> None:
        """
        Check the identity, write the settings and read them back.

        Raises
        ------
        BusError
            No answer, another chip, or settings that do not stay.
        """
        self._started = False
        for register, mask, value in self.identity:
            got = self.word(register)
            if got & mask != value:
                msg = (
                    f"{self.name}: got identity 0x{got:04x} in register "
                    f"0x{register:02x}, expected 0x{value:04x}; another chip answers: "
                    "put the right one back or change driver or address in the rig file"
                )
                raise BusError(msg)
        self._settings.clear()
        self.configure()
        self._ready_at = self.clock() + self.settle
        self._waiting = True
        self._started = True

    def read(self) -> Reading:
        """
        Read every channel once.

        Raises
        ------
        BusError
            No answer.
        """
        if not self._started:
            self.start()
        try:
            return self._read()
        except BusError:
            self._started = False
            raise

    def word(self, register: int) -> int:
        """Read a 16-bit register, most significant byte first."""
        return int.from_bytes(self.bus.read(self.address, register, 2), "big")

    def setting(self, register: int, value: int, *, mask: int, size: int = 2) -> None:
        """
        Write a setting, read it back and remember to look at it again.

        Raises
        ------
        BusError
            It reads otherwise.
        """
        data = value.to_bytes(size, "big")
        self.bus.write(self.address, register, data)
        self._settings[register] = (data, mask)
        lost = self._lost_setting()
        if lost:
            msg = f"{self.name}: {lost}; check its supply and leads"
            raise BusError(msg)

    def _lost_setting(self) -> str:
        for register, (data, mask) in self._settings.items():
            got = self.bus.read(self.address, register, len(data))
            same = (_number(got) ^ _number(data)) & mask == 0
            if not same:
                return (
                    f"register 0x{register:02x} reads 0x{got.hex()}, "
                    f"expected 0x{data.hex()}"
                )
        return ""

    def _read(self) -> Reading:
        if self._waiting:
            if self.clock() < self._ready_at or not self.converted():
                return self._notes.nothing("no conversion has ended yet")
            self._waiting = False
        raw = self._steady()
        # looked at last: a line that was shorted meanwhile shows here too
        lost = self._lost_setting()
        if lost:
            self.start()
            return self._notes.nothing(f"{lost} (it was reset); started again")
        if raw is None:
            return self._notes.nothing("no two reads agree, noise on the wire")
        if all(byte == 0xFF for data in raw.values() for byte in data):
            return self._notes.nothing("all ones")
        return self._notes.reading(self.decode(raw))

    def _steady(self) -> dict[int, bytes] | None:
        last: dict[int, bytes] | None = None
        for _ in range(PASSES):
            now = {
                r: self.bus.read(self.address, r, n) for r, n in self.registers.items()
            }
            if now == last:
                return now
            last = now
        return None


def _number(data: bytes) -> int:
    return int.from_bytes(data, "big")
