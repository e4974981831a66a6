import numpy as np
import pytest

from campledger.model.clock import ClockAnchor, clock_after_last_step, date_boot

T0 = 1_777_600_000.0


def anchor(uptime, time_utc, kind="system", bound=0.5):
    return ClockAnchor(boot=1, uptime=uptime, time_utc=time_utc, kind=kind, bound=bound)


def test_nothing_dates_nothing():
    assert date_boot([]) is None


def test_one_anchor_dates_a_boot():
    """job.md X1: forty minutes of readings, anchored at 17:02, began at 16:22."""
    clock = date_boot([anchor(2400.0, T0, "phone")])
    assert clock.at(np.array([0.0, 2400.0])).tolist() == [T0 - 2400, T0]
    assert (clock.rate, clock.kind) == (1.0, "phone")


def test_two_anchors_six_hours_apart_give_the_rate():
    clock = date_boot([anchor(0.0, T0), anchor(36000.0, T0 + 36003.6)])
    assert clock.rate == pytest.approx(1 + 1e-4, abs=1e-11)  # spacing at 1.8e9
    assert clock.at(np.array([0.0]))[0] == pytest.approx(T0, abs=1e-5)


@pytest.mark.parametrize(
    "second",
    [anchor(3600.0, T0 + 3600.5), anchor(36000.0, T0 + 36100.0)],
    ids=["too close", "not believable"],
)
def test_otherwise_the_later_anchor_rules_and_the_rate_is_one(second):
    clock = date_boot([anchor(0.0, T0), second])
    assert clock.rate == 1.0
    assert clock.at(np.array([second.uptime]))[0] == second.time_utc


def test_the_strongest_kind_rules():
    clock = date_boot(
        [anchor(0.0, T0, "sun", 900), anchor(0.0, T0 + 60, "typed"), anchor(9.0, T0)]
    )
    assert clock.origin == T0 + 60


def test_the_clock_after_its_last_step():
    uptime = np.arange(10.0)
    wall = np.where(uptime < 4, 0.0, T0) + uptime
    up, said = clock_after_last_step(uptime, wall)
    assert up >= 4
    assert said - up == T0
    assert clock_after_last_step(uptime, np.full(10, np.nan)) is None
