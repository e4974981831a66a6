"""Power taken from the real daemon; the full counts are in bench_crash.py."""

import pytest

from bench import bench_crash
from support import powercut, vm

pytestmark = [pytest.mark.server, pytest.mark.slow]
VM = pytest.mark.skipif(bool(vm.missing()), reason=f"needs {vm.missing()}")


def test_kills_at_random_instants():
    found = bench_crash.kills(20, seed=2)
    assert found["bad"] == []
    assert found["rows"] > 200


@VM
def test_crash_images_from_recorded_writes():
    found = powercut.images(100, seed=2)
    assert found["bad"] == []
    assert found["rows"] > 100


@VM
def test_machine_cuts():
    found = powercut.cuts(5, seed=2)
    assert found["bad"] == []
    assert found["rows"] > 0
