import re

from tests.support.answers import OFFSET, invented_fitout

from campledger.present.report_html import Chart
from campledger.present.report_installer import installer_section
from campledger.present.text_fitout import (
    PAGE,
    fitout_text,
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
    html = "".join(b for b in section.blocks if isinstance(b, str))
    listed = re.findall(r'scope="row">(C\d+)', html)
    assert listed == ["C1", "C3", "C9", "C18", "C28"]
    assert "fault" in html
    assert "explained by C1" in html
    assert "scale = -1" in html
