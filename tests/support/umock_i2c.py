"""
A made-up /dev/i2c-1: ``umockdev-wrapper /usr/bin/python3 THIS COMMAND``.

Runs under the system's Python (it has the gi bindings); answers the kernel's ioctl
requests for an INA226 at 0x40 that reads 12.8 V and -7.25 A over 0.5 mOhm. A file named
in PLUG makes the chip silent while it exists. Layouts: Linux kernel, i2c.h, i2c-dev.h.
"""

import errno
import os
import struct
import subprocess
import sys
import threading

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import GLib, UMockdev  # noqa: E402

I2C_SLAVE, I2C_FORCE, I2C_FUNCS, I2C_RDWR, I2C_SMBUS = (
    0x0703,
    0x0706,
    0x0705,
    0x0707,
    0x0720,
)
FUNCS = 0x0EFF0009
REGISTERS = {
    0: 0x4127,
    1: -1450 & 0xFFFF,
    2: 10240,
    5: 0,
    6: 8,
    0xFE: 0x5449,
    0xFF: 0x2260,
}
POINTER = [0]
ADDRESS: dict[int, int] = {}


def shown(register: int) -> bytes:
    """What the chip sends; the current register follows the calibration."""
    value = REGISTERS.get(register, 0)
    if register == 4:
        value = int(-1450 * REGISTERS[5] / 2048) & 0xFFFF
    return struct.pack(">H", value)


def silent(address: int) -> bool:
    """Tell whether nothing answers."""
    plug = os.environ.get("PLUG", "")
    return address != 0x40 or (plug != "" and os.path.exists(plug))  # noqa: PTH110


def combined(arg: object) -> int:
    """Answer I2C_RDWR; gives an error number or 0."""
    data = arg.resolve(0, 16)
    count = struct.unpack("<I", bytes(data.retrieve()[8:12]))[0]
    messages = data.resolve(0, 16 * count)
    for k in range(count):
        head = bytes(messages.retrieve()[16 * k : 16 * k + 6])
        address, flags, length = struct.unpack("<HHH", head)
        if silent(address):
            return errno.EREMOTEIO
        buffer = messages.resolve(16 * k + 8, length)
        if flags & 1:
            buffer.update(0, (shown(POINTER[0]) * 17)[:length])
        else:
            written = bytes(buffer.retrieve())
            POINTER[0] = written[0]
            if length == 3:
                REGISTERS[written[0]] = struct.unpack(">H", written[1:3])[0]
    return 0


def receive_byte(arg: object, address: int) -> int:
    """Answer the one-byte read of a scan."""
    data = arg.resolve(0, 16)
    if silent(address):
        return errno.ENXIO
    data.resolve(8, 34).update(0, shown(POINTER[0])[:1])
    return 0


def handle(_base: object, client: object) -> bool:
    """Answer one request."""
    request, arg = client.get_request(), client.get_arg()
    problem = 0
    if request in (I2C_SLAVE, I2C_FORCE):
        ADDRESS[hash(client)] = struct.unpack("<Q", bytes(arg.retrieve()[:8]))[0]
    elif request == I2C_FUNCS:
        arg.resolve(0, 8).update(0, struct.pack("<Q", FUNCS))
    elif request == I2C_RDWR:
        problem = combined(arg)
    elif request == I2C_SMBUS:
        problem = receive_byte(arg, ADDRESS.get(hash(client), 0))
    else:
        problem = errno.ENOTTY
    client.complete(-1 if problem else 0, problem)
    return True


if __name__ == "__main__":
    testbed = UMockdev.Testbed.new()
    testbed.add_from_string(
        "P: /devices/i2c-1\nN: i2c-1\nE: DEVNAME=/dev/i2c-1\nE: SUBSYSTEM=i2c-dev\n"
    )
    handler = UMockdev.IoctlBase()
    handler.connect("handle-ioctl", handle)
    testbed.attach_ioctl("/dev/i2c-1", handler)
    threading.Thread(target=GLib.MainLoop().run, daemon=True).start()
    sys.exit(subprocess.call(sys.argv[1:]))
