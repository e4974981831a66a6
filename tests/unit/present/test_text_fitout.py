import re
from dataclasses import replace

from tests.support.answers import OFFSET, invented_fitout

from campledger.present.report_html import Chart
from campledger.present.report_installer import installer_section, picture_chart
from campledger.present.text_fitout import (
    PAGE,
    fitout_text,
    scaled,
    value_words,
)


def test_causes_come_first_and_symptoms_are_folded():
    text = fitout_text(invented_fitout())
    assert text.index("C1 Volt drop") < text.index("FOLDED UNDER A CAUSE")
    assert text.index("FOLDED UNDER A CAUSE") < text.index("C3 Title")
    assert "Explains C3." in text
    assert "not a certificate of compliance" in text


def test_every_alarm_ends_with_a_meter_step_and_its_limit_has_a_kind():
    text = fitout_text(invented_fitout())
    assert "Next: Meter + to +" in text
    assert "limit 85.0 milliohm (common practice)" in text
    assert "from 41 compressor starts" in " ".join(text.split())


def test_what_cannot_be_told_names_what_it_needs():
    text = fitout_text(invented_fitout())
    assert "C9 Title of C9 - needs voltage_alternator_in_v" in text


def test_lines_fit_the_page():
    assert max(map(len, fitout_text(invented_fitout()).splitlines())) <= PAGE


def test_a_finding_without_figures_has_no_value_words():
    assert value_words(invented_fitout().finding("C18")) == ""


def test_the_section_draws_the_proof_of_each_alarm_and_lists_all():
    section = installer_section(invented_fitout(), OFFSET)
    charts = [b for b in section.blocks if isinstance(b, Chart)]
    assert [c.title for c in charts] == [
        "Volts lost on the way to the fridge",
        "Current through the night",
    ]
    assert charts[0].see.startswith("30 points: 0.02 to 0.47 upwards, for 0.00 to 4.20")
    assert charts[0].see.endswith("the dashed line: 107 milliohm.")
    assert "the most on Fri 1 May, 6:20 pm" in charts[1].see
    html = "".join(b for b in section.blocks if isinstance(b, str))
    listed = re.findall(r'scope="row">(C\d+)', html)
    assert listed == ["C1", "C3", "C9", "C18", "C28"]
    assert "fault" in html
    assert "explained by C1" in html
    assert "scale = -1" in html


def test_a_long_axis_label_stands_above_the_chart():
    picture = replace(
        invented_fitout().causes[0].picture,
        y_label="change of battery volts minus fridge volts, V",
    )
    chart = picture_chart(picture, OFFSET)
    assert chart.model.yaxis[0].axis_label == "V"
    assert "upwards: change of battery volts" in chart.key
    assert picture_chart(replace(picture, x=(), y=()), OFFSET) is None


def test_shares_are_given_in_per_cent_and_ohms_in_milliohm():
    assert scaled(0.13, "share of a day") == (13.0, "% of a day")
    assert scaled(0.107, "Ohm") == (107.0, "milliohm")
    assert scaled(2.0, "A.h") == (2.0, "Ah")
