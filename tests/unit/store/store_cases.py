"""Small recordings for the tests of the store."""

import numpy as np

from campledger.store import Columns, Rows, Window

T0 = 1_777_600_000.0


def readings(count=7200, *, step=1.0, seed=1):
    rng = np.random.default_rng(seed)
    return {
        "voltage_house_v": np.round(12.8 + 0.01 * rng.standard_normal(count), 3),
        "current_house_a": np.round(-3 + 0.5 * rng.standard_normal(count), 2),
    }


def chunk(start=0, stop=7200, *, seed=1, count=7200):
    values = {n: v[start:stop] for n, v in readings(count, seed=seed).items()}
    return Columns(time_utc=T0 + np.arange(start, stop), values=values)


def boot_chunk(start=0, stop=7200, *, boot=1, seed=1, lag=T0, count=7200):
    values = {n: v[start:stop] for n, v in readings(count, seed=seed).items()}
    uptime = 5.0 + np.arange(start, stop)
    return Columns(
        boot=np.full(stop - start, boot),
        uptime=uptime,
        time_utc=None if lag is None else lag + uptime,
        values=values,
    )


def log_windows(store, boot, start, stop, *, lag=T0, seed=3, state=None):
    """Log ten-second windows of one channel; the value depends on the uptime only."""
    for a in range(start, stop, 10):
        uptime = a + 1.0 + np.arange(10)
        value = np.round(4 + np.sin(uptime / 50 + seed), 3)
        wall = None if lag is None else lag + uptime
        rows = Rows(uptime=uptime, wall=wall, values={"current_fridge_a": value})
        store.append_window(Window(boot=boot, rows=(rows,), state=state))
