"""Cable arithmetic against published tables and worked examples."""

from __future__ import annotations

import pytest

from campledger.judge.cables import (
    AUTO_AREA,
    CLASS5_LARGEST,
    DROP_LOOSE,
    DROP_TIGHT,
    VOLTAGE_NOMINAL,
    awg_area,
    drop_working_form,
    input_current,
    loop_largest,
    loop_resistance,
    smaller_readings,
)

IEC_60228_CLASS_5 = {
    0.5: 39.0,
    0.75: 26.0,
    1: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4: 4.95,
    6: 3.30,
    10: 1.91,
    16: 1.21,
    25: 0.780,
    35: 0.554,
    50: 0.386,
}
"""IEC 60228 class 5, plain copper, ohm/km at 20 degC, as reprinted by cable makers."""


@pytest.mark.parametrize(("area", "each"), sorted(IEC_60228_CLASS_5.items()))
def test_class_5_table(area, each):
    assert CLASS5_LARGEST[area] == each
    # the nominal copper of our sum lies below the largest that the standard allows
    assert loop_resistance(500.0, area) < each


# ASTM B258: AWG 10 is 5.261 mm2; computed 4, 6, 8, 12, 14 with the same rule
@pytest.mark.parametrize(
    ("gauge", "area"),
    [(10, 5.261), (4, 21.15), (6, 13.30), (8, 8.366), (12, 3.309), (14, 2.081)],
)
def test_awg(gauge, area):
    assert awg_area(gauge) == pytest.approx(area, rel=1e-3)  # printed digits


def test_drop_of_a_10_a_load_on_6_mm2():
    # computed case with IEC 60228 class 5: 10 A, 6 m, 20 degC: 0.396 V, 3.30 % of 12 V
    drop = 10.0 * loop_largest(6.0, 6.0)
    assert drop == pytest.approx(0.396, abs=5e-4)
    assert drop / VOLTAGE_NOMINAL == pytest.approx(0.0330, abs=5e-5)


def test_same_drop_warm():
    # 60 degC, 0.00393/K (IEC 60028, from memory): 0.458 V
    assert 10.0 * loop_largest(6.0, 6.0, temp=60.0) == pytest.approx(0.458, abs=5e-4)


def test_loss_on_a_16_mm2_feed():
    # 40 A, 5 m one way, 16 mm2 class 5: 0.484 V, 19.4 W
    loop = loop_largest(5.0, 16.0)
    assert 40.0 * loop == pytest.approx(0.484, abs=5e-4)
    assert 40.0**2 * loop == pytest.approx(19.4, abs=0.05)


def test_working_form():
    # a published volt-drop page: E = 0.0164 I L / S, L out and back
    assert drop_working_form(10.0, 12.0, 6.0) == pytest.approx(0.328, abs=1e-9)


def test_limits():
    # ABYC E-11 as cited by marine pages: 0.36 V and 1.2 V at 12 V
    assert pytest.approx(0.36) == DROP_TIGHT * VOLTAGE_NOMINAL
    assert pytest.approx(1.2) == DROP_LOOSE * VOLTAGE_NOMINAL


def test_auto_cable_is_its_outside_size():
    # a touring couple's table; two caravan articles explain the trap
    assert [AUTO_AREA[s] for s in (6.0, 5.0, 4.0, 3.0, 2.5)] == [
        4.6,
        2.9,
        1.85,
        0.85,
        0.64,
    ]
    ratio = loop_resistance(5.0, AUTO_AREA[4.0]) / loop_resistance(5.0, 4.0)
    assert ratio == pytest.approx(2.16, abs=0.005)  # printed 2.16


@pytest.mark.parametrize(("volts", "amps"), [(13.8, 29.0), (12.5, 32.0)])
def test_charger_draws_more_than_it_gives(volts, amps):
    # derived: 25 A at 14.4 V with 0.90 draws 29 A at 13.8 V, 32 A at 12.5 V
    assert input_current(25.0, 14.4, volts) == pytest.approx(amps, abs=0.5)


def test_charging_path_from_two_voltages():
    # 13.92 V at the source, 13.47 V at the battery, 18.5 A: 24.3 mOhm (arithmetic)
    assert pytest.approx(0.0243, abs=5e-5) == (13.92 - 13.47) / 18.5


def test_six_mm2_in_the_story():
    # 0.0172 with temperature: 31 milliohm at 40 degC, 41 with joints, 46 by class 5
    assert loop_resistance(5.0, 6.0, temp=40.0) == pytest.approx(0.031, abs=5e-4)
    assert loop_largest(5.0, 6.0, temp=40.0, joints=0.01) == pytest.approx(
        0.0456, abs=5e-4
    )
    words = [r.words for r in smaller_readings("6 mm2", 6.0)]
    assert words[0] == "6 mm auto cable"
    assert "4 mm auto cable" in words
