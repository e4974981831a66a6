"""Cable words to copper."""

import pytest

from campledger.formats.cable_size import copper_area


@pytest.mark.parametrize(
    ("size", "area", "tolerance"),
    [
        ("6 mm2", 6.0, 0),
        ("6 mm auto", 4.6, 0),  # touring couple's cable table
        # 8.37 and 13.3 mm2: the same table; ASTM B258 gives 8.366 and 13.30
        ("8 B&S", 8.37, 0.01),
        ("6 B&S", 13.3, 0.01),
        ("10 AWG", 5.261, 0.001),  # ASTM B258-02 table, from memory
        ("2/0 AWG", 67.43, 0.01),  # ASTM B258-02 table, from memory
        ("00 AWG", 67.43, 0.01),
    ],
)
def test_copper(size, area, tolerance):
    assert copper_area(size) == pytest.approx(area, abs=tolerance + 1e-9)


@pytest.mark.parametrize("size", ["6mm", "6", "", "7 mm auto", "0 mm2", "9999 mm2"])
def test_words_that_name_no_copper(size):
    assert copper_area(size) is None
