"""Other people's Modbus: a server by libmodbus, a master by mbpoll, a serial pair."""

import os
import re
import select
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import make_driver
from campledger.errors import BusError
from campledger.model.rig import Sensor
from support.modbus_world import crc16

pytestmark = pytest.mark.server

SERVER = Path(__file__).parents[1] / "support" / "libmodbus_server.py"
CHANNELS = (("voltage", "voltage_house_v"), ("current", "current_house_a"))
RIGHT = {
    "voltage_house_v": pytest.approx(12.8, rel=1e-6),
    "current_house_a": pytest.approx(-7.25, rel=1e-6),
}


def meter_map(folder, order, start):
    path = folder / f"{order}.toml"
    path.write_text(
        f'[meter]\nword_order = "{order}"\n'
        f'[[register]]\nrole = "voltage"\ntype = "float32"\naddress = {start}\n'
        f'[[register]]\nrole = "current"\ntype = "float32"\naddress = {start + 2}\n'
    )
    return str(path)


def serve(*words):
    process = subprocess.Popen(
        [sys.executable, str(SERVER), *words], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def end(*processes):
    for process in processes:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


@pytest.fixture
def pair(tmp_path):
    if shutil.which("socat") is None or shutil.which("mbpoll") is None:
        pytest.fail("socat or mbpoll is missing: run deploy/system_packages.sh")
    ends = tmp_path / "far", tmp_path / "near"
    links = [f"pty,raw,echo=0,link={path}" for path in ends]
    process = subprocess.Popen(["socat", *links])
    until = time.monotonic() + 5
    while not all(p.exists() for p in ends) and time.monotonic() < until:
        time.sleep(0.01)
    yield str(ends[0]), str(ends[1]), process
    end(process)


def read(bus, driver_map, unit=1):
    sensor = Sensor(
        driver="modbus",
        bus=bus.name,
        address=unit,
        map_file=driver_map,
        channels=CHANNELS,
    )
    driver = make_driver(sensor, bus)
    driver.start()
    return driver.read().values


def test_libmodbus_over_tcp_in_both_word_orders(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    server = serve("tcp", str(port))
    try:
        bus = open_bus(f"tcp:127.0.0.1:{port}")
        assert read(bus, meter_map(tmp_path, "big", 0)) == RIGHT
        assert read(bus, meter_map(tmp_path, "little", 4)) == RIGHT
        assert bus.read_words(1, 3, 8, 2) == (1280, 0x10000 - 725)
        bus.close()
    finally:
        end(server)


def test_a_serial_line_and_what_an_independent_master_reads(pair, tmp_path):
    far, near, _ = pair
    server = serve("rtu", far, "1")
    try:
        bus = open_bus(f"rtu:{near}:19200:8N1")
        assert read(bus, meter_map(tmp_path, "big", 0)) == RIGHT
        assert read(bus, meter_map(tmp_path, "little", 4)) == RIGHT
        bus.close()
        # mbpoll counts references from 1; -B: high word first
        common = ["-m", "rtu", "-b", "19200", "-P", "none", "-a", "1", "-1", near]
        done = subprocess.run(
            ["mbpoll", "-r", "1", "-c", "2", "-t", "4:float", "-B", *common],
            capture_output=True,
            text=True,
            check=True,
            timeout=20,
        )
        found = re.findall(r"^\[\d+\]:\s+(-?[\d.]+)", done.stdout, re.MULTILINE)
        assert [float(x) for x in found] == pytest.approx([12.8, -7.25], rel=1e-5)
    finally:
        end(server)


# public Modbus slave notes: a bad check sum or another address gets no answer at all
def test_an_independent_slave_stays_silent_on_a_flipped_bit(pair):
    far, near, _ = pair
    server = serve("rtu", far, "17")
    port = os.open(near, os.O_RDWR | os.O_NOCTTY)
    try:
        request = bytes.fromhex("11 03 00 00 00 01")
        good = request + crc16(request)
        for frame, answers in ((good[:3] + b"\x01" + good[4:], False), (good, True)):
            os.write(port, frame)
            assert bool(select.select([port], [], [], 0.7)[0]) is answers
    finally:
        os.close(port)
        end(server)


def test_an_adapter_that_is_pulled_says_so(pair, tmp_path):
    far, near, wires = pair
    server = serve("rtu", far, "1")
    try:
        bus = open_bus(f"rtu:{near}:19200:8N1")
        driver_map = meter_map(tmp_path, "big", 0)
        assert read(bus, driver_map) == RIGHT
        wires.terminate()
        wires.wait()
        for _ in range(2):
            with pytest.raises(BusError, match=r"broke|does not open|no answer"):
                read(bus, driver_map)
    finally:
        end(server)
