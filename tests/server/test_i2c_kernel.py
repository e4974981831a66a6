"""A real kernel's /dev/i2c-N in a virtual machine; its own drivers are the oracle."""

import json
import sys
from pathlib import Path

import pytest

from support import vm

pytestmark = [pytest.mark.server, pytest.mark.slow]

MODULES = ("i2c-dev", "lm75", "tmp102", "jc42", "ina2xx-adc")
ADDRESSES = "0x40,0x48,0x49,0x18"
TOP = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    lacking = vm.missing()
    if lacking:
        pytest.fail(f"missing for the virtual machine: {lacking}")
    _, tree, version = vm.kernel()
    (stub,) = (tree / "lib/modules" / version).rglob("i2c-stub.ko*")
    script = tmp_path_factory.mktemp("guest") / "run.sh"
    script.write_text(
        f"/sbin/insmod {stub} chip_addr={ADDRESSES}\n"
        f"cd {TOP}\n"
        f"PYTHONDONTWRITEBYTECODE=1 PYTHONPATH={TOP / 'src'} "
        f"{sys.executable} -W error tests/support/i2c_oracle_guest.py\n"
    )
    guest = vm.start(script, MODULES)
    try:
        said, _ = guest.communicate(timeout=180)
    finally:
        guest.kill()
    found = [json.loads(x) for x in said.splitlines() if x.startswith("{")]
    assert "ended 0" in said, said[-3000:]
    return found


def test_the_kernels_drivers_agree(lines):
    compared = [x for x in lines if "what" in x]
    # 4 words of the shunt monitor twice, 3 temperatures of 3 chips
    assert len(compared) == 17
    for row in compared:
        # the kernel prints thousandths, scales to 9 digits
        assert row["ours"] == pytest.approx(row["kernel"], abs=1e-3), row


def test_scan_and_faults_on_a_real_kernel(lines):
    by_key = {next(iter(x)): next(iter(x.values())) for x in lines if len(x) == 1}
    found = dict(by_key["scan"])
    assert found[0x48] == "held by a driver of the kernel"
    assert set(found) == {0x18, 0x40, 0x48, 0x49}
    assert "a driver of the kernel holds it" in by_key["busy"]
    # i2c-stub answers a missing chip with ENODEV
    assert "address 0x33: no answer" in by_key["missing"]
    assert "errno 19" in by_key["missing"]
