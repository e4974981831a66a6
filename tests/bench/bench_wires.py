"""
Inject every bus fault so many times; count false values, time lost and polls to
recover.

``python tests/bench/bench_wires.py [--times 100] [--seed 1] [--write]``. Three buses:
I2C at smbus2's system calls, a serial line and a TCP gateway with devices of our own. A
false value is a reading that is neither missing nor what the device showed in that
poll. Beside it a healthy bus is read every 0.2 s from a thread of its own.
"""

from __future__ import annotations

import argparse
import errno
import math
import os
import platform
import random
import struct
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

sys.path.insert(0, str(Path(__file__).parents[1]))

import smbus2.smbus2
from dated import commit as commit_now

from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import make_driver
from campledger.errors import BusError
from campledger.model.rig import Sensor
from support.i2c_world import Ina226Model, World
from support.modbus_world import (
    RESET,
    Gateway,
    SerialLine,
    crc16,
    registers_answer,
    tcp_frame,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from campledger.model.ports import Driver

TIMEOUT = 0.3
PACE = 0.05
"""Between two polls; a late answer of 0.45 s falls into the next poll. [s]"""
MOST_POLLS = 6
MAP = """
[[register]]
role = "voltage"
address = 0
type = "uint16"
scale = 0.001
channel = "voltage_house_v"
[[register]]
role = "current"
address = 1
type = "int16"
scale = 0.01
channel = "current_house_a"
"""


@dataclass
class Tally:
    """What one fault did."""

    polls: int = 0
    false: int = 0
    longest: float = 0.0
    recovery: list[int] = field(default_factory=list)


@dataclass
class Bench:
    """A driver, how to break and heal its bus, and which readings are true."""

    driver: Driver
    break_it: Callable[[], None]
    heal: Callable[[], None]
    true: Callable[[dict[str, float]], bool]
    begin: Callable[[], None] = lambda: None


def poll(bench: Bench, tally: Tally) -> bool:
    """Poll once; tells whether a whole true reading came."""
    bench.begin()
    begun = time.monotonic()
    try:
        values = dict(bench.driver.read().values)
    except BusError:
        values = {}
    tally.longest = max(tally.longest, time.monotonic() - begun)
    tally.polls += 1
    known = {c: v for c, v in values.items() if not math.isnan(v)}
    if not bench.true(known):
        tally.false += 1
    return len(known) == 2


def inject(bench: Bench, times: int) -> Tally:
    """Break the bus for one poll, heal it, count the polls until a whole reading."""
    tally = Tally()
    for _ in range(times):
        bench.break_it()
        poll(bench, tally)
        time.sleep(PACE)
        bench.heal()
        for n in range(1, MOST_POLLS + 1):
            done = poll(bench, tally)
            time.sleep(PACE / 10 if done else PACE)
            if done:
                tally.recovery.append(n)
                break
        else:
            tally.recovery.append(MOST_POLLS + 1)
    return tally


def i2c_benches(world: World, dice: random.Random) -> dict[str, Bench]:
    """Make the faults of an I2C bus."""
    chip = Ina226Model(12.8, -7.25, 0.0005)
    world.chips[0x40] = chip
    channels = (("voltage", "voltage_house_v"), ("current", "current_house_a"))
    sensor = Sensor(
        driver="ina226", bus="i2c:1", address=0x40, shunt=0.0005, channels=channels
    )
    driver = make_driver(sensor, open_bus("i2c:1"))
    driver.settle = 0.02  # type: ignore[attr-defined]
    driver.start()
    time.sleep(0.05)

    def error(number: int, wait: float = 0.0) -> Callable[[int, int, bytes], bytes]:
        def fault(_address: int, _register: int, _data: bytes) -> bytes:
            time.sleep(wait)
            raise OSError(number, os.strerror(number))

        return fault

    faults: dict[str, Callable[[int, int, bytes], bytes]] = {
        "no answer": error(errno.EREMOTEIO),
        "time-out": error(errno.ETIMEDOUT, TIMEOUT),
        "garbage": lambda _a, _r, data: dice.randbytes(len(data)),
        "hang (line held low)": error(errno.EAGAIN, TIMEOUT),
        "all zeros": lambda _a, _r, data: b"\0" * len(data),
        "mid-frame drop": lambda _a, _r, data: data[:1] + b"\xff" * (len(data) - 1),
    }
    expected = {"voltage_house_v": 12.8, "current_house_a": -7.25}

    def true(known: dict[str, float]) -> bool:
        return all(abs(v - expected[c]) < 0.003 for c, v in known.items())

    def start(fault: Callable[[int, int, bytes], bytes]) -> Callable[[], None]:
        def break_it() -> None:
            skip = [dice.randrange(7)]

            def later(address: int, register: int, data: bytes) -> bytes:
                skip[0] -= 1
                return data if skip[0] >= 0 else fault(address, register, data)

            world.fault = later

        return break_it

    def heal() -> None:
        world.fault = None

    out = {name: Bench(driver, start(f), heal, true) for name, f in faults.items()}

    def unplug() -> None:
        chip.plugged = False

    def replug() -> None:
        chip.plugged = True
        chip.reset()

    out["unplug"] = Bench(driver, unplug, replug, true)
    out["reset of the chip"] = Bench(driver, chip.reset, heal, true)
    return out


@dataclass
class Device:
    """A meter whose values change at each question, so that old answers are known."""

    asked: int = 0
    since: int = 0

    def words(self) -> tuple[int, int]:
        """Give the next values."""
        self.asked += 1
        return 12000 + self.asked % 1000, (self.asked % 1000 - 500) & 0xFFFF

    def begin(self) -> None:
        """Remember where this poll began."""
        self.since = self.asked

    def true(self, known: dict[str, float]) -> bool:
        """Tell whether values are those of a question of this poll."""
        fresh = [n % 1000 for n in range(self.since + 1, self.asked + 1)]
        volts = {round((12000 + n) / 1000, 6) for n in fresh}
        amps = {round((n - 500) / 100, 6) for n in fresh}
        right = {"voltage_house_v": volts, "current_house_a": amps}
        return all(round(v, 6) in right[c] for c, v in known.items())


def meter(bus: str, folder: Path) -> Driver:
    """Make the driver of the meter."""
    path = folder / "map.toml"
    path.write_text(MAP)
    sensor = Sensor(driver="modbus", bus=bus, address=1, map_file=str(path))
    return make_driver(sensor, open_bus(bus))


def serial_benches(folder: Path, dice: random.Random) -> dict[str, Bench]:
    """Make the faults of a serial line."""
    device = Device()
    link = folder / "tty"
    lines = [SerialLine(lambda _: [])]
    link.symlink_to(lines[0].device)

    def answer(request: bytes) -> bytes:
        made = registers_answer(request[0], request[1], device.words())
        return made + crc16(made)

    def good(request: bytes) -> list[tuple[float, bytes | None]]:
        return [(0.0, answer(request))]

    def flip(frame: bytes) -> bytes:
        k = dice.randrange(len(frame))
        return frame[:k] + bytes([frame[k] ^ 1 << dice.randrange(8)]) + frame[k + 1 :]

    lines[0].behave = good
    driver = meter(f"rtu:{link}:19200:8N1", folder)
    driver.start()
    faults: dict[str, Callable[[bytes], list[tuple[float, bytes | None]]]] = {
        "no answer": lambda _: [],
        "late answer, 0.45 s": lambda q: [(0.45, answer(q))],
        "garbage": lambda _: [(0.0, dice.randbytes(9))],
        "flipped bit": lambda q: [(0.0, flip(answer(q)))],
        "mid-frame drop": lambda q: [(0.0, answer(q)[: dice.randrange(1, 8)])],
        "fewer registers": lambda q: [
            (0.0, (a := registers_answer(q[0], q[1], device.words()[:1])) + crc16(a))
        ],
    }

    def start(
        fault: Callable[[bytes], list[tuple[float, bytes | None]]],
    ) -> Callable[[], None]:
        def break_it() -> None:
            lines[0].behave = fault

        return break_it

    def heal() -> None:
        lines[0].behave = good

    def unplug() -> None:
        lines[0].close()
        link.unlink()

    def replug() -> None:
        lines[0] = SerialLine(good)
        link.symlink_to(lines[0].device)

    out = {
        name: Bench(driver, start(f), heal, device.true, device.begin)
        for name, f in faults.items()
    }
    out["unplug"] = Bench(driver, unplug, replug, device.true, device.begin)
    return out


def gateway_benches(folder: Path, dice: random.Random) -> dict[str, Bench]:
    """Make the faults of a TCP gateway."""
    device = Device()
    gateway = Gateway(lambda _: [])

    def answer(request: bytes, number: bytes = b"") -> bytes:
        made = registers_answer(request[6], request[7], device.words())
        return tcp_frame(request, made, number=number)

    def good(request: bytes) -> list[tuple[float, bytes | None]]:
        return [(0.0, answer(request))]

    gateway.behave = good
    driver = meter(f"tcp:127.0.0.1:{gateway.port}", folder)
    driver.start()
    faults: dict[str, Callable[[bytes], list[tuple[float, bytes | None]]]] = {
        "no answer (hang)": lambda _: [],
        "late answer, 0.45 s": lambda q: [(0.45, answer(q))],
        "garbage": lambda _: [(0.0, dice.randbytes(13))],
        "mid-frame drop": lambda q: [(0.0, answer(q)[: dice.randrange(1, 12)])],
        "mid-frame close": lambda q: [(0.0, answer(q)[:6]), (0.0, None)],
        "closed": lambda _: [(0.0, None)],
        "reset": lambda _: [(0.0, RESET)],
        "another number": lambda q: [(0.0, answer(q, struct.pack(">H", 0x7777)))],
    }

    def start(
        fault: Callable[[bytes], list[tuple[float, bytes | None]]],
    ) -> Callable[[], None]:
        def break_it() -> None:
            gateway.behave = fault

        return break_it

    def heal() -> None:
        gateway.behave = good

    return {
        name: Bench(driver, start(f), heal, device.true, device.begin)
        for name, f in faults.items()
    }


class Neighbour(threading.Thread):
    """A healthy device on another bus, read every 0.2 s."""

    EVERY = 0.2

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self.device = Device()
        self.gateway = Gateway(self._answer)
        (folder / "other").mkdir()
        self.driver = meter(f"tcp:127.0.0.1:{self.gateway.port}", folder / "other")
        self.ended = threading.Event()
        self.due = self.missed = 0

    def _answer(self, request: bytes) -> list[tuple[float, bytes | None]]:
        made = registers_answer(request[6], request[7], self.device.words())
        return [(0.0, tcp_frame(request, made))]

    def run(self) -> None:
        """Read on a fixed grid; a slot without a reading is a miss."""
        begun = time.monotonic()
        while not self.ended.is_set():
            try:
                self.driver.read()
            except BusError:
                self.missed += 1
            self.due += 1
            late = int((time.monotonic() - begun) / self.EVERY) - self.due
            if late > 0:
                self.missed += late
                self.due += late
            rest = begun + (self.due + 1) * self.EVERY - time.monotonic()
            self.ended.wait(max(rest, 0.0))


def run(times: int, seed: int) -> tuple[list[str], int, int, bool]:
    """
    Run every fault, the three buses at once.

    Returns
    -------
    rows, due, missed, good : list of str, int, int, bool
        Of the table, reads of the healthy bus and those missed, all figures reached.
    """
    dice = random.Random(seed)
    found: dict[str, dict[str, Tally]] = {}
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        world = World(folder)
        with (
            mock.patch.object(smbus2.smbus2, "ioctl", world.ioctl),
            mock.patch.object(smbus2.smbus2, "os", world),
        ):
            neighbour = Neighbour(folder)
            makers = {
                "I2C": i2c_benches(world, dice),
                "serial": serial_benches(folder, dice),
                "TCP": gateway_benches(folder, dice),
            }
            neighbour.start()
            threads = [
                threading.Thread(target=_all, args=(benches, times, bus, found))
                for bus, benches in makers.items()
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            neighbour.ended.set()
            neighbour.join()
    rows = [
        _row(bus, name, times, found[bus][name])
        for bus, benches in makers.items()
        for name in benches
    ]
    tallies = [t for of_bus in found.values() for t in of_bus.values()]
    good = all(t.false == 0 and max(t.recovery) <= 2 for t in tallies)
    good &= neighbour.missed == 0
    return rows, neighbour.due, neighbour.missed, good


def _all(
    benches: dict[str, Bench], times: int, bus: str, found: dict[str, dict[str, Tally]]
) -> None:
    found[bus] = {}
    for name, bench in benches.items():
        found[bus][name] = inject(bench, times)
        print(_row(bus, name, times, found[bus][name]), flush=True)


def _row(bus: str, name: str, times: int, tally: Tally) -> str:
    return (
        f"| {bus} | {name} | {times} | {tally.false} | {tally.longest:.3f} | "
        f"{max(tally.recovery)} |"
    )


def main(argv: list[str] | None = None) -> int:
    """Run and print, or also write, the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args(argv)
    head = (
        "| bus | fault | injected | false values | longest poll, s | polls to recover |"
        "\n|---|---|---|---|---|---|"
    )
    print(head)
    rows, due, missed, good = run(options.times, options.seed)
    asked = (
        "| asked | | 100 each | 0 | 0.3 | 2 |\n\n"
        f"Healthy bus beside them, read every {Neighbour.EVERY} s: {due} reads, "
        f"{missed} missed (asked 0)."
    )
    print(asked)
    if options.write:
        commit = commit_now()
        text = (
            f"# Bus faults\n\n{datetime.now(UTC):%Y-%m-%d}, commit {commit}, seed "
            f"{options.seed}, {platform.machine()}, {os.cpu_count()} shared cores, "
            f"Python {platform.python_version()}.\n\nA poll is one read of one device; "
            "a time-out is 0.3 s, the rest is the computer's.\n\n"
        )
        path = Path(__file__).parent / "results" / "bench_wires.md"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text + "\n".join([head, *rows, asked]) + "\n")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
