"""
Modbus over TCP or a serial line.

The client library is kept on a short lead: no retries of its own, a deadline over every
answer, and each answer checked for its function and length. A serial frame carries no
number: after a time-out the line is drained, and the first answer of that device is
thrown away, since it may belong to the question before. A TCP connection is closed
after any fault. References: Modbus Application Protocol V1.1b3; Modbus over serial line
V1.02.
"""

from __future__ import annotations

import logging
import os
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from campledger.acquire.buses.lock import claim, claim_address
from campledger.errors import BusError

if TYPE_CHECKING:
    from collections.abc import Mapping

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)

MOST_WORDS = 125
"""Registers in one answer. Modbus Application Protocol V1.1b3, 6.3."""
BITS_A_CHARACTER = 11
"""Start, eight data, parity or second stop, stop. Modbus serial line V1.02, 2.5.1."""
QUIET = 0.05
"""Silence after which a line counts as drained. [s] Common practice, no source."""
EXCEPTIONS: Mapping[int, str] = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge, still working",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target did not respond",
}
"""Modbus Application Protocol V1.1b3, section 7."""
CHECK_MAP = frozenset({1, 2, 3})
"""Exception codes that a wrong register map gives."""


class _Deadline:
    """An overall deadline over the receive calls of one answer."""

    until = 0.0

    def left(self) -> float:
        return self.until - time.monotonic()


class _Bounded:
    """A client whose waiting ends with the deadline."""

    deadline: _Deadline
    comm_params: Any

    def recv(self, size: int | None) -> bytes:
        """Receive within what is left of the deadline."""
        left = self.deadline.left()
        if left <= 0.0:
            return b""
        self.comm_params.timeout_connect = left
        return bytes(super().recv(size))  # type: ignore[misc]


class _Tcp(_Bounded, ModbusTcpClient):  # type: ignore[misc,unused-ignore]
    """Over a network."""


class _Serial(_Bounded, ModbusSerialClient):  # type: ignore[misc,unused-ignore]
    """Over a line."""


class ModbusBus:
    """
    A line or a gateway with devices behind unit ids.

    Parameters
    ----------
    client : _Tcp or _Serial
        Not connected yet.
    name : str
        As in the rig file.
    timeout : float
        Longest wait for an answer. [s]
    baud : int
        Of a serial line, 0 for TCP; the time that the frame takes is added.
    device : str
        File of a serial line.
    """

    def __init__(
        self,
        client: _Tcp | _Serial,
        name: str,
        *,
        timeout: float,
        baud: int = 0,
        device: str = "",
    ) -> None:
        self.name = name
        self._client = client
        self._timeout = timeout
        self._baud = baud
        self._device = device
        self._late: set[int] = set()
        self._deadline = _Deadline()
        client.deadline = self._deadline
        self._lock = None if device else claim_address(name)

    def close(self) -> None:
        """Let go of the line."""
        self._hang_up()
        if self._lock is not None:
            os.close(self._lock)
        self._lock = None

    def read_words(
        self, unit: int, function: int, start: int, count: int
    ) -> tuple[int, ...]:
        """
        Read registers with function 3 or 4; exactly ``count`` come back.

        Raises
        ------
        BusError
            No answer, or one that does not fit the question.
        ValueError
            A function or count that this cannot ask.
        """
        if function not in (3, 4) or not 1 <= count <= MOST_WORDS:
            msg = f"got function {function} count {count}, expected 3 or 4, 1..125"
            raise ValueError(msg)
        frames = (
            (8 + 5 + 2 * count) * BITS_A_CHARACTER / self._baud if self._baud else 0
        )
        self._deadline.until = time.monotonic() + self._timeout + frames
        place = f"bus {self.name} unit {unit} register {start} function {function}"
        if self._device and unit in self._late:
            self._drain()
            self._ask(place, unit, function, start, count)
            self._late.discard(unit)
            self._drain()
        return self._ask(place, unit, function, start, count)

    def _ask(
        self, place: str, unit: int, function: int, start: int, count: int
    ) -> tuple[int, ...]:
        again = self._client.connected
        while True:
            try:
                self._connect(place)
                return self._once(place, unit, function, start, count)
            except (ConnectionException, OSError) as error:
                self._hang_up()
                if again and self._deadline.left() > 0.0:
                    # an idle connection may have been closed by the other side
                    again = False
                    continue
                msg = f"{place}: the connection broke; check the plug and the supply"
                raise BusError(msg) from error
            except ModbusException as error:
                self._lost(unit)
                msg = (
                    f"{place}: no answer within {self._timeout:g} s; "
                    "check the plug, the supply, the unit id and the line speed"
                )
                raise BusError(msg) from error

    def _connect(self, place: str) -> None:
        if self._client.connected:
            return
        self._client.comm_params.timeout_connect = max(self._deadline.left(), 0.001)
        if self._client.connect():
            return
        if self._device:
            self._say_why()
        msg = f"{place}: no connection; check the address, the network and the supply"
        raise BusError(msg)

    def _say_why(self) -> None:
        """Raise the reason why a serial device does not open."""
        try:
            descriptor = os.open(
                self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC
            )
        except PermissionError as error:
            msg = (
                f"bus {self.name}: got no right to open {self._device}, expected read "
                "and write; add this user to the group dialout and log in again"
            )
            raise BusError(msg, temporary=False) from error
        except OSError as error:
            msg = (
                f"bus {self.name}: {self._device} does not open ({error.strerror}); "
                "plug the adapter in or name another device in the rig file"
            )
            raise BusError(msg) from error
        try:
            claim(descriptor, self.name)
        finally:
            os.close(descriptor)

    def _once(
        self, place: str, unit: int, function: int, start: int, count: int
    ) -> tuple[int, ...]:
        read = (
            self._client.read_holding_registers
            if function == 3
            else self._client.read_input_registers
        )
        self._client.comm_params.timeout_connect = max(self._deadline.left(), 0.001)
        answer = read(start, count=count, device_id=unit)
        if answer.isError():
            raise BusError(_refusal(place, getattr(answer, "exception_code", 0)))
        words = tuple(answer.registers)
        if answer.function_code != function or len(words) != count:
            self._lost(unit)
            msg = (
                f"{place}: got {len(words)} registers by function "
                f"{answer.function_code}, expected {count} by {function}; "
                "the answer was thrown away"
            )
            raise BusError(msg)
        return words

    def _lost(self, unit: int) -> None:
        """Put the line into a state in which no old answer can be taken for a new."""
        if self._device:
            self._late.add(unit)
        else:
            self._hang_up()

    def _hang_up(self) -> None:
        with suppress(OSError):
            self._client.close()  # type: ignore[no-untyped-call]

    def _drain(self) -> None:
        """Read and throw away until the line has been silent for a while."""
        port: Any = self._client.socket
        if port is None:
            return
        silent_since = time.monotonic()
        with suppress(OSError):
            while time.monotonic() < min(self._deadline.until, silent_since + QUIET):
                if port.in_waiting:
                    port.read(port.in_waiting)
                    silent_since = time.monotonic()
                time.sleep(QUIET / 10)


def _refusal(place: str, code: int) -> str:
    words = EXCEPTIONS.get(code, "unknown")
    advice = "; check the register map file" if code in CHECK_MAP else ""
    return f"{place}: the device refuses, exception {code} ({words}){advice}"


def open_modbus(spec: str, *, timeout: float) -> ModbusBus:
    """Make the bus of ``tcp:HOST[:PORT]`` or ``rtu:DEVICE:BAUD:8N1``; not connected."""
    kind, *rest = spec.split(":")
    if kind == "tcp":
        host, port = rest[0], int(rest[1]) if len(rest) > 1 else 502
        client = _Tcp(host, port=port, timeout=timeout, retries=0)
        return ModbusBus(client, spec, timeout=timeout)
    device, baud, form = rest
    serial = _Serial(
        device,
        baudrate=int(baud),
        bytesize=int(form[0]),
        parity=form[1],
        stopbits=int(form[2]),
        timeout=timeout,
        retries=0,
    )
    return ModbusBus(serial, spec, timeout=timeout, baud=int(baud), device=device)
