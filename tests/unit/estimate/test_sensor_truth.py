"""Sensor checks against planted faults in a light made trip."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.battery_world import make_world
from tests.support.cases import make_record

from campledger.estimate.sensor_truth import check_sensors
from campledger.model.rig import Sensor


@pytest.fixture(scope="module")
def world():
    return make_world("lfp", seed=21, days=3, drive_hours=4.0, offset=0.0)


def changed(world, **changes):
    """Copy the record with channels replaced; a function gets the old values."""
    time = world.record.channels["voltage_house_v"].time_utc
    table = {n: s.value.copy() for n, s in world.record.channels.items()}
    for name, make in changes.items():
        table[name] = make(table.get(name), time)
    return make_record(time, table)


def one(findings, channel, kind):
    found = [f for f in findings if f.channel == channel and f.kind == kind]
    assert len(found) == 1
    return found[0]


def test_a_good_rig_has_no_fault(world):
    findings = check_sensors(world.record, world.rig)
    assert findings
    assert not [f for f in findings if f.verdict in {"fault", "look"}]
    sign = one(findings, "current_house_a", "sign")
    assert sign.verdict == "pass"
    # The made battery has 11 milliohm and a little of its slow part.
    assert sign.value == pytest.approx(0.011, rel=0.15)


def test_a_shunt_backwards_is_found_and_the_correction_mends_it(world):
    record = changed(world, current_house_a=lambda v, t: -v)
    found = one(check_sensors(record, world.rig), "current_house_a", "sign")
    assert found.verdict == "fault"
    assert found.value < 0
    assert found.evidence >= 5
    assert found.correction is not None
    assert found.correction.scale == -1.0


@pytest.mark.parametrize("ratio", [0.5, 2 / 3, 0.75, 4 / 3, 1.5, 2.0])
def test_a_wrong_shunt_ratio_is_found_and_snapped(world, ratio):
    record = changed(world, current_house_a=lambda v, t: ratio * v)
    found = one(check_sensors(record, world.rig), "current_house_a", "scale")
    assert found.verdict == "fault"
    assert found.value == pytest.approx(ratio, rel=0.03)
    assert found.correction is not None
    assert found.correction.scale == pytest.approx(1.0 / ratio, rel=1e-9)


def test_a_source_backwards_is_found(world):
    record = changed(world, current_alternator_a=lambda v, t: -v)
    found = one(check_sensors(record, world.rig), "current_alternator_a", "sign")
    assert found.verdict == "fault"


def test_a_zero_that_charges_at_night_is_a_fault(world):
    record = changed(world, current_house_a=lambda v, t: v + 1.0)
    found = one(check_sensors(record, world.rig), "current_house_a", "zero")
    assert found.verdict == "fault"
    assert found.value > 0.3
    assert found.correction is not None
    assert found.correction.offset == pytest.approx(-found.value)


def test_a_zero_that_hides_in_the_draw_cannot_be_told(world):
    found = one(check_sensors(world.record, world.rig), "current_house_a", "zero")
    assert found.verdict == "cannot_tell"
    assert "fuse" in found.needs


def test_a_load_round_the_shunt_shows_between_fulls(world):
    # 0.6 A never seen: the shunt reads more into the battery than stays there.
    record = changed(world, current_house_a=lambda v, t: v + 0.6)
    found = one(check_sensors(record, world.rig), "current_house_a", "round_shunt")
    assert found.verdict == "fault"
    assert found.value == pytest.approx(0.6, abs=0.15)


def test_stuck_and_silent_and_lying_sensors(world):
    def stand(value, _):
        value[5000:9000] = 3.25
        return value

    def default(value, _):
        value = np.full(len(value), 22.0) + np.sin(np.arange(len(value)) / 50.0)
        value[4000:4400] = 85.0
        return value

    def silent(value, _):
        value[8000:9000] = np.nan
        return value

    record = changed(
        world,
        current_alternator_a=stand,
        temp_house_c=default,
        current_house_a=silent,
    )
    findings = check_sensors(record, world.rig)
    stood = one(findings, "current_alternator_a", "stuck")
    assert stood.verdict == "fault"
    assert stood.value == pytest.approx(40000.0, rel=0.01)
    lying = one(findings, "temp_house_c", "unplugged")
    assert lying.verdict == "fault"
    assert lying.value == pytest.approx(4000.0, rel=0.02)
    quiet = one(findings, "current_house_a", "unplugged")
    assert quiet.verdict == "fault"
    assert quiet.value == pytest.approx(10000.0, rel=0.02)
    assert quiet.start_utc < quiet.end_utc


def test_one_reading_of_85_is_no_fault(world):
    def once(value, _):
        value = value.copy()
        value[[100, 5000]] = 85.0
        return value

    record = changed(world, temp_house_c=once)
    found = one(check_sensors(record, world.rig), "temp_house_c", "unplugged")
    assert found.verdict == "pass"


def test_clipping_at_the_full_scale_of_a_known_shunt(world):
    sensor = Sensor(
        driver="ina226",
        bus="i2c:1",
        shunt=0.005,
        channels=(("current", "current_house_a"),),
    )
    rig = replace(world.rig, sensors=(sensor,))
    top = 0.08192 / 0.005
    record = changed(world, current_house_a=lambda v, t: np.clip(1.5 * v, -top, top))
    found = one(check_sensors(record, rig), "current_house_a", "clipped")
    assert found.verdict == "fault"
    assert found.evidence > 2
    clean = one(check_sensors(world.record, world.rig), "current_house_a", "clipped")
    assert clean.verdict == "pass"


def test_voltmeters_that_disagree_at_rest(world):
    def calm(value, time):
        hour = (time - time[0]) / 3600.0
        return np.where((hour > 14) & (hour < 16), 0.02, value)

    record = changed(
        world,
        current_house_a=calm,
        current_alternator_a=calm,
        voltage_fridge_v=lambda v, t: (
            world.record.channels["voltage_house_v"].value - 0.19
        ),
    )
    found = one(check_sensors(record, world.rig), "voltage_fridge_v", "disagree")
    assert found.verdict == "fault"
    assert found.value == pytest.approx(-0.19, abs=0.005)
    busy = changed(
        world,
        voltage_fridge_v=lambda v, t: world.record.channels["voltage_house_v"].value,
    )
    found = one(check_sensors(busy, world.rig), "voltage_fridge_v", "disagree")
    assert found.verdict == "cannot_tell"


def test_too_few_steps_cannot_tell(world):
    record = changed(
        world,
        current_house_a=lambda v, t: np.full(len(v), -1.0),
        current_alternator_a=lambda v, t: np.zeros(len(v)),
        current_fridge_a=lambda v, t: np.zeros(len(v)),
    )
    findings = check_sensors(record, world.rig)
    assert one(findings, "current_house_a", "sign").verdict == "cannot_tell"
    assert one(findings, "current_house_a", "scale").verdict == "cannot_tell"
    assert one(findings, "current_house_a", "round_shunt").verdict == "cannot_tell"


def test_a_shunt_that_answers_nothing_is_a_fault(world):
    record = changed(world, current_house_a=lambda v, t: np.full(len(v), -1.0))
    found = one(check_sensors(record, world.rig), "current_house_a", "scale")
    assert found.verdict == "fault"
    assert found.correction is None


def test_without_a_house_shunt_nothing_is_said_about_it(world):
    time = world.record.channels["voltage_house_v"].time_utc
    record = make_record(
        time, {"voltage_house_v": world.record.channels["voltage_house_v"].value}
    )
    findings = check_sensors(record, world.rig)
    assert not [f for f in findings if f.channel == "current_house_a"]
