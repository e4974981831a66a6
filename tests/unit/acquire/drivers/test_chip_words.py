"""Register examples of data sheets: bytes in, quantity out; the source beside each."""

import math

import pytest

from campledger.acquire.drivers import probes
from campledger.acquire.drivers.chips import (
    ads1115,
    ina219,
    ina226,
    ina228,
    ina238,
    ina3221,
    lm75,
    mcp9808,
    tmp102,
    tmp117,
)
from campledger.acquire.drivers.onewire import checksum, decode_scratch, decode_text
from campledger.acquire.drivers.word import signed

EXACT = 1e-12  # same algebra, only float rounding


def word(value, size=2):
    return value.to_bytes(size, "big")


# INA219 data sheet SBOS448F, Table 3 (worked example): 1 mA a count, 2 mOhm
def test_ina219_worked_example():
    assert ina219.calibration_word(1e-3, 2e-3) == 20480
    assert ina219.current_count(0x07D0, 20480) == 10000
    drop = ina219.decode_shunt(word(0x07D0))
    volts = ina219.decode_bus(word(0x5D98))
    assert drop.value == pytest.approx(0.020, abs=EXACT)
    assert volts.value == pytest.approx(11.98, abs=EXACT)
    # printed power word 1766h = 5990 counts of 20 mA.V; ours is volts times amperes
    assert drop.value / 2e-3 * volts.value == pytest.approx(119.8, abs=0.02)


# INA226 data sheet SBOS547, Table 1 and 7.5 (worked example): 1 mA a count, 2 mOhm
def test_ina226_worked_example():
    assert ina226.calibration_word(1e-3, 2e-3) == 2560
    assert ina226.current_count(0x1F40, 2560) == 10000
    drop, volts = ina226.decode_shunt(word(0x1F40)), ina226.decode_bus(word(0x2570))
    assert drop.value / 2e-3 == pytest.approx(10.0, abs=EXACT)
    assert volts.value == pytest.approx(11.98, abs=EXACT)
    # printed power 119.82 W, power word 4792 of 25 mW
    assert drop.value / 2e-3 * volts.value == pytest.approx(4792 * 25e-3, abs=0.025)


# INA226 data sheet SBOS547, p. 20, steps 1-6; the same word on an INA219 is -320 mV
def test_the_same_word_differs_by_chip():
    assert ina226.decode_shunt(word(0x8300)).value == pytest.approx(-0.080, abs=EXACT)
    assert ina219.decode_shunt(word(0x8300)).value == pytest.approx(-0.320, abs=EXACT)


# INA226-Q1, INA230 and INA231 data sheets, config register and averaging
def test_ina226_config_word_and_update_time():
    assert ina226.update_time(0x4127) == pytest.approx(2.2e-3, rel=EXACT)
    config = 0x4000 | 1 << 9 | 3 << 6 | 3 << 3 | 7
    assert ina226.update_time(config) == pytest.approx(4.704e-3, rel=EXACT)


# From INA226 equations 1 and 2 for a 500 A / 50 mV shunt
def test_ina226_with_a_large_shunt():
    assert ina226.calibration_word(20e-3, 100e-6) == 2560
    assert pytest.approx(25e-3, rel=EXACT) == ina226.SHUNT_LSB / 100e-6
    top = ina226.decode_shunt(word(0x7FFF))
    assert top.clipped
    assert pytest.approx(819.2, rel=EXACT) == 32768 * ina226.SHUNT_LSB / 100e-6
    assert pytest.approx(15.259e-3, rel=5e-5) == 500 / 32768  # printed to 5 digits


# Chip vendor's support forum, INA226 shunt readings: 10 mOhm, 0.25 mA a count, 56 mA
def test_ina226_user_example():
    assert ina226.calibration_word(0.25e-3, 10e-3) == 2048
    assert ina226.current_count(224, 2048) == 224
    assert ina226.decode_shunt(word(224)).value / 10e-3 == pytest.approx(
        0.056, abs=EXACT
    )


# INA229 data sheet SLYS023A, Table 8-4: largest current 10 A
def test_ina228_result_table():
    lsb = ina228.current_lsb(10.0)
    drop = ina228.decode_shunt(word(311040 << 4, 3))
    assert drop.value == pytest.approx(0.0972, rel=1e-5)
    assert 314572 * lsb == pytest.approx(6.0, rel=1e-5)
    assert ina228.decode_bus(word(245760 << 4, 3)).value == pytest.approx(
        48.0, rel=1e-5
    )
    assert 4718604 * lsb * ina228.POWER_FACTOR == pytest.approx(288.0, rel=1e-5)
    assert 1061683200 * lsb * ina228.ENERGY_FACTOR == pytest.approx(1036800, rel=1e-5)
    assert 1132462080 * lsb * ina228.CHARGE_FACTOR == pytest.approx(21600, rel=1e-5)
    assert ina228.decode_temp(word(3200)).value == pytest.approx(25.0, abs=EXACT)
    # closed form: an hour of 288 W and 6 A
    assert 288 * 3600 == 1036800
    assert 6 * 3600 == 21600


# INA229 data sheet SLYS023A, text below Table 8-4
def test_ina228_twenty_bit_sign():
    raw = 0b10110100000100000000
    assert signed(raw, 20) == -311040
    assert ina228.decode_shunt(word(raw << 4, 3)).value == pytest.approx(
        -0.0972, abs=EXACT
    )


# R = 97.2 mV / 6 A of Table 8-4; the constant 13107.2e6 from memory
def test_ina228_calibration():
    lsb = ina228.current_lsb(10.0)
    assert lsb == pytest.approx(19.0735e-6, rel=1e-5)
    assert ina228.calibration_word(lsb, 16.2e-3) == 4050


# INA238 SLYS025B and INA229-Q1: four times in the small range (INA236 SBOSA81D divides)
def test_small_range_multiplies_the_calibration():
    lsb = ina228.current_lsb(2.0)
    for module in (ina228, ina238):
        wide = module.calibration_word(lsb, 16.2e-3)
        small = module.calibration_word(lsb, 16.2e-3, small=True)
        assert small == pytest.approx(4 * wide, abs=2)  # each is rounded
        drop = module.decode_shunt(
            word(1000, 2) if module is ina238 else word(16000, 3)
        )
        fine = module.decode_shunt(
            word(1000, 2) if module is ina238 else word(16000, 3), small=True
        )
        assert drop.value == pytest.approx(4 * fine.value, rel=EXACT)


# INA238 data sheet SLYS025B, 7.6: 5 uV, 3.125 mV, 125 mC (LSBs from memory)
def test_ina238_words():
    assert ina238.decode_shunt(word(0xFFFF)).value == pytest.approx(-5e-6, abs=EXACT)
    assert ina238.decode_bus(word(4096)).value == pytest.approx(12.8, abs=EXACT)
    assert ina238.decode_temp(word(200 << 4)).value == pytest.approx(25.0, abs=EXACT)
    assert ina238.decode_bus(word(0x8000)).refused


# INA3221 data sheet SBOS576B, p. 27
def test_ina3221_word():
    assert ina3221.decode_shunt(word(0xC180)).value == pytest.approx(-0.080, abs=EXACT)
    assert ina3221.decode_bus(word(1600 << 3)).value == pytest.approx(12.8, abs=EXACT)
    assert ina3221.decode_shunt(word(0xFFFF)).refused
    assert ina3221.decode_bus(word(0xFFFF)).refused
    assert ina3221.decode_shunt(word(0x7FF8)).clipped


# INA236 data sheet SBOSA81D, Table 8-4: 1.6 mV a count of bus, else as the INA226
def test_ina236_result_table():
    assert ina226.decode_shunt(word(19200)).value == pytest.approx(0.048, abs=EXACT)
    assert ina226.decode_bus(word(7500), 1.6e-3).value == pytest.approx(12.0, abs=EXACT)
    assert ina226.current_count(19200, 1280) == 12000
    assert pytest.approx(4500 * 32 * 500e-6, rel=EXACT) == 12000 * 500e-6 * 12.0


# ADS111xL data sheet, Table 8-1
def test_ads1115_counts():
    scales = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256)
    counts = [ads1115.lsb(full) * 1e6 for full in scales]
    expected = [187.5, 125, 62.5, 31.25, 15.625, 7.8125]
    assert counts == pytest.approx(expected, rel=EXACT)


# ADS114S0x data sheet SBAS815A, Table 23 (same coding)
@pytest.mark.parametrize(
    ("raw", "share", "clipped"),
    [
        (0x7FFF, 32767 / 32768, True),
        (0x0000, 0.0, False),
        (0xFFFF, -1 / 32768, False),
        (0x8000, -1.0, True),
    ],
)
def test_ads1115_code_ends(raw, share, clipped):
    got = ads1115.decode_result(word(raw), 4.096)
    assert got.value == pytest.approx(4.096 * share, abs=EXACT)
    assert got.clipped is clipped


# TMP102 data sheet SBOS397C, Table 5; TMP102-Q1 Table 7-2
@pytest.mark.parametrize(
    ("code", "temp"),
    [
        (0x7FF, 127.9375),
        (0x640, 100),
        (0x320, 50),
        (0x190, 25),
        (0x004, 0.25),
        (0xFFC, -0.25),
        (0xE70, -25),
    ],
)
def test_tmp102_table(code, temp):
    assert tmp102.decode_temp(word(code << 4)).value == temp


# TMP1075 data sheet SBOS854F, Table 7-1 (LM75 style)
@pytest.mark.parametrize(
    ("raw", "temp"), [(0x1900, 25), (0x0040, 0.25), (0xE700, -25), (0xCE00, -50)]
)
def test_lm75_table(raw, temp):
    assert lm75.decode_temp(word(raw)).value == temp


# TMP117 data sheet SNOSD82D, Table 7-1
@pytest.mark.parametrize(
    ("raw", "temp"), [(0x0C80, 25), (0x3200, 100), (0x0080, 1), (0xF380, -25)]
)
def test_tmp117_table(raw, temp):
    assert tmp117.decode_temp(word(raw)).value == temp


# TMP116 data sheet SBOS740A, register description: before the first conversion
def test_power_on_word_is_no_temperature():
    got = tmp117.decode_temp(word(0x8000))
    assert math.isnan(got.value)
    assert "no conversion" in got.refused


# TMP127-Q1 data sheet JAJSK89A: its two constant ones mark another chip
@pytest.mark.parametrize("raw", [0x0C83, 0x0003])
def test_words_of_another_chip_are_refused(raw):
    assert lm75.decode_temp(word(raw)).refused
    assert tmp102.decode_temp(word(raw)).refused


# MCP9804/9808 data sheet, 5.1.3.1: flags above the sign; the byte pair is made
def test_mcp9808_flags():
    assert mcp9808.decode_temp(bytes([0xC1, 0x94])).value == 25.25
    assert mcp9808.decode_temp(bytes([0x1E, 0x70])).value == -25.0
    assert mcp9808.decode_temp(bytes([0xFF, 0xFF])).value == -0.0625


# DS18B20 table, as a probe handbook reprints it
@pytest.mark.parametrize(
    ("raw", "temp"),
    [(0x07D0, 125), (0x0550, 85), (0x0190, 25), (0x0000, 0), (0xFC90, -55)],
)
def test_ds18b20_table(raw, temp):
    assert decode_scratch(raw.to_bytes(2, "little")) == temp


def listing(data, mark, thousandths):
    line = f"{data} : crc={data[-2:]} {mark}\n{data} t={thousandths}\n"
    return line.replace(data + " :", data + " :")


# Linux kernel, w1_therm; listings from a forum post and from a question
@pytest.mark.parametrize(
    ("data", "thousandths", "crc"),
    [
        ("3f 00 4b 46 7f ff 01 10 47", 3937, 0x47),
        ("5e 01 ff ff 7f ff ff ff 52", 21875, 0x52),
    ],
)
def test_kernel_listings(data, thousandths, crc):
    assert checksum(bytes.fromhex(data)[:8]) == crc
    got = decode_text(listing(data, "YES", thousandths))
    assert got.value == pytest.approx(thousandths / 1000, abs=EXACT)


# Linux kernel, w1_therm: after a NO the second line is stale
def test_failed_check_sum_is_refused():
    text = listing("3f 00 4b 46 7f ff 01 10 47", "NO", 3937)
    assert "check sum" in decode_text(text).refused
    wrong = listing("3f 00 4b 46 7f ff 01 10 48", "YES", 3937)
    assert "check sum" in decode_text(wrong).refused
    assert decode_text("").refused
    zeros = "00 00 00 00 00 00 00 00 00"
    assert "zeros" in decode_text(listing(zeros, "YES", 0)).refused


# A firmware's release note: "might report 85C if ... not been commanded"; CRC worked
def test_reset_value_is_refused_until_something_led_there():
    text = listing("50 05 4b 46 7f ff 0c 10 1c", "YES", 85000)
    assert "power-on" in decode_text(text, moved=False).refused
    assert decode_text(text).value == 85.0


# IEC 60751 as several sensor makers reprint it, +-0.005 Ohm
@pytest.mark.parametrize(
    ("temp", "ohm"),
    [
        (-40, 84.27),
        (0, 100.0),
        (10, 103.90),
        (50, 119.40),
        (100, 138.51),
        (200, 175.86),
    ],
)
def test_platinum_table(temp, ohm):
    made = probes.platinum_resistance(temp)
    assert made == pytest.approx(ohm, abs=0.005)
    assert probes.platinum_temperature(made) == pytest.approx(temp, abs=1e-6)


# IEC 60751 (1995/2008), tolerance classes
def test_platinum_tolerance():
    assert probes.platinum_tolerance(25, tight=True) == pytest.approx(0.20, abs=EXACT)
    assert probes.platinum_tolerance(25, tight=False) == pytest.approx(0.425, abs=EXACT)


# A thermistor maker's questions and answers: 10 kOhm, B 3380; +-0.1 %
@pytest.mark.parametrize(("temp", "ohm"), [(0, 28224), (50, 4160.1)])
def test_ntc_beta_equation(temp, ohm):
    made = probes.ntc_resistance(temp, nominal=10e3, beta=3380)
    assert made == pytest.approx(ohm, rel=1e-3)
    volts = 3.3 * made / (made + 10e3)
    back = probes.ntc_temperature(
        volts, supply=3.3, series=10e3, nominal=10e3, beta=3380
    )
    assert back == pytest.approx(temp, abs=1e-9)


# Arithmetic; 10 uV as largest offset from memory
def test_zero_error_as_charge():
    amps = 10e-6 / 100e-6
    assert amps * 24 == pytest.approx(2.4, rel=EXACT)


# No source: sign bits that cannot be, all ones
@pytest.mark.parametrize(
    "got",
    [
        ina219.decode_bus(b"\xff\xff"),
        ina226.decode_bus(b"\xff\xff"),
        ina226.decode_bus(b"\x80\x00"),
        ina228.decode_bus(b"\xff\xff\xff"),
        lm75.decode_temp(b"\xff\xff"),
        tmp102.decode_temp(b"\xff\xff"),
        ina219.decode_shunt(b"\x7f\xff"),
    ],
)
def test_impossible_words_are_refused(got):
    assert got.refused
    assert math.isnan(got.value)
