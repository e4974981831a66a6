"""Modbus words: orders, signs, factors and "no value". The source beside each check."""

import math
import struct
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from campledger.acquire.drivers import make_driver
from campledger.acquire.drivers.meter import blocks, decode_register
from campledger.acquire.drivers.meter_map import NOT_IMPLEMENTED, Register, read_map
from campledger.errors import FaultsError, InputError
from campledger.model.rig import Sensor

CONFIG = Path(__file__).parents[4] / "config"


def register(kind, **more):
    marks = frozenset({NOT_IMPLEMENTED[kind]})
    return Register(
        role="x", function=3, address=0, kind=kind, not_implemented=marks, **more
    )


def words(data):
    return struct.unpack(f">{len(data) // 2}H", data)


# Public Modbus decoder's readme, example log with decoded values; +-1e-4
@pytest.mark.parametrize(
    ("data", "value"),
    [
        ("51 24 45 B7", 5866.1426),
        ("19 71 3F 5F", 0.871482),
        ("19 F9 43 0B", 139.10146),
        ("59 D1 45 D2", 6731.2271),
    ],
)
def test_low_word_first(data, value):
    got = decode_register(
        words(bytes.fromhex(data)), register("float32", words_swapped=True)
    )
    assert got.value == pytest.approx(value, abs=1e-4)


# Worked out: the same bytes read high word first are absurd
def test_wrong_order_is_absurd():
    got = decode_register(words(bytes.fromhex("51 24 45 B7")), register("float32"))
    assert got.value == pytest.approx(4.4096516e10, rel=1e-7)
    swapped = words(struct.pack(">f", -12.75))[::-1]
    assert "word order?" in decode_register(swapped, register("float32")).refused


# Bytes of the same readme; values by IEEE 754
@pytest.mark.parametrize(
    ("data", "value"),
    [("46 82 62 00", 16689.0), ("45 47 F0 00", 3199.0), ("42 47 99 9A", 49.9)],
)
def test_high_word_first(data, value):
    got = decode_register(words(bytes.fromhex(data)), register("float32"))
    assert got.value == pytest.approx(value, rel=1e-7)


# IEEE 754 by Python's struct: the four orders of 12.8
@pytest.mark.parametrize(
    ("data", "order"),
    [
        ("41 4C CC CD", {}),
        ("CC CD 41 4C", {"words_swapped": True}),
        ("4C 41 CD CC", {"bytes_swapped": True}),
        ("CD CC 4C 41", {"words_swapped": True, "bytes_swapped": True}),
    ],
)
def test_four_orders(data, order):
    got = decode_register(words(bytes.fromhex(data)), register("float32", **order))
    assert got.value == pytest.approx(12.8, rel=1e-7)


# Python's struct
@pytest.mark.parametrize(
    ("data", "swapped"), [("FF FF FA 24", False), ("FA 24 FF FF", True)]
)
def test_signed_pairs(data, swapped):
    got = decode_register(
        words(bytes.fromhex(data)), register("int32", words_swapped=swapped)
    )
    assert got.value == -1500


# A gateway's manual and pysunspec2 1.3.7, device.py: value x 10**factor
@pytest.mark.parametrize(
    ("raw", "factor", "value"), [(1283, -2, 12.83), (876, -1, 87.6)]
)
def test_scale_factors(raw, factor, value):
    got = decode_register([raw], register("uint16"), factor & 0xFFFF)
    assert got.value == pytest.approx(value, rel=1e-12)


# An inverter maker's SunSpec table of NaN values; constants in pysunspec2 1.3.7, mb.py
@pytest.mark.parametrize(
    ("kind", "raw"),
    [
        ("int16", [0x8000]),
        ("uint16", [0xFFFF]),
        ("int32", [0x8000, 0]),
        ("uint32", [0xFFFF, 0xFFFF]),
        ("acc32", [0, 0]),
        ("float32", [0x7FC0, 0]),
    ],
)
def test_not_implemented_is_no_value(kind, raw):
    got = decode_register(raw, register(kind))
    assert math.isnan(got.value)
    assert "not implemented" in got.refused


# pysunspec2 1.3.7, mb.py: scale factor 8000h; SunSpec: factors are -10 to 10
@pytest.mark.parametrize("factor", [0x8000, 11, 0xFFF0])
def test_no_scale_factor_is_no_value(factor):
    assert decode_register([1283], register("uint16"), factor).refused


# pysunspec2 1.3.7, model_802.json: A is int16; the value worked out
def test_battery_model_current():
    got = decode_register([0xFB2E], register("int16"), -1 & 0xFFFF)
    assert got.value == pytest.approx(-123.4, rel=1e-12)


def test_ends_of_a_signed_word_are_clipped():
    assert decode_register([0x7FFF], register("int16")).clipped
    assert not decode_register([0x7FFE], register("int16")).clipped


# Modbus Application Protocol V1.1b3, 6.3: 125 registers at most
def test_neighbours_share_a_question():
    wanted = {(3, 0): 1, (3, 1): 2, (3, 5): 1, (4, 3): 2}
    assert blocks(wanted) == [(3, 0, 3), (3, 5, 1), (4, 3, 2)]
    long = {(3, n): 1 for n in range(200)}
    assert [c for _, _, c in blocks(long)] == [125, 75]


@dataclass
class Line:
    """Holding and input registers behind every unit."""

    name: str = "tcp:meter"
    registers: dict[tuple[int, int], int] = field(default_factory=dict)
    asked: list[tuple[int, int, int, int]] = field(default_factory=list)

    def close(self):
        """Nothing to do."""

    def read_words(self, unit, function, start, count):
        self.asked.append((unit, function, start, count))
        return tuple(self.registers[function, start + n] for n in range(count))


def meter(name, line, channels=(), address=7):
    sensor = Sensor(
        driver="modbus",
        bus="tcp:meter",
        address=address,
        map_file=str(CONFIG / name),
        channels=channels,
    )
    return make_driver(sensor, line)


def test_a_shipped_map_with_factors_and_its_own_channels():
    values = {40: 1283, 41: 0xFB2E, 42: 0xFFFF, 43: 0xFA24, 50: -2, 51: -1, 52: 0}
    line = Line(registers={(3, k): v & 0xFFFF for k, v in values.items()})
    driver = meter("meter_factors.toml", line)
    driver.start()
    line.asked.clear()
    got = driver.read()
    assert got.values == {
        "voltage_house_v": pytest.approx(12.83),
        "current_house_a": pytest.approx(-123.4),
        "power_house_w": -1500.0,
    }
    assert line.asked == [(7, 3, 40, 4), (7, 3, 50, 3)]


def test_a_shipped_map_with_mapped_roles():
    line = Line(registers={(4, 0x100): 1280, (4, 0x101): 0xFD2B})
    roles = (("voltage", "voltage_house_v"), ("current", "current_house_a"))
    driver = meter("meter_shunt.toml", line, roles)
    assert driver.read().values == {
        "voltage_house_v": pytest.approx(12.8),
        "current_house_a": pytest.approx(-7.25),
    }
    line.registers[4, 0x101] = 0x7FFF
    got = driver.read()
    assert math.isnan(got.values["current_house_a"])
    assert got.counts["voltage_house_v"] == {"repeat": 1}


# Job text X13: 65535 and swapped words are outside the physical range
def test_impossible_words_name_register_and_words():
    swapped = words(struct.pack(">f", 12.8))
    line = Line(registers={(3, 20 + n): w for n, w in enumerate((*swapped, 0x4150, 0))})
    roles = (("voltage", "voltage_house_v"), ("current", "current_house_a"))
    got = meter("meter_float.toml", line, roles).read()
    assert all(math.isnan(v) for v in got.values.values())
    assert got.counts["voltage_house_v"] == {"bad": 1}
    assert "unit 7: voltage_house_v: register 20 reads 0x414c 0xcccd" in got.notes[0]
    assert "word order?" in got.notes[0]
    assert "0x4150 0x0000 = 2.34e-41, word order?" in got.notes[1]
    line = Line(registers={(4, 0x100): 0xFFFE, (4, 0x101): 0})
    got = meter("meter_shunt.toml", line, roles).read()
    assert math.isnan(got.values["voltage_house_v"])
    assert "got 655.34, expected 0 to 80, scale or type?" in got.notes[0]


def test_every_fault_of_a_map_is_told(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(
        '[meter]\nword_order = "middle"\n'
        '[[register]]\nrole = "voltage"\ntype = "int8"\n'
        '[[register]]\nrole = "voltage"\naddress = 1\ntype = "int16"\n'
        'not_implemented = "none"\nscael = 2\n'
    )
    with pytest.raises(FaultsError) as error:
        read_map(path)
    text = str(error.value)
    for part in (
        'bad.toml:2: meter.word_order: got "middle", expected big or little',
        "register[1].address: got nothing",
        'register[1].type: got "int8", expected int16',
        'register[2].role: got "voltage", expected each role once',
        'register[2].not_implemented: got "none"',
        "register[2].scael: got no such key, expected scale",
    ):
        assert part in text
    path.write_text("[meter]\n")
    with pytest.raises(FaultsError, match="at least one"):
        read_map(path)


def test_roles_that_a_map_has_not_are_refused():
    with pytest.raises(InputError, match='"volts", expected one of voltage, current'):
        meter("meter_shunt.toml", Line(), (("volts", "voltage_house_v"),))
    with pytest.raises(InputError, match="channels: got none"):
        meter("meter_shunt.toml", Line())
