"""The edges of drivers: refusals that a real wire shows seldom."""

import math

import pytest

from campledger.acquire.buses import open_bus
from campledger.acquire.drivers import make_driver, probes
from campledger.acquire.drivers.chip import Chip as Driver
from campledger.acquire.drivers.chips import mcp9808
from campledger.acquire.drivers.shunt import COUNTS, averaging
from campledger.errors import InputError
from campledger.model.rig import Sensor
from support.chip_bench import ADDRESS, one_reading
from support.i2c_world import Chip

INA226 = {0x01: 2000, 0x02: 10240, 0x04: 2000, 0x06: 8, 0xFE: 0x5449, 0xFF: 0x2260}
HOUSE = {"current": "current_house_a", "voltage": "voltage_house_v"}


def test_a_current_register_that_disagrees_refuses_the_current_only(world):
    got = one_reading(world, "ina226", {**INA226, 0x04: 0}, HOUSE, shunt=0.0005)
    assert math.isnan(got.values["current_house_a"])
    assert got.values["voltage_house_v"] == pytest.approx(12.8)
    assert "current register 0, expected 2000; the calibration is lost" in got.notes[0]


def test_averaging_takes_the_fewest_that_last_half_a_second():
    assert COUNTS[averaging(2 * 2.116e-3)] == 128
    assert COUNTS[averaging(1.0)] == 1
    assert COUNTS[averaging(1e-5)] == 1024


def test_all_ones_and_noise_are_missing(world):
    channels = {"temp": "temp_fridge_c"}
    world.chips[ADDRESS] = Chip({0x00: b"\x19\0", 0x0F: b"\x75\0"})
    sensor = Sensor(
        driver="tmp1075",
        bus="i2c:1",
        address=ADDRESS,
        channels=tuple(channels.items()),
    )
    driver = make_driver(sensor, open_bus("i2c:1"))
    driver.start()
    driver.clock = lambda: math.inf
    world.chips[ADDRESS].registers[0x00] = b"\xff\xff"
    got = driver.read()
    assert got.counts["temp_fridge_c"] == {"bad": 1}
    assert "all ones" in got.notes[0]
    count = [0]

    def noise(_address, register, data):
        count[0] += 1
        return bytes([count[0] % 100, 0]) if register == 0x00 else data

    world.fault = noise
    assert "no two reads agree" in driver.read().notes[0]


def test_a_driver_says_what_it_has_not(world):
    world.chips[ADDRESS] = Chip({})
    sensor = Sensor(
        driver="lm75", bus="i2c:1", address=ADDRESS, channels=(("temp", "temp_air_c"),)
    )
    bus = open_bus("i2c:1")
    with pytest.raises(NotImplementedError):
        Driver.decode(make_driver(sensor, bus), {})
    with pytest.raises(InputError, match="shunt_mohm: got nothing"):
        make_driver(
            Sensor(
                driver="ina3221",
                bus="i2c:1",
                address=ADDRESS,
                channels=(("current1", "current_house_a"),),
            ),
            bus,
        )
    with pytest.raises(InputError, match="supply_v: got nothing"):
        make_driver(
            Sensor(
                driver="ads1115",
                bus="i2c:1",
                address=ADDRESS,
                channels=(("temp0", "temp_air_c"),),
                options=(("pt_ohm", 100.0), ("series_ohm", 1000.0)),
            ),
            bus,
        )


def test_mcp9808_beyond_its_range():
    assert "beyond the chip" in mcp9808.decode_temp(b"\x0f\xff").refused


# IEC 60751: 119.40 Ohm at 50 Cel, behind 1 kOhm from 3.3 V
def test_platinum_on_a_divider():
    volts = 3.3 * 119.397 / 1119.397
    fixed = {"supply": 3.3, "series": 1000.0, "nominal": 100.0}
    assert probes.platinum_of_divider(volts, **fixed) == pytest.approx(50.0, abs=0.01)
    assert math.isnan(probes.platinum_of_divider(3.3, **fixed))
    assert math.isnan(probes.platinum_of_divider(0.001, **fixed))
    assert math.isnan(
        probes.ntc_temperature(3.29, supply=3.3, series=1e4, nominal=1e4, beta=3380)
    )
