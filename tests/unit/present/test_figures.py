import pytest

from campledger.present.figures import (
    DAY,
    LABELS,
    frame,
    local_midnight,
    place_axis,
    time_axis,
)


def test_a_chart_has_no_tools_and_no_toolbar():
    chart = frame(height=200, y_label="volts", described="x")
    assert chart.toolbar_location is None
    assert chart.tools == []


def test_midnight_is_the_rigs_own():
    noon = 1777588200.0 + 4 * 3600  # noon at +09:30
    assert noon - local_midnight(noon, 9.5 * 3600) == 12 * 3600


@pytest.mark.parametrize("days", [0.2, 1.0, 3.0, 10.0, 30.0])
def test_labels_are_few_enough_for_a_phone(days):
    chart = frame(height=200, y_label="volts", described="x")
    start = 1777588200.0
    time_axis(chart, start, start + days * DAY, 9.5 * 3600)
    assert 1 <= len(chart.xaxis[0].ticker.ticks) <= LABELS


def test_places_are_labelled_from_nought():
    chart = frame(height=200, y_label="Ah", described="x")
    place_axis(chart, [f"Fri {i}" for i in range(30)])
    assert chart.xaxis[0].ticker.ticks[0] == 0.0
    assert len(chart.xaxis[0].ticker.ticks) <= LABELS
