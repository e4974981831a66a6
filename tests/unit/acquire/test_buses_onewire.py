"""1-wire through files made like the kernel's. Format: Linux kernel, w1_therm."""

import math

import pytest

from campledger.acquire.buses.onewire import OneWireBus
from campledger.acquire.drivers import make_driver
from campledger.acquire.drivers.onewire import checksum
from campledger.errors import BusError
from campledger.model.rig import Sensor

DEVICE = "28-00000a0b0c0d"
SENSOR = Sensor(driver="w1", bus=f"w1:{DEVICE}", channels=(("temp", "temp_fridge_c"),))


def show(root, temp, *, mark="YES"):
    raw = round(temp * 16) & 0xFFFF
    data = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    text = " ".join(f"{b:02x}" for b in (*data, checksum(data)))
    folder = root / DEVICE
    folder.mkdir(exist_ok=True)
    line = f"{text} : crc={text[-2:]} {mark}\n{text} t={round(temp * 1000)}\n"
    (folder / "w1_slave").write_text(line)


def test_reading_and_listing(tmp_path):
    show(tmp_path, 3.9375)
    bus = OneWireBus(tmp_path)
    assert bus.scan() == (DEVICE,)
    driver = make_driver(SENSOR, bus)
    driver.start()
    got = driver.read()
    assert got.values == {"temp_fridge_c": pytest.approx(3.938)}
    assert driver.read().counts["temp_fridge_c"] == {"repeat": 1}
    bus.close()


def test_pulled_returned_and_the_reset_value(tmp_path):
    show(tmp_path, 4.0)
    driver = make_driver(SENSOR, OneWireBus(tmp_path))
    driver.read()
    (tmp_path / DEVICE / "w1_slave").unlink()
    with pytest.raises(
        BusError, match=f"sensor {DEVICE}: not on the wire; check its plug"
    ):
        driver.read()
    show(tmp_path, 85.0)
    driver.start()
    got = driver.read()
    assert math.isnan(got.values["temp_fridge_c"])
    assert got.counts["temp_fridge_c"] == {"bad": 1}
    show(tmp_path, 4.0625)
    assert driver.read().values["temp_fridge_c"] == pytest.approx(4.062, abs=1e-3)


def test_a_real_85_is_kept_when_the_readings_led_there(tmp_path):
    driver = make_driver(SENSOR, OneWireBus(tmp_path))
    for temp in (76.0, 82.0, 85.0):
        show(tmp_path, temp)
        assert driver.read().values["temp_fridge_c"] == temp


def test_a_failed_check_sum_is_missing(tmp_path):
    show(tmp_path, 4.0, mark="NO")
    got = make_driver(SENSOR, OneWireBus(tmp_path)).read()
    assert math.isnan(got.values["temp_fridge_c"])
    assert "check sum" in got.notes[0]


def test_no_folder_says_what_to_do(tmp_path):
    with pytest.raises(BusError, match="kernel modules w1-gpio and w1-therm"):
        OneWireBus(tmp_path / "none")


def test_a_sensor_that_gives_an_error(tmp_path):
    (tmp_path / DEVICE / "w1_slave").mkdir(parents=True)
    with pytest.raises(BusError, match="no answer"):
        OneWireBus(tmp_path).read_text(DEVICE)
