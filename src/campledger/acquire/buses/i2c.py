"""
I2C through the kernel's device files.

Registers are read with a repeated start where the adapter can; SMBus words and blocks
else. Any ``OSError`` means no answer: the number differs from adapter to adapter.
Values of ``ioctl`` requests: Linux kernel, include/uapi/linux/i2c-dev.h.
"""

from __future__ import annotations

import errno
import fcntl
import time
from contextlib import suppress
from typing import TYPE_CHECKING, TypeVar

from smbus2 import I2cFunc, SMBus, i2c_msg

from campledger.acquire.buses.lock import claim
from campledger.errors import BusError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

T = TypeVar("T")

I2C_RETRIES = 0x0701
I2C_TIMEOUT = 0x0702
TIMEOUT_UNIT = 0.01
"""Unit of the kernel's time-out. [s]"""
TRIES = 3
"""A lost acknowledge is asked again so often. Common practice, no source."""
RETRY_WITHIN = 0.05
"""No further try once this much time has gone. [s] Common practice, no source."""
FIRST, LAST = 0x08, 0x77
"""Addresses that a chip may have; the others are reserved by the I2C specification."""
GONE = frozenset({errno.ENODEV, errno.EBADF, errno.ESHUTDOWN, errno.EPIPE})
"""The adapter itself may have been unplugged: open it again."""


class I2cBus:
    """
    One I2C adapter, owned by this process.

    Parameters
    ----------
    number : int
        The N of ``/dev/i2c-N``.
    timeout : float
        Longest wait for an answer, as far as the adapter obeys. [s]
    """

    def __init__(self, number: int, *, timeout: float = 0.3) -> None:
        self.name = f"i2c:{number}"
        self._path = f"/dev/i2c-{number}"
        self._ticks = max(1, int(timeout / TIMEOUT_UNIT))
        self._silent: set[int] = set()
        self._bus: SMBus | None = self._open()

    def close(self) -> None:
        """Let go of the adapter."""
        if self._bus is not None:
            with suppress(OSError):
                self._bus.close()
        self._bus = None

    def read(self, address: int, register: int, size: int) -> bytes:
        """
        Read ``size`` bytes of a register in the order in which the chip sends them.

        Raises
        ------
        BusError
            No answer.
        """
        return self._ask(address, lambda bus: _read(bus, address, register, size))

    def write(self, address: int, register: int, data: bytes) -> None:
        """
        Write bytes to a register.

        Raises
        ------
        BusError
            No answer.
        """
        self._ask(address, lambda bus: _write(bus, address, register, data))

    def scan(self) -> Iterator[tuple[int, str]]:
        """Give answering addresses and "" or who holds them; only ever reads."""
        for address in range(FIRST, LAST + 1):
            try:
                self._opened().read_byte(address)
            except OSError as error:
                if error.errno == errno.EBUSY:
                    yield address, "held by a driver of the kernel"
                continue
            yield address, ""

    def _open(self) -> SMBus:
        try:
            bus = SMBus(self._path)
        except OSError as error:
            raise BusError(self._why_shut(error), temporary=False) from error
        descriptor = bus.fd
        assert descriptor is not None  # noqa: S101
        try:
            claim(descriptor, self.name)
        except BusError:
            bus.close()
            raise
        with suppress(OSError):
            fcntl.ioctl(descriptor, I2C_TIMEOUT, self._ticks)
            fcntl.ioctl(descriptor, I2C_RETRIES, 0)
        return bus

    def _opened(self) -> SMBus:
        if self._bus is None:
            self._bus = self._open()
        return self._bus

    def _why_shut(self, error: OSError) -> str:
        if isinstance(error, PermissionError):
            return (
                f"bus {self.name}: got no right to open {self._path}, expected read "
                "and write; add this user to the group i2c and log in again"
            )
        if isinstance(error, FileNotFoundError):
            return (
                f"bus {self.name}: got no {self._path}, expected an adapter; switch "
                "I2C on (kernel module i2c-dev) or name another bus in the rig file"
            )
        return f"bus {self.name}: {self._path} does not open ({error.strerror})"

    def _ask(self, address: int, transfer: Callable[[SMBus], T]) -> T:
        begun = time.monotonic()
        for n in range(TRIES):
            try:
                out = transfer(self._opened())
            except OSError as error:
                late = time.monotonic() - begun > RETRY_WITHIN
                if n < TRIES - 1 and not late and error.errno not in GONE:
                    continue
                raise self._no_answer(address, error) from error
            self._silent.clear()
            return out
        raise AssertionError

    def _no_answer(self, address: int, error: OSError) -> BusError:
        self._silent.add(address)
        if error.errno in GONE:
            self.close()
        place = f"bus {self.name} address 0x{address:02x}"
        said = f"no answer ({error.strerror or 'error'}, errno {error.errno})"
        if error.errno == errno.EBUSY:
            advice = "a driver of the kernel holds it: unload that one"
        elif len(self._silent) > 1:
            advice = (
                "nothing on this bus answers, a chip may hold a line low: switch the "
                "supply of the sensors off and on, then look at the leads"
            )
        else:
            advice = "check its plug, its supply and the address jumper"
        return BusError(f"{place}: {said}; {advice}")


def _read(bus: SMBus, address: int, register: int, size: int) -> bytes:
    if bus.funcs & I2cFunc.I2C:
        answer = i2c_msg.read(address, size)
        bus.i2c_rdwr(i2c_msg.write(address, [register]), answer)
        return bytes(answer)
    if size == 1:
        return bytes([bus.read_byte_data(address, register)])
    if size == 2:
        return int(bus.read_word_data(address, register)).to_bytes(2, "little")
    found = bytes(bus.read_i2c_block_data(address, register, size))
    if len(found) != size:
        raise OSError(errno.EPROTO, f"{len(found)} of {size} bytes")
    return found


def _write(bus: SMBus, address: int, register: int, data: bytes) -> None:
    if bus.funcs & I2cFunc.I2C:
        bus.i2c_rdwr(i2c_msg.write(address, [register, *data]))
    elif len(data) == 1:
        bus.write_byte_data(address, register, data[0])
    elif len(data) == 2:
        bus.write_word_data(address, register, int.from_bytes(data, "little"))
    else:
        bus.write_i2c_block_data(address, register, list(data))
