"""What all digital thermometers on a register bus have in common: one register."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chip import Chip
from campledger.acquire.drivers.word import Word, refuse, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor


def left_justified(
    raw: bytes, *, lsb: float, spare: int, low: float, high: float
) -> Word:
    """
    Decode a 16-bit temperature whose lowest bits are always 0.

    Parameters
    ----------
    raw : bytes
        Two, most significant first.
    lsb : float
        Kelvin per count of the whole 16-bit word.
    spare : int
        How many low bits are always 0.
    low, high : float
        What the chip is made for. [Cel]

    Returns
    -------
    word : Word
        [Cel]
    """
    number = int.from_bytes(raw, "big")
    if number & ((1 << spare) - 1):
        return refuse(number, f"word 0x{number:04x} has bits that are always 0")
    value = signed(number, 16) * lsb
    if not low <= value <= high:
        return refuse(number, f"word 0x{number:04x} is {value:g} Cel, beyond the chip")
    return Word(value=value, raw=number)


class Thermometer(Chip):
    """
    A chip with one temperature register.

    A driver gives ``register``, ``settle`` and ``settings``: (register, value, mask,
    size). Limits that differ from the power-on values tell that the supply was lost.
    """

    roles: ClassVar[tuple[str, ...]] = ("temp",)
    register: ClassVar[int] = 0x00
    settings: ClassVar[Sequence[tuple[int, int, int, int]]] = ()

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        self.registers = {self.register: 2}

    def configure(self) -> None:
        """Write the settings."""
        for register, value, mask, size in self.settings:
            self.setting(register, value, mask=mask, size=size)

    def decode_temp(self, raw: bytes) -> Word:
        """Decode the register. [Cel]"""
        raise NotImplementedError

    def decode(self, raw: Mapping[int, bytes]) -> Mapping[str, Word]:
        """Decode one conversion."""
        return {"temp": self.decode_temp(raw[self.register])}
