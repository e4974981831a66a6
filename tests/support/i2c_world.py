"""
Chips behind smbus2's system calls: the kernel's side of /dev/i2c-N, in this process.

Layouts of the ``ioctl`` arguments: Linux kernel, include/uapi/linux/i2c.h, i2c-dev.h.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from typing import TYPE_CHECKING

import smbus2.smbus2 as library

if TYPE_CHECKING:
    from pathlib import Path

PLAIN_I2C = 0x0EFF0009
SMBUS_ONLY = 0x0EFF0008
"""What an adapter can do; the second has no I2C_RDWR."""

Fault = Callable[[int, int, bytes], bytes]
"""(address, register, bytes as the chip sends them) -> bytes, or raises OSError."""


class Chip:
    """Registers of any size; what is written to one changes it."""

    def __init__(self, registers: dict[int, bytes]) -> None:
        self.registers = dict(registers)
        self.power_on = dict(registers)
        self.pointer = 0
        self.plugged = True

    def reset(self) -> None:
        """Lose the supply for a moment."""
        self.registers = dict(self.power_on)

    def sent(self, register: int) -> bytes:
        """What the chip sends."""
        return self.registers.get(register, b"\0\0")

    def take(self, register: int, data: bytes) -> None:
        """What the chip does with a write."""
        self.registers[register] = data


class World:
    """An adapter with chips; ``ioctl`` and ``os`` stand in for smbus2's."""

    O_RDWR = os.O_RDWR

    def __init__(self, folder: Path, funcs: int = PLAIN_I2C) -> None:
        self.chips: dict[int, Chip] = {}
        self.funcs = funcs
        self.fault: Fault | None = None
        self.transfers = 0
        self.opened = 0
        self.shut: OSError | None = None
        self._file = folder / "i2c-1"
        self._file.touch()
        self._address = 0

    def open(self, path: str, flags: int) -> int:
        """Stand in for os.open."""
        assert path == "/dev/i2c-1"
        if self.shut is not None:
            raise self.shut
        self.opened += 1
        return os.open(self._file, flags)

    def close(self, descriptor: int) -> None:
        """Stand in for os.close."""
        os.close(descriptor)

    def ioctl(self, _: int, request: int, arg: object) -> int:
        """Stand in for fcntl.ioctl."""
        if request in (library.I2C_SLAVE, library.I2C_SLAVE_FORCE):
            self._address = int(arg)  # type: ignore[call-overload]
        elif request == library.I2C_FUNCS:
            arg.value = self.funcs  # type: ignore[attr-defined]
        elif request == library.I2C_SMBUS:
            self._smbus(arg)
        elif request == library.I2C_RDWR:
            self._combined(arg)
        else:
            raise OSError(errno.ENOTTY, "not an adapter's request")
        return 0

    def _chip(self, address: int) -> Chip:
        self.transfers += 1
        chip = self.chips.get(address)
        if chip is None or not chip.plugged:
            raise OSError(errno.EREMOTEIO, os.strerror(errno.EREMOTEIO))
        return chip

    def _sent(self, address: int, register: int, size: int) -> bytes:
        chip = self._chip(address)
        data = chip.sent(register)
        data = (data + b"\xff" * size)[:size]
        return self.fault(address, register, data) if self.fault else data

    def _took(self, address: int, register: int, data: bytes) -> None:
        chip = self._chip(address)
        if self.fault:
            self.fault(address, register, data)
        chip.take(register, data)

    def _smbus(self, arg: object) -> None:
        a: library.i2c_smbus_ioctl_data = arg  # type: ignore[assignment]
        data, size = a.data.contents, a.size
        if size == library.I2C_SMBUS_BYTE:
            data.byte = self._sent(self._address, self._chip(self._address).pointer, 1)[
                0
            ]
            return
        sizes = {library.I2C_SMBUS_BYTE_DATA: 1, library.I2C_SMBUS_WORD_DATA: 2}
        if a.read_write == library.I2C_SMBUS_READ:
            count = sizes.get(size) or data.byte
            sent = self._sent(self._address, a.command, count)
            if size == library.I2C_SMBUS_I2C_BLOCK_DATA:
                data.block[: count + 1] = bytes([count]) + sent
            elif count == 1:
                data.byte = sent[0]
            else:
                data.word = int.from_bytes(sent, "little")
            return
        if size == library.I2C_SMBUS_I2C_BLOCK_DATA:
            block = bytes(data.block[1 : data.block[0] + 1])
        else:
            block = int(data.word).to_bytes(2, "little")[: sizes[size]]
        self._took(self._address, a.command, block)

    def _combined(self, arg: object) -> None:
        a: library.i2c_rdwr_ioctl_data = arg  # type: ignore[assignment]
        if self.funcs & 1 == 0:
            raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
        pointer = 0
        for k in range(a.nmsgs):
            message = a.msgs[k]
            if message.flags & library.I2C_M_RD:
                sent = self._sent(message.addr, pointer, message.len)
                for n, byte in enumerate(sent):
                    message.buf[n] = byte
                continue
            written = bytes(message)
            pointer = written[0]
            if len(written) > 1:
                self._took(message.addr, pointer, written[1:])


class Ina226Model(Chip):
    """An INA226 on a shunt: what it shows follows from volts and amperes."""

    def __init__(self, volts: float, amps: float, shunt: float) -> None:
        super().__init__(
            {
                0x00: b"\x41\x27",
                0x05: b"\0\0",
                0x06: b"\0\x08",
                0xFE: b"\x54\x49",
                0xFF: b"\x22\x60",
            }
        )
        self.volts, self.amps, self.shunt = volts, amps, shunt

    def sent(self, register: int) -> bytes:
        """Work the result registers out, as the data sheet's equations say."""
        drop = round(self.amps * self.shunt / 2.5e-6)
        drop = max(-32768, min(32767, drop))
        calibration = int.from_bytes(self.registers[0x05], "big")
        results = {
            0x01: drop,
            0x02: round(self.volts / 1.25e-3),
            0x04: int(drop * calibration / 2048),
        }
        if register in results:
            return (results[register] & 0xFFFF).to_bytes(2, "big")
        return super().sent(register)
