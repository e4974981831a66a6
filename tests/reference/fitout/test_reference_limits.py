"""Limits of the catalogue against the published figures that they claim."""

from __future__ import annotations

import numpy as np
import pytest

from campledger.judge.finding import LimitKind, Verdict
from campledger.judge.fitout.assemble import OTHER_ROWS, SENSOR_ROWS
from campledger.judge.fitout.isolator import CRANK_TABLE
from campledger.judge.fitout.loads import FLOOR_VOLTAGE
from campledger.judge.fitout.readings import CHIP_FULL_SCALE, TEMP_CODES
from campledger.judge.fitout.sensors import CHIP_STEP
from campledger.model.rig import Sensor
from support.fitout_fixture import BASE, build, judge, rig


def test_load_test_table():
    # a car workshop manual, battery load test by temperature
    assert dict(CRANK_TABLE) == {
        20.0: 9.6,
        18.0: 9.5,
        10.0: 9.4,
        4.0: 9.3,
        -1.0: 9.1,
        -7.0: 8.9,
        -12.0: 8.7,
    }


@pytest.mark.parametrize(
    ("volts", "verdict"),
    [(12.62, "pass"), (12.35, "worth_a_look"), (12.18, "fault")],
)
def test_resting_starter_battery(volts, verdict):
    # workshop manual: more than 12.5 V open circuit is good, 12.62 V named good;
    # 12.2 V: common practice, no source
    t = BASE + np.arange(0.0, 9 * 3600.0, 60.0)
    record = build(
        t,
        {
            "voltage_house_v": 12.7 + 0 * t,
            "voltage_start_v": volts + 0 * t,
            "state_engine": 0 * t,
        },
    )
    assert judge(record, rig()).finding("C24").verdict == verdict


def test_full_scale_of_the_chip():
    # INA226 datasheet: 81.92 mV; 819.2 A on 100 uOhm, 163.84 A on 0.5 mOhm
    assert pytest.approx(819.2) == CHIP_FULL_SCALE / 100e-6
    assert pytest.approx(163.84) == CHIP_FULL_SCALE / 0.5e-3
    assert pytest.approx(CHIP_FULL_SCALE) == CHIP_STEP * 32768


def test_clipped_words_are_told():
    t = BASE + np.arange(0.0, 3600.0, 1.0)
    amps = np.where((t > BASE + 1000) & (t < BASE + 1004), -163.835, -5.0)
    record = build(t, {"voltage_house_v": 12.6 + 0 * t, "current_house_a": amps})
    described = rig(
        sensors=(
            Sensor(
                driver="ina226",
                bus="i2c:1",
                shunt=0.0005,
                channels=(("current", "current_house_a"),),
            ),
        )
    )
    found = judge(record, described).finding("C41")
    assert found.verdict == Verdict.FAULT
    assert "164 A 3 times" in found.reads


def test_power_up_word_of_the_temperature_chip():
    # DS18B20 datasheet table: 0550h is +85 degC, the power-up value
    assert 0x0550 / 16 == TEMP_CODES[0] == 85.0
    t = BASE + np.arange(0.0, 7200.0, 10.0)
    rng = np.random.default_rng(1)
    temp = np.where(t > BASE + 4000, 85.0, 5.0 + rng.normal(0, 0.1, len(t)))
    record = build(t, {"voltage_house_v": 12.6 + 0 * t, "temp_fridge_c": temp})
    found = judge(record, rig()).finding("C40")
    assert found.verdict == Verdict.FAULT
    assert "reads 85.0 every time" in found.reads
    once = np.where(np.arange(len(t)) == 400, 85.0, 5.0 + rng.normal(0, 0.1, len(t)))
    record = build(t, {"voltage_house_v": 12.6 + 0 * t, "temp_fridge_c": once})
    assert judge(record, rig()).finding("C40").verdict == Verdict.PASS


def test_zero_error_as_charge():
    # arithmetic on a 10 uV offset (from memory): 100 uOhm is 0.10 A = 2.4 A.h a day
    assert pytest.approx(2.4) == 24 * FLOOR_VOLTAGE / 100e-6
    assert pytest.approx(0.020) == FLOOR_VOLTAGE / 0.5e-3


def test_every_limit_states_its_kind():
    for row in (*SENSOR_ROWS, *OTHER_ROWS):
        assert isinstance(row.kind, LimitKind)
        assert row.source
        assert row.next
        assert row.care
        if row.kind == LimitKind.COMMON_PRACTICE:
            words = ("common practice", "from memory", "manual")
            assert any(w in row.source for w in words)
