"""TMP1075 data sheet SBOS854F, Table 7-1."""

import pytest

from support.chip_bench import one_reading


@pytest.mark.parametrize(
    ("word", "temp"), [(0x1900, 25), (0x0040, 0.25), (0xE700, -25), (0xCE00, -50)]
)
def test_table(world, word, temp):
    registers = {0x00: word, 0x0F: 0x7500}
    found = one_reading(world, "tmp1075", registers, {"temp": "temp_fridge_c"})
    assert found.values["temp_fridge_c"] == temp
