"""Drivers against modelled chips: set up, pulled, returned, replaced, disturbed."""

import errno
import math
import os

import pytest

from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import driver_names, make_driver
from campledger.errors import BusError, InputError
from campledger.model.rig import Sensor
from support.i2c_world import Chip, Ina226Model

HOUSE = (("current", "current_house_a"), ("voltage", "voltage_house_v"))
FRIDGE = (("temp", "temp_fridge_c"),)


class Timer:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


def shunt_sensor(driver="ina226", channels=HOUSE, **more):
    values = {"bus": "i2c:1", "address": 0x40, "shunt": 0.0005, "current_max": 150.0}
    return Sensor(driver=driver, channels=channels, **{**values, **more})


def started(sensor, bus):
    driver = make_driver(sensor, bus)
    driver.clock = Timer()
    driver.start()
    driver.clock.now += 10.0
    return driver


@pytest.fixture
def house(world):
    chip = Ina226Model(12.8, -7.25, 0.0005)
    world.chips[0x40] = chip
    return world, chip, open_bus("i2c:1")


def test_ina226_reads_what_stands_on_it(house):
    _, chip, bus = house
    driver = started(shunt_sensor(), bus)
    got = driver.read()
    assert got.values["voltage_house_v"] == pytest.approx(12.8, abs=1e-12)
    assert got.values["current_house_a"] == pytest.approx(-7.25, abs=0.0025)  # half LSB
    assert got.counts == {}
    assert chip.registers[0x05] == b"\x08\x00"  # calibration read back
    # INA226 data sheet: 128 averages of twice 2.116 ms
    assert driver.settle == pytest.approx(0.5417, abs=1e-4)


def test_repeats_are_only_counted(house):
    _, _, bus = house
    driver = started(shunt_sensor(), bus)
    driver.read()
    got = driver.read()
    assert got.counts["current_house_a"] == {"repeat": 1}
    assert got.values["voltage_house_v"] == pytest.approx(12.8)


def test_before_the_first_conversion_nothing_is_read(house):
    _, chip, bus = house
    driver = make_driver(shunt_sensor(), bus)
    driver.clock = Timer()
    driver.start()
    got = driver.read()
    assert all(math.isnan(v) for v in got.values.values())
    assert got.counts["voltage_house_v"] == {"bad": 1}
    assert "no conversion" in got.notes[0]
    driver.clock.now += 1.0
    chip.registers[0x06] = b"\0\0"
    assert math.isnan(driver.read().values["voltage_house_v"])
    chip.registers[0x06] = b"\0\x08"
    assert driver.read().values["voltage_house_v"] == pytest.approx(12.8)


def test_full_scale_is_kept_and_marked(house):
    _, chip, bus = house
    chip.amps = 400.0
    got = started(shunt_sensor(), bus).read()
    assert got.values["current_house_a"] == pytest.approx(163.835, abs=1e-9)
    assert got.counts["current_house_a"] == {"clipped": 1}


# INA226 data sheet, 2024 revision: without calibration the current register stays 0
def test_lost_calibration_is_no_current(house):
    _, chip, bus = house
    driver = started(shunt_sensor(), bus)
    chip.registers[0x05] = b"\0\0"
    got = driver.read()
    assert math.isnan(got.values["current_house_a"])
    assert "0x05 reads 0x0000, expected 0x0800" in got.notes[0]


def test_a_chip_that_was_reset_is_started_again(house):
    _, chip, bus = house
    driver = started(shunt_sensor(), bus)
    driver.read()
    chip.reset()
    assert math.isnan(driver.read().values["voltage_house_v"])
    driver.clock.now += 1.0
    assert driver.read().values["voltage_house_v"] == pytest.approx(12.8)
    assert chip.registers[0x00] != b"\x41\x27"


def test_pulled_and_returned(house):
    _, chip, bus = house
    driver = started(shunt_sensor(), bus)
    chip.plugged = False
    for _ in range(3):
        with pytest.raises(BusError, match="0x40: no answer"):
            driver.read()
    chip.plugged = True
    chip.reset()
    assert math.isnan(driver.read().values["voltage_house_v"])
    driver.clock.now += 1.0
    assert driver.read().values["voltage_house_v"] == pytest.approx(12.8)


def test_another_chip_at_the_address_is_named(house):
    _, chip, bus = house
    chip.registers[0xFF] = b"\x22\x80"
    with pytest.raises(
        BusError, match="got identity 0x2280 in register 0xff, expected 0x2260"
    ):
        make_driver(shunt_sensor(), bus).start()


def test_settings_that_do_not_stay_are_told(house):
    _, chip, bus = house
    chip.take = lambda _register, _data: None
    with pytest.raises(BusError, match="register 0x00 reads 0x4127"):
        make_driver(shunt_sensor(), bus).start()


def test_one_disturbed_word_is_read_again(house):
    world, _, bus = house
    driver = started(shunt_sensor(), bus)
    left = [1]

    def disturb(_address, register, data):
        if register == 0x02 and left[0]:
            left[0] -= 1
            return b"\x12\x34"
        return data

    world.fault = disturb
    assert driver.read().values["voltage_house_v"] == pytest.approx(12.8)


def faults(random):
    """The bus faults of the figures; each gives None or a fault of the wire."""

    def silent(_address, _register, _data):
        raise OSError(errno.EREMOTEIO, os.strerror(errno.EREMOTEIO))

    def timeout(_address, _register, _data):
        raise OSError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))

    def garbage(_address, _register, data):
        return random.randbytes(len(data))

    def ones(_address, _register, data):
        return b"\xff" * len(data)

    def zeros(_address, _register, data):
        return b"\0" * len(data)

    def drop(_address, _register, data):
        return data[:1] + b"\xff" * (len(data) - 1)

    return [silent, timeout, garbage, ones, zeros, drop]


def test_faults_never_give_a_false_value(house):
    import random

    world, chip, bus = house
    driver = started(shunt_sensor(), bus)
    dice = random.Random(1)
    for fault in faults(dice):
        for _ in range(100):
            begin = dice.randrange(8)
            count = [0]

            def later(address, register, data, fault=fault, begin=begin, count=count):
                count[0] += 1
                if count[0] > begin:
                    return fault(address, register, data)
                return data

            world.fault = later
            try:
                values = driver.read().values.values()
            except BusError:
                values = []
            for value in values:
                right = any(
                    value == pytest.approx(x, abs=0.0026) for x in (12.8, -7.25)
                )
                assert math.isnan(value) or right, (fault.__name__, begin)
            world.fault = None
            driver.clock.now += 1.0
            try:
                driver.read()
            except BusError:
                driver.clock.now += 1.0
                driver.read()
            driver.clock.now += 1.0
            assert driver.read().values["voltage_house_v"] == pytest.approx(12.8)
    assert chip.registers[0x05] == b"\x08\x00"


class Ina219Model(Chip):
    def sent(self, register):
        shown = {
            0x01: (-1450).to_bytes(2, "big", signed=True),
            0x02: (3200 << 3 | 2).to_bytes(2, "big"),
            0x04: (-1450).to_bytes(2, "big", signed=True),
        }
        return shown.get(register) or super().sent(register)


def test_ina219(world):
    world.chips[0x40] = Ina219Model({0x00: b"\x39\x9f", 0x05: b"\0\0"})
    driver = started(
        shunt_sensor("ina219", shunt=0.002, current_max=20.0), open_bus("i2c:1")
    )
    got = driver.read()
    assert got.values["current_house_a"] == pytest.approx(-7.25, abs=1e-12)
    assert got.values["voltage_house_v"] == pytest.approx(12.8, abs=1e-12)
    assert driver.gain == 0


class Ina228Model(Chip):
    wide = True

    def sent(self, register):
        size = 3 if self.wide else 2
        shift = 4 if self.wide else 0
        drop = round(-0.0145 / (312.5e-9 if self.wide else 5e-6))
        volts = round(12.8 / (195.3125e-6 if self.wide else 3.125e-3))
        shown = {
            0x04: (drop << shift) & (1 << 8 * size) - 1,
            0x05: volts << shift,
            0x07: (drop << shift) & (1 << 8 * size) - 1,
        }
        if register in shown:
            return shown[register].to_bytes(size, "big")
        if register == 0x06:
            return (3200 if self.wide else 200 << 4).to_bytes(2, "big")
        return super().sent(register)


@pytest.mark.parametrize("driver_name", ["ina228", "ina238"])
def test_ina228_and_ina238(world, driver_name):
    model = Ina228Model(
        {
            0x0B: b"\0\x02",
            0x3E: b"\x54\x49",
            0x3F: b"\x22\x81" if driver_name == "ina228" else b"\x23\x81",
        }
    )
    model.wide = driver_name == "ina228"
    world.chips[0x40] = model
    channels = (*HOUSE, ("temp", "temp_logger_c"), ("power", "power_house_w"))
    sensor = shunt_sensor(driver_name, channels, shunt=0.002, current_max=50.0)
    got = started(sensor, open_bus("i2c:1")).read()
    assert got.values["current_house_a"] == pytest.approx(-7.25, abs=1e-3)
    assert got.values["voltage_house_v"] == pytest.approx(12.8, abs=1e-3)
    assert got.values["power_house_w"] == pytest.approx(-92.8, abs=0.02)
    assert got.values["temp_logger_c"] == 25.0
    assert model.registers[0x02] == b"\x10\x00"


def test_ina3221(world):
    world.chips[0x40] = Chip(
        {
            0x01: (-500 << 3 & 0xFFFF).to_bytes(2, "big"),
            0x02: (1600 << 3).to_bytes(2, "big"),
            0x06: (1625 << 3).to_bytes(2, "big"),
            0x0F: b"\0\x01",
            0xFE: b"\x54\x49",
            0xFF: b"\x32\x20",
        }
    )
    sensor = shunt_sensor(
        "ina3221",
        (
            ("current1", "current_house_a"),
            ("voltage1", "voltage_house_v"),
            ("voltage3", "voltage_start_v"),
        ),
        shunt=0.0,
        options=(("shunt1_mohm", 2.0),),
    )
    got = started(sensor, open_bus("i2c:1")).read()
    assert got.values["current_house_a"] == pytest.approx(-10.0, abs=1e-12)
    assert got.values["voltage_house_v"] == pytest.approx(12.8, abs=1e-12)
    assert got.values["voltage_start_v"] == pytest.approx(13.0, abs=1e-12)
    # channels 1 and 3 on, 64 averages of 8.5 ms
    assert world.chips[0x40].registers[0x00] == (0x5000 | 3 << 9 | 0x16F).to_bytes(
        2, "big"
    )


@pytest.mark.parametrize(
    ("name", "registers"),
    [
        ("lm75", {0x00: b"\x19\x00", 0x02: b"\x4b\0", 0x03: b"\x50\0"}),
        ("tmp102", {0x00: b"\x19\x00", 0x01: b"\x60\xa0"}),
        ("tmp117", {0x00: b"\x0c\x80", 0x01: b"\x02\x20", 0x0F: b"\x01\x17"}),
        ("mcp9808", {0x05: b"\xc1\x90", 0x06: b"\0\x54", 0x07: b"\x04\0"}),
    ],
)
def test_thermometers(world, name, registers):
    world.chips[0x48] = Chip(registers)
    driver = started(
        Sensor(driver=name, bus="i2c:1", address=0x48, channels=FRIDGE),
        open_bus("i2c:1"),
    )
    assert driver.read().values["temp_fridge_c"] == 25.0
    world.chips[0x48].reset()
    assert math.isnan(driver.read().values["temp_fridge_c"])
    driver.clock.now += 2.0
    assert driver.read().values["temp_fridge_c"] == 25.0


class Ads1115Model(Chip):
    inputs: dict[int, int]

    def sent(self, register):
        if register == 0x00:
            inputs = int.from_bytes(self.registers[0x01], "big") >> 12 & 7
            return (self.inputs[inputs] & 0xFFFF).to_bytes(2, "big")
        return super().sent(register)


def test_ads1115(world):
    model = Ads1115Model({0x01: b"\x85\x83"})
    model.inputs = {4: 17600, 0: -3712, 6: 13200}
    world.chips[0x48] = model
    options = {
        "divider0": 5.818181818181818,
        "shunt_mohm": 4.0,
        "ntc_ohm": 10e3,
        "ntc_beta": 3380.0,
        "series_ohm": 10e3,
        "supply_v": 3.3,
    }
    sensor = Sensor(
        driver="ads1115",
        bus="i2c:1",
        address=0x48,
        channels=(
            ("voltage0", "voltage_house_v"),
            ("current01", "current_house_a"),
            ("temp2", "temp_house_c"),
        ),
        options=tuple(options.items()),
    )
    driver = make_driver(sensor, open_bus("i2c:1"))
    waits: list[float] = []
    driver.pause = waits.append
    got = driver.read()
    assert got.values["voltage_house_v"] == pytest.approx(12.8, abs=1e-9)
    assert got.values["current_house_a"] == pytest.approx(-7.25, abs=1e-9)
    assert got.values["temp_house_c"] == pytest.approx(25.0, abs=1e-6)
    assert sum(waits) < 0.3
    model.inputs[6] = 3
    assert math.isnan(driver.read().values["temp_house_c"])


def test_an_ads1115_that_does_not_start_is_refused(world):
    model = Ads1115Model({0x01: b"\x85\x83"})
    model.inputs = {4: 17600}
    model.take = lambda register, data: model.registers.update(
        {register: bytes([data[0] & 0x7F, data[1]])}
    )
    world.chips[0x48] = model
    sensor = Sensor(
        driver="ads1115",
        bus="i2c:1",
        address=0x48,
        channels=(("voltage0", "voltage_house_v"),),
    )
    driver = make_driver(sensor, open_bus("i2c:1"))
    driver.pause = lambda _: None
    assert math.isnan(driver.read().values["voltage_house_v"])


@pytest.mark.parametrize(
    ("sensor", "text"),
    [
        (shunt_sensor("ina999"), "ina999.*expected ads1115, ina219"),
        (shunt_sensor(shunt=None), "shunt_mohm: got nothing"),
        (shunt_sensor(current_max=500.0), "max_a: got 500 A over 0.5 mOhm.*163.8 A"),
        (shunt_sensor(address=None), "address: got nothing"),
        (shunt_sensor(channels=()), "channels: got none, expected current, voltage"),
        (
            shunt_sensor(channels=(("amps", "current_house_a"),)),
            '"amps", expected current',
        ),
        (
            shunt_sensor(channels=(("current", "voltage_house_v"),)),
            "expected a current",
        ),
        (
            Sensor(driver="modbus", bus="tcp:a:1", channels=HOUSE),
            'map: got nothing, expected map = "FILE.toml"',
        ),
    ],
)
def test_settings_that_do_not_fit_are_refused(world, sensor, text):
    world.chips[0x40] = Ina226Model(12.8, 0.0, 0.0005)
    with pytest.raises(InputError, match=text):
        make_driver(sensor, open_bus("i2c:1"))


def test_every_driver_of_the_readme_is_there():
    shunts = "ina219 ina226 ina228 ina238 ina3221 ads1115"
    others = "lm75 tmp102 tmp117 mcp9808 w1 modbus"
    assert set(f"{shunts} {others}".split()) <= set(driver_names())
