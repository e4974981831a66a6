"""Cable sums: identities and refusals; published values are in tests/reference."""

from __future__ import annotations

import pytest

from campledger.judge.cables import (
    JOINTS,
    TEMP_WORKING,
    best_reading,
    loop_largest,
    loop_resistance,
    smaller_readings,
)


def test_loop_counts_out_and_back():
    assert loop_resistance(2.0, 4.0) == pytest.approx(2 * loop_resistance(1.0, 4.0))
    assert loop_resistance(1.0, 4.0, joints=0.01) == pytest.approx(
        loop_resistance(1.0, 4.0) + 0.01
    )


@pytest.mark.parametrize(("length", "area"), [(0.0, 4.0), (1.0, 0.0), (-1.0, 4.0)])
def test_nonsense_is_refused(length, area):
    with pytest.raises(ValueError, match="expected both above 0"):
        loop_resistance(length, area)


def test_unknown_size_has_no_standard_limit():
    assert loop_largest(1.0, 4.6) is None


def test_readings_are_smaller_and_sorted():
    found = smaller_readings("10 AWG", 5.26)
    areas = [r.area for r in found]
    assert areas == sorted(areas, reverse=True)
    assert max(areas) < 5.26
    assert any("AWG" in r.words for r in found)
    assert not any("AWG" in r.words for r in smaller_readings("6 mm2", 6.0))


def test_best_reading_prefers_the_usual_mistake():
    wanted = loop_resistance(5.0, 1.85, temp=TEMP_WORKING, joints=JOINTS)
    found = best_reading(wanted, 5.0, smaller_readings("6 mm2", 6.0))
    assert found is not None
    assert found.words == "4 mm auto cable"


def test_nothing_fits_a_bad_joint():
    assert best_reading(3.0, 5.0, smaller_readings("6 mm2", 6.0)) is None
