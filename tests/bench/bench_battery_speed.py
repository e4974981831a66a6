"""
Speed and memory of the battery estimates: 30 days at 1 Hz, and the live step.

``python tests/bench/bench_battery_speed.py [--days 30] [--write]``; processor time of
one thread, because the machine may be shared. Peak memory is what the estimate adds
beyond the record itself. The live step is compared with a general Kalman filter of the
same five states run sample by sample, if filterpy is installed.
"""

from __future__ import annotations

import argparse
import platform
import resource
import sys
import time
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.support.battery_world import make_world
from tests.support.cases import make_record

from campledger.estimate.battery import LiveBattery, estimate_battery

RESULTS = Path(__file__).parent / "results"


def fine_record(days: int):
    """Repeat a made trip's rows to one a second."""
    world = make_world("lfp", seed=40, days=days, drive_hours=3.5)
    time_10s = world.record.channels["voltage_house_v"].time_utc
    fine = np.arange(time_10s[0], time_10s[-1] + 1.0)
    rng = np.random.default_rng(1)
    table = {
        name: np.interp(fine, time_10s, series.value) + rng.normal(0, 0.003, len(fine))
        for name, series in world.record.channels.items()
    }
    return make_record(fine, table), world.rig


def live_step(rig, steps: int) -> tuple[float, float, int]:
    """Mean and worst seconds of a live step, and the bytes of its state."""
    live = LiveBattery(rig)
    rng = np.random.default_rng(2)
    current = rng.normal(-3.0, 2.0, steps).tolist()
    volts = [13.2 + 0.008 * i for i in current]
    worst = 0.0
    began = time.process_time()
    for i, v in zip(current, volts, strict=True):
        live.step(1.0, i, v, 22.0)
    mean = (time.process_time() - began) / steps
    for i, v in zip(current[:20000], volts[:20000], strict=True):
        tick = time.process_time()
        live.step(1.0, i, v, 22.0)
        worst = max(worst, time.process_time() - tick)
    return mean, worst, len(live.state_bytes())


def general_filter(steps: int) -> float | None:
    """Seconds a sample of a general Kalman library, five states."""
    try:
        from filterpy.kalman import KalmanFilter
    except ImportError:
        return None
    kf = KalmanFilter(dim_x=5, dim_z=1)
    kf.F, kf.H = np.eye(5), np.ones((1, 5))
    kf.Q *= 1e-6
    began = time.process_time()
    for _ in range(steps):
        kf.predict()
        kf.update(np.array([13.2]))
    return (time.process_time() - began) / steps


def main(argv: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args(argv)
    record, rig = fine_record(args.days)
    began = time.process_time()
    estimate_battery(record, rig)
    spent = time.process_time() - began
    tracemalloc.start()
    estimate_battery(record, rig)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    whole = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    mean, worst, size = live_step(rig, 200_000)
    general = general_filter(20_000)
    ratio = "filterpy not installed" if general is None else f"{general / mean:.0f} x"
    text = (
        "# Battery speed\n\n"
        f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, Python "
        f"{platform.python_version()}, seeds 40, 1, 2.\n\n"
        "| what | measured | asked |\n|---|---|---|\n"
        f"| trip estimate, {args.days} days at 1 Hz, CPU | {spent:.1f} s | 15 s |\n"
        f"| memory that the estimate adds at most | {peak:.0f} MB | 200 MB |\n"
        f"| whole process with the record held in arrays | {whole:.0f} MB | |\n"
        f"| live step, mean | {1e6 * mean:.1f} us | 50 us |\n"
        f"| live step, the one that updates | {1e6 * worst:.0f} us | |\n"
        f"| live state | {size} bytes | 4096 |\n"
        f"| general Kalman library over live step | {ratio} | 20 x |\n"
    )
    print(text)
    if args.write:
        (RESULTS / "bench_battery_speed.md").write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
