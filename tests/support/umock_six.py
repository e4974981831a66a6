"""
Six chips on a made-up /dev/i2c-1: ``umockdev-wrapper /usr/bin/python3 THIS COMMAND``.

The chip of ``umock_i2c``, answering at 0x40 to 0x45 with the same registers.
"""

import subprocess
import sys
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import umock_i2c
from gi.repository import GLib, UMockdev

CHIPS = range(0x40, 0x46)

if __name__ == "__main__":
    umock_i2c.silent = lambda address: address not in CHIPS
    testbed = UMockdev.Testbed.new()
    testbed.add_from_string(
        "P: /devices/i2c-1\nN: i2c-1\nE: DEVNAME=/dev/i2c-1\nE: SUBSYSTEM=i2c-dev\n"
    )
    handler = UMockdev.IoctlBase()
    handler.connect("handle-ioctl", umock_i2c.handle)
    testbed.attach_ioctl("/dev/i2c-1", handler)
    threading.Thread(target=GLib.MainLoop().run, daemon=True).start()
    sys.exit(subprocess.call(sys.argv[1:]))
