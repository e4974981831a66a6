import pytest
import smbus2.smbus2

from support.i2c_world import PLAIN_I2C, SMBUS_ONLY, World


@pytest.fixture(params=[PLAIN_I2C, SMBUS_ONLY], ids=["i2c", "smbus"])
def world(request, tmp_path, monkeypatch):
    made = World(tmp_path, request.param)
    monkeypatch.setattr(smbus2.smbus2, "ioctl", made.ioctl)
    monkeypatch.setattr(smbus2.smbus2, "os", made)
    return made
