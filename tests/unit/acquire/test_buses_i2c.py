"""I2C at smbus2's system-call boundary: transfers, faults and the words about them."""

import errno
import os
import subprocess
import sys

import pytest

from campledger.acquire.buses import bus_key, open_bus
from campledger.errors import BusError
from support.i2c_world import Chip, Ina226Model


def test_registers_are_read_and_written_in_wire_order(world):
    world.chips[0x40] = Chip({0x02: b"\x25\x70", 0x07: b"\xf3\x80\x10", 0x01: b"\x7f"})
    bus = open_bus("i2c:1")
    assert bus.read(0x40, 0x02, 2) == b"\x25\x70"
    assert bus.read(0x40, 0x07, 3) == b"\xf3\x80\x10"
    assert bus.read(0x40, 0x01, 1) == b"\x7f"
    bus.write(0x40, 0x05, b"\x08\x00")
    assert world.chips[0x40].registers[0x05] == b"\x08\x00"
    bus.write(0x40, 0x06, b"\x09")
    bus.write(0x40, 0x08, b"\x09\x0a\x0b")
    assert world.chips[0x40].registers[0x08] == b"\x09\x0a\x0b"
    bus.close()


def test_one_lost_acknowledge_is_asked_again(world):
    world.chips[0x40] = Chip({0x02: b"\x25\x70"})
    left = [1]

    def lose_one(_address, _register, data):
        if left[0]:
            left[0] -= 1
            raise OSError(errno.EREMOTEIO, "lost")
        return data

    world.fault = lose_one
    assert open_bus("i2c:1").read(0x40, 0x02, 2) == b"\x25\x70"


# Numbers of a missing chip differ by adapter: 19 i2c-stub, 6 i801, 110 i.MX, 121 others
@pytest.mark.parametrize(
    "number", [errno.ENODEV, errno.ENXIO, errno.ETIMEDOUT, errno.EREMOTEIO, errno.EIO]
)
def test_any_error_number_is_no_answer(world, number):
    world.chips[0x40] = Chip({})

    def fail(_address, _register, _data):
        raise OSError(number, os.strerror(number))

    world.fault = fail
    bus = open_bus("i2c:1")
    with pytest.raises(
        BusError, match=f"0x40: no answer .*errno {number}.*its plug"
    ) as e:
        bus.read(0x40, 0x02, 2)
    assert e.value.temporary
    world.fault = None
    assert bus.read(0x40, 0x02, 2) == b"\0\0"


def test_silence_at_two_addresses_tells_of_a_held_line(world):
    bus = open_bus("i2c:1")
    with pytest.raises(BusError, match="check its plug"):
        bus.read(0x40, 0, 2)
    with pytest.raises(BusError, match="hold a line low: switch the supply"):
        bus.read(0x41, 0, 2)


def test_a_kernel_driver_at_the_address_is_named(world):
    world.chips[0x40] = Chip({})

    def busy(_address, _register, _data):
        raise OSError(errno.EBUSY, "busy")

    world.fault = busy
    bus = open_bus("i2c:1")
    with pytest.raises(BusError, match="a driver of the kernel holds it"):
        bus.read(0x40, 0, 2)
    assert dict(bus.scan()) == {0x40: "held by a driver of the kernel"}


def test_scan_lists_what_answers_and_writes_nothing(world):
    world.chips[0x40] = Ina226Model(12.8, 1.0, 0.0005)
    world.chips[0x48] = Chip({0: b"\x19\x00"})
    before = [dict(c.registers) for c in world.chips.values()]
    assert [a for a, _ in open_bus("i2c:1").scan()] == [0x40, 0x48]
    assert [c.registers for c in world.chips.values()] == before


def test_rights_and_missing_adapters_say_what_to_do(world):
    world.shut = PermissionError(errno.EACCES, "denied")
    with pytest.raises(BusError, match=r"no right to open /dev/i2c-1.*group i2c") as e:
        open_bus("i2c:1")
    assert not e.value.temporary
    world.shut = FileNotFoundError(errno.ENOENT, "none")
    with pytest.raises(BusError, match=r"got no /dev/i2c-1.*kernel module i2c-dev"):
        open_bus("i2c:1")
    world.shut = OSError(errno.EMFILE, "too many open files")
    with pytest.raises(BusError, match="does not open"):
        open_bus("i2c:1")


def test_an_adapter_that_was_unplugged_is_opened_again(world):
    world.chips[0x40] = Chip({0x02: b"\x25\x70"})
    bus = open_bus("i2c:1")

    def gone(_address, _register, _data):
        raise OSError(errno.ENODEV, "gone")

    world.fault = gone
    with pytest.raises(BusError):
        bus.read(0x40, 0x02, 2)
    world.fault = None
    assert bus.read(0x40, 0x02, 2) == b"\x25\x70"
    assert world.opened == 2


def test_a_second_owner_is_refused(world, tmp_path):
    held = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import fcntl,sys\n"
            f"f=open({str(tmp_path / 'i2c-1')!r},'r+')\n"
            "fcntl.flock(f,fcntl.LOCK_EX); print('held',flush=True); sys.stdin.read()",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert held.stdout is not None
    assert held.stdin is not None
    try:
        assert held.stdout.readline() == "held\n"
        with pytest.raises(
            BusError, match=r"in use by another process.*stop the other"
        ):
            open_bus("i2c:1")
    finally:
        held.communicate("")
    open_bus("i2c:1").close()


def test_sensors_share_a_wire_by_key():
    assert bus_key("i2c:1") == "i2c:1"
    assert bus_key("w1:28-00000a0b0c0d") == bus_key("w1:28-00000a0b0c0e") == "w1"
    assert bus_key("tcp:127.0.0.1:502") == "tcp:127.0.0.1:502"
