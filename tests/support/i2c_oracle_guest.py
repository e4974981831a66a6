"""
Runs inside the guest: the kernel's own chip drivers read what ours read.

The registers are those of the kernel's i2c-stub on a real /dev/i2c-N; the kernel's
drivers ina2xx-adc, lm75, tmp102 and jc42 decode them on their own. Prints one JSON line
for each comparison.
"""

import json
import sys
import time
from pathlib import Path

from smbus2 import SMBus

from campledger.acquire.buses.i2c import I2cBus
from campledger.acquire.drivers import make_driver
from campledger.errors import BusError
from campledger.model.rig import Sensor

SYS = Path("/sys/bus/i2c/devices")
HOUSE = (("current", "current_house_a"), ("voltage", "voltage_house_v"))
SHUNT = 0.001


def swap(value: int) -> int:
    """Turn a register round as SMBus words need it."""
    return (value & 0xFF) << 8 | value >> 8 & 0xFF


def put(number: int, address: int, registers: dict[int, int]) -> None:
    """Fill registers of the stub."""
    with SMBus(number) as bus:
        for register, value in registers.items():
            bus.write_word_data(address, register, swap(value & 0xFFFF))


def kernel(number: int, chip: str, address: int, files: tuple[str, ...]) -> list[float]:
    """Bind a driver of the kernel, read its files and unbind it."""
    adapter = SYS / f"i2c-{number}"
    (adapter / "new_device").write_text(f"{chip} 0x{address:x}")
    time.sleep(0.3)  # tmp102 is not ready before
    device = SYS / f"{number}-{address:04x}"
    out = []
    for name in files:
        found = [
            *device.glob(f"iio:device*/{name}"),
            *device.glob(f"hwmon/hwmon*/{name}"),
        ]
        out.append(float(found[0].read_text()))
    (adapter / "delete_device").write_text(f"0x{address:x}")
    return out


def ours(bus: I2cBus, sensor: Sensor) -> dict[str, float]:
    """Read with our driver once its first conversion is due."""
    driver = make_driver(sensor, bus)
    driver.start()
    driver.clock = lambda: time.monotonic() + 10.0  # type: ignore[attr-defined]
    return dict(driver.read().values)


def shunt_cases(bus: I2cBus, number: int) -> None:
    """Compare the shunt monitor: volts and the drop over the shunt."""
    for drop, volts in ((224, 10240), (-1450, 10584), (-32000, 8400), (0, 9600)):
        registers = {1: drop, 2: volts, 4: drop, 6: 8, 0xFE: 0x5449, 0xFF: 0x2260}
        put(number, 0x40, registers)
        sensor = Sensor(
            driver="ina226", bus=bus.name, address=0x40, shunt=SHUNT, channels=HOUSE
        )
        found = ours(bus, sensor)
        raw0, scale0, raw1, scale1 = kernel(
            number,
            "ina226",
            0x40,
            (
                "in_voltage0_raw",
                "in_voltage0_scale",
                "in_voltage1_raw",
                "in_voltage1_scale",
            ),
        )
        say("ina226 A", found["current_house_a"], raw0 * scale0 / 1000 / SHUNT)
        say("ina226 V", found["voltage_house_v"], raw1 * scale1 / 1000)


def thermometer(
    bus: I2cBus, number: int, name: str, chip: str, registers: dict[int, int]
) -> None:
    """Compare a thermometer."""
    address = {"lm75": 0x48, "tmp102": 0x49, "mcp9808": 0x18}[name]
    put(number, address, registers)
    channels = (("temp", "temp_fridge_c"),)
    sensor = Sensor(driver=name, bus=bus.name, address=address, channels=channels)
    found = ours(bus, sensor)["temp_fridge_c"]
    if name == "tmp102":
        # the kernel's driver uses the chip's extended mode, one bit wider
        put(number, address, {0: round(found * 128) | 1})
    (shown,) = kernel(number, chip, address, ("temp1_input",))
    say(name, found, shown / 1000)


def temperature_cases(bus: I2cBus, number: int) -> None:
    """Compare thermometers above and below zero."""
    for temp in (25.5, -3.5, 4.0):
        word = round(temp * 256) & 0xFFF0
        thermometer(bus, number, "lm75", "tmp75", {0: word})
        thermometer(bus, number, "tmp102", "tmp102", {0: word, 1: 0x60A0})
        flags = 0xC000 | round(temp * 16) & 0x1FFF
        identity = {6: 0x0054, 7: 0x0400}
        thermometer(bus, number, "mcp9808", "jc42", {5: flags, **identity})


def busy_case(bus: I2cBus, number: int) -> None:
    """A chip held by the kernel, a missing chip, and the scan, in our words."""
    adapter = SYS / f"i2c-{number}"
    (adapter / "new_device").write_text("tmp75 0x48")
    print(json.dumps({"scan": [list(x) for x in bus.scan()]}))
    try:
        bus.read(0x48, 0, 2)
    except BusError as error:
        print(json.dumps({"busy": str(error)}))
    (adapter / "delete_device").write_text("0x48")
    try:
        bus.read(0x33, 0, 2)
    except BusError as error:
        print(json.dumps({"missing": str(error)}))


def say(what: str, found: float, wanted: float) -> None:
    """Print a comparison."""
    print(json.dumps({"what": what, "ours": found, "kernel": wanted}), flush=True)


def main() -> None:
    """Find the stub and compare."""
    print()
    stubs = [p for p in SYS.glob("i2c-*") if "stub" in (p / "name").read_text()]
    number = int(stubs[0].name.split("-")[1])
    bus = I2cBus(number)
    shunt_cases(bus, number)
    temperature_cases(bus, number)
    busy_case(bus, number)


if __name__ == "__main__":
    main()
    sys.exit(0)
