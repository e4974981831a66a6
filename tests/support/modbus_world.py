"""
Modbus devices of our own making: well-behaved, late, garbled, dead.

A serial line is a pseudo terminal, a gateway is a socket on the loopback. Frames:
Modbus over serial line V1.02 (CRC-16, low byte first), Modbus on TCP/IP V1.0b (header).
"""

from __future__ import annotations

import os
import select
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable, Sequence

Answer = Sequence[tuple[float, bytes | None]]
"""Parts of an answer: wait so long, then send; None closes (TCP) or is silence."""


def crc16(frame: bytes) -> bytes:
    """Work out the two check bytes of a serial frame, as they are sent."""
    crc = 0xFFFF
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


def registers_answer(unit: int, function: int, words: Sequence[int]) -> bytes:
    """Make an answer without its check or header."""
    data = struct.pack(f">{len(words)}H", *words)
    return bytes([unit, function, len(data)]) + data


class SerialLine:
    """
    A serial line with devices at its far end.

    ``behave(request)`` gives the parts of the answer to a whole request frame.
    """

    def __init__(self, behave: Callable[[bytes], Answer]) -> None:
        self.behave = behave
        self.requests: list[bytes] = []
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        self.device = os.ttyname(self._slave)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        held = b""
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.02)[0]:
                continue
            held += os.read(self._master, 300)
            while len(held) >= 8:
                request, held = held[:8], held[8:]
                self.requests.append(request)
                for wait, part in self.behave(request):
                    self._stop.wait(wait)
                    if part:
                        os.write(self._master, part)

    def close(self) -> None:
        """End the line."""
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)


class Gateway:
    """A Modbus TCP server; ``behave(request)`` gives the parts of each answer."""

    def __init__(self, behave: Callable[[bytes], Answer]) -> None:
        self.behave = behave
        self.requests: list[bytes] = []
        self._stop = threading.Event()
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def _accept(self) -> None:
        self._socket.settimeout(0.05)
        while not self._stop.is_set():
            try:
                client, _ = self._socket.accept()
            except TimeoutError:
                continue
            thread = threading.Thread(target=self._serve, args=(client,), daemon=True)
            thread.start()
            self._threads.append(thread)

    def _serve(self, client: socket.socket) -> None:
        client.settimeout(0.05)
        with client:
            while not self._stop.is_set():
                try:
                    request = client.recv(300)
                except TimeoutError:
                    continue
                except OSError:
                    return
                if not request:
                    return
                self.requests.append(request)
                if not self._send(client, self.behave(request)):
                    return

    def _send(self, client: socket.socket, answer: Answer) -> bool:
        for wait, part in answer:
            self._stop.wait(wait)
            if part is None:
                return False
            if part == RESET:
                linger = struct.pack("ii", 1, 0)
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                return False
            try:
                client.sendall(part)
            except OSError:
                return False
        return True

    def close(self) -> None:
        """End the server."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
        self._socket.close()


RESET = b"RESET"
"""Marks that the connection is reset instead of closed."""


def tcp_frame(request: bytes, answer: bytes, *, number: bytes = b"") -> bytes:
    """Put the header of a request's answer before it."""
    return (number or request[:2]) + b"\0\0" + struct.pack(">H", len(answer)) + answer


def timed(call: Callable[[], object]) -> tuple[object, float]:
    """Call and give the result or exception, and the time it took."""
    begun = time.monotonic()
    try:
        out: object = call()
    except Exception as error:  # noqa: BLE001
        out = error
    return out, time.monotonic() - begun
