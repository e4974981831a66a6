"""The forward run: charge closes, cut-off holds, larger batteries last longer."""

import numpy as np
import pytest

from campledger.estimate.battery import Limits, scaled, simulate, typical

LIMITS = Limits.usual(
    voltage_absorption=14.4, voltage_cutoff=11.0, current_charge_max=50.0
)


def run(model, load, source, **more):
    return simulate(
        model,
        LIMITS,
        soc_initial=np.array([0.8, 0.5]),
        step=600.0,
        load=load,
        source=source,
        **more,
    )


@pytest.mark.parametrize("chemistry", ["lfp", "agm", "gel", "flooded"])
def test_charge_closes_on_every_path(chemistry):
    model = typical(chemistry, 100.0)
    hour = np.arange(432) / 6.0
    out = run(model, np.full(432, 50.0), np.maximum(0, np.sin(hour / 3.8)) * 200.0)
    stored = out.current - out.charging_loss - model.current_hidden
    moved = np.diff(np.concatenate([[[0.8], [0.5]], out.soc], axis=1), axis=1)
    inside = (out.soc > 1e-6) & (out.soc < 1.0)
    # 1e-9: same algebra, away from the bounds.
    np.testing.assert_allclose(
        (moved * 100.0)[inside], (stored / 6.0)[inside], atol=1e-9
    )
    assert np.all(out.voltage <= 14.4 + 1e-9)
    np.testing.assert_allclose(out.load_served + out.unserved, 50.0, atol=1e-9)


def test_cut_off_takes_the_load_off_and_gives_it_back():
    model = typical("lfp", 50.0)
    source = np.where(np.arange(144) < 100, 0.0, 250.0)
    out = run(model, np.full(144, 80.0), source)
    assert out.without_power.any()
    assert out.unserved.sum() > 0
    assert not out.without_power[:, -1].any()
    assert np.all(out.soc >= 0.0)


def test_a_full_battery_takes_no_more():
    model = typical("lfp", 100.0)
    out = run(model, np.zeros(100), np.full(100, 300.0))
    assert out.soc[:, -1] == pytest.approx(1.0, abs=0.02)
    assert np.all(out.source_used[:, -1] < 10.0)


def test_twice_the_battery_is_half_as_deep():
    small, large = typical("lfp", 100.0), scaled(typical("lfp", 100.0), 2.0)
    load, none = np.full(60, 40.0), np.zeros(60)
    first, second = run(small, load, none), run(large, load, none)
    used = 0.8 - first.soc[0, -1], 0.8 - second.soc[0, -1]
    assert used[0] == pytest.approx(2.0 * used[1], rel=0.03)  # volts differ a little


def test_paths_may_differ_in_capacity():
    model = typical("agm", 100.0)
    out = run(model, np.full(30, 40.0), np.zeros(30), capacity=np.array([100.0, 200.0]))
    assert 0.8 - out.soc[0, -1] > 1.9 * (0.5 - out.soc[1, -1])


def test_wrong_arguments_are_named():
    with pytest.raises(ValueError, match="step is 0"):
        simulate(
            typical("lfp", 1.0),
            LIMITS,
            soc_initial=np.ones(1),
            step=0.0,
            load=np.ones(3),
            source=np.ones(3),
        )
    with pytest.raises(ValueError, match="ratio is -1"):
        scaled(typical("lfp", 1.0), -1.0)


def floated(**more):
    """Ninety percent full, a strong source and a small load, ten-minute steps."""
    model = typical("lfp", 100.0)
    limits = Limits(
        voltage_absorption=14.4,
        voltage_cutoff=11.5,
        voltage_reconnect=12.5,
        current_charge_max=50.0,
        **more,
    )
    restart = np.zeros(144, dtype=bool)
    restart[100] = True
    return simulate(
        model,
        limits,
        soc_initial=np.array([0.9]),
        step=600.0,
        load=np.full(144, 40.0),
        source=np.full(144, 600.0),
        restart=restart,
    )


def test_a_charger_that_floats_gives_less_than_one_that_absorbs():
    held = floated()
    floating = floated(voltage_float=13.5)
    assert floating.soc[0, 60] <= held.soc[0, 60]
    assert floating.source_used.sum() < held.source_used.sum()
    settled = floating.current[0, 60:100]
    assert np.abs(np.diff(settled)).max() < 0.2


def test_a_float_ends_where_the_charger_starts_anew():
    floating = floated(voltage_float=13.0)
    assert floating.soc[0, 99] < floating.soc[0, 12:99].max()
    assert floating.current[0, 100] > floating.current[0, 99]


def test_a_small_tail_absorbs_for_longer():
    early = floated(voltage_float=13.0, tail=0.2)
    late = floated(voltage_float=13.0, tail=0.02)
    assert late.soc[0, :20].mean() > early.soc[0, :20].mean()
