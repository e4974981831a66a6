import re
from dataclasses import replace

import numpy as np
import pytest
from tests.support.answers import OFFSET, invented_enough, invented_fitout
from tests.support.report_trip import START, invented_data, invented_trip

from campledger.judge.statement import make_statement
from campledger.model.estimates import Estimate
from campledger.model.plan import FrozenPlan
from campledger.model.rig import Correction
from campledger.model.words import Word
from campledger.present.report import POLICY, report_html, write_report
from campledger.present.report_data import build_report_data, stretches
from campledger.present.report_days import bars_chart, clock_chart, load_days
from campledger.present.report_detail import detail_chart, fridge_chart
from campledger.present.report_html import Chart, Row, Section, figure_cell, table
from campledger.present.report_installer import installer_section
from campledger.present.report_sections import all_sections, biggest_miss
from campledger.present.report_soc import low_chart, soc_chart, soc_sentence
from campledger.present.report_words import (
    assumptions,
    cannot_tell,
    counted,
    gap_words,
)
from campledger.present.wording import NO_BREAK


@pytest.fixture(scope="module")
def trip():
    return invented_trip(days=6, dt=120.0)


@pytest.fixture(scope="module")
def data(trip):
    record, rig, plan, estimates, statement = trip
    section = installer_section(invented_fitout(), OFFSET)
    return build_report_data(
        statement,
        record,
        estimates,
        rig,
        plan=plan,
        enough=invented_enough(),
        sections=(section,),
    )


@pytest.fixture(scope="module")
def html(data):
    return report_html(data)


def _body(html):
    """The part that people read, without the chart library."""
    return html[html.index("<body>") : html.index("<script>")]


def test_the_verdict_stands_first_and_sections_in_their_order(html):
    body = _body(html)
    assert body.index('class="verdict"') < body.index("<h2>")
    order = re.findall(r'<section id="(\w+)">', body)
    assert order == [
        "missing",
        "misses",
        "statement",
        "battery",
        "flows",
        "fridge",
        "detail",
        "assumed",
        "gaps",
        "installer",
        "cautions",
    ]


def test_the_answer_at_the_end_stands_below_the_verdict(html):
    text = _body(html).replace(NO_BREAK, " ")
    assert "(Fri 1 May, 6:19 pm): Yes - 8 Ah to spare, give or take 3. Until" in text


def test_no_request_can_leave_the_page(html):
    assert f'content="{POLICY}"' in html
    outside = html.split("<script>")[0]
    assert not re.search(r'(src|href)="(?!#|data:)', outside)
    assert "http" not in POLICY


def test_names_and_notes_are_escaped(html):
    assert "<img" not in _body(html)
    assert "&lt;/script&gt;&lt;img src=http://x.invalid/a&gt;" in html
    assert "Demo van &lt;b&gt;&amp;." in html
    assert "Moved camp to &lt;the&gt; shade" in html


def test_nothing_typed_by_a_person_enters_a_chart(html):
    script = html[html.rindex("docs_json") :]
    assert "$$" not in script
    assert "Gorge" not in script


def test_charts_are_few_and_each_has_a_sentence_and_a_table(html, data):
    charts = [b for s in all_sections(data) for b in s.blocks if isinstance(b, Chart)]
    assert 8 <= len(charts) <= 12
    assert _body(html).count('class="chart"') == len(charts)
    for chart in charts:
        assert len(chart.see) > 20
        assert re.search(r"\d", chart.see)
        assert "<table" in chart.figures
        assert "nan" not in chart.see.lower()


def test_no_nan_or_python_word_reaches_a_reader(html):
    text = re.sub(r"<[^>]+>", " ", _body(html))
    assert not re.search(r"\b(nan|None|inf|array|np\.)\b", text)


def test_one_file_is_written_whole_and_replaces_the_old(tmp_path, data):
    out = tmp_path / "trip.html"
    out.write_text("old")
    size = write_report(out, data)
    assert out.stat().st_size == size <= 2.5e6
    assert list(tmp_path.iterdir()) == [out]


def test_every_account_in_the_page_adds_up_with_a_pencil(html):
    sums = re.findall(r'class="pencil">([^<]+)<', html)
    assert len(sums) == 8  # seven camp days and the trip
    for text in sums:
        left, right = text.replace("−", "-").replace(" ", "").split("=")
        terms = re.findall(r"[+-]?[\d.]+", left.replace("--", "+"))
        assert sum(map(float, terms)) == pytest.approx(float(right), abs=1e-9)


def test_spikes_stay_in_the_detail(trip, data):
    lowest = np.nanmin(trip[0].channels["current_house_a"].value)
    trace = next(t for t in data.details if t.name == "current_house_a")
    assert np.nanmin(trace.value) == lowest


def test_the_gap_is_listed_with_its_volts_and_never_as_thrift(html, data):
    assert len(data.gaps) == 1
    assert data.gaps[0].duration == pytest.approx(7 * 3600, abs=400)  # the spacing
    assert "no record. What was not used then is not thrift" in html
    assert "dark, battery likely flat" in gap_words(10.9, 11.8, 11.0)
    assert "nothing is known" in gap_words(float("nan"), 12.0, 11.0)


def test_nights_and_drives_come_from_the_record(data):
    assert len(data.nights) == 6
    assert all(8 * 3600 < n.duration < 15 * 3600 for n in data.nights)
    assert data.drives
    assert all(d.kind == "drive" for d in data.drives)


def test_engine_state_or_speed_tell_of_drives(trip):
    record, rig, plan, estimates, statement = trip
    for name, level in (("state_engine", 1.0), ("speed_vehicle_mps", 20.0)):
        source = record.channels["voltage_house_v"]
        on = (source.time_utc > START + 7200) & (source.time_utc < START + 10800)
        channel = replace(source, value=np.where(on, level, 0.0))
        channels = {**record.channels, name: channel}
        minutes = type(record.minutes)(channels, record.minute_utc)
        other = replace(record, channels=channels, minutes=minutes)
        found = build_report_data(statement, other, estimates, rig, plan=plan)
        assert len(found.drives) == 1
        assert found.drives[0].duration == pytest.approx(3600, abs=240)  # two readings


def test_without_position_no_night_is_shaded_and_dawn_is_assumed(trip):
    record, rig, _, estimates, _ = trip
    lost = replace(rig, latitude=None, longitude=None)
    statement = make_statement(record, lost, estimates)
    found = build_report_data(statement, record, estimates, lost)
    assert found.nights == ()
    assert "Dawn at 6 am: no position is known." in assumptions(found)


def test_what_could_not_be_told_names_the_channel(trip, data):
    record, rig, _, estimates, statement = trip
    channels = {n: c for n, c in record.channels.items() if n not in {"temp_air_c"}}
    other = replace(
        record,
        channels=channels,
        minutes=type(record.minutes)(channels, record.minute_utc),
    )
    found = build_report_data(statement, other, estimates, rig)
    assert any("temp_air_c" in line for line in cannot_tell(found))
    assert any("voltage_start_v" in line for line in cannot_tell(data))


def test_groups_and_missing_loads_are_said(data):
    loads = tuple(
        replace(x, group=("lights", "inverter"))
        if x.name in {"lights", "inverter"}
        else x
        for x in data.estimates.loads
    )
    total = data.statement.total
    lines = tuple(
        replace(a, word=Word.MISSING) if a.name == "fridge" else a for a in total.loads
    )
    other = replace(
        data,
        estimates=replace(data.estimates, loads=loads),
        statement=replace(data.statement, total=replace(total, loads=lines)),
    )
    texts = " ".join(cannot_tell(other))
    assert "Inverter and Lights: only their sum is known" in texts
    assert "Fridge: not measured and not to be worked out." in texts


def test_revisions_of_the_plan_are_shown_and_replace_nothing(trip):
    record, rig, plan, estimates, statement = trip
    later = FrozenPlan(
        plan=plan, frozen_utc=START + 90000, revision=2, status="revision"
    )
    found = build_report_data(
        statement, record, estimates, rig, plan=plan, revisions=(later,)
    )
    text = report_html(found).replace(NO_BREAK, " ")
    assert "1 later revision (Sat 2 May, 9 am) did not replace it." in text


def test_a_trip_without_a_plan_or_sources_or_air_still_reads(trip):
    found = invented_data(days=2, dt=300.0, plan=False, holes=False)
    html = report_html(found)
    assert "No plan was entered before the trip." in html
    assert "What each one used" in html
    assert "not planned" not in html
    bare = replace(found.estimates, sources=(), fridges=())
    total = replace(found.statement.total, sources=())
    days = tuple(replace(d, sources=()) for d in found.statement.days)
    other = replace(
        found,
        estimates=bare,
        fridges=(),
        statement=replace(found.statement, total=total, days=days),
    )
    assert bars_chart(other, "in") is None
    assert 'id="fridge"' not in report_html(other)


def test_an_uncounted_battery_says_so(data):
    battery = replace(
        data.estimates.battery,
        soc=data.estimates.battery.soc * np.nan,
        anchors=(),
    )
    days = tuple(replace(d, low_point=None) for d in data.statement.days)
    other = replace(
        data,
        estimates=replace(data.estimates, battery=battery),
        statement=replace(
            data.statement,
            days=days,
            total=replace(data.statement.total, low_point=None),
        ),
    )
    assert "could not be told" in soc_sentence(other)
    assert low_chart(other) is None
    assert "the count was never checked" in report_html(other)


def test_no_full_charge_is_said(data):
    battery = replace(data.estimates.battery, anchors=())
    other = replace(data, estimates=replace(data.estimates, battery=battery))
    assert "no full charge was seen" in soc_sentence(other)
    assert "anchor" not in soc_chart(other).key


def test_many_loads_are_drawn_with_the_small_ones_together():
    found = invented_data(days=3, dt=300.0, extra=9)
    chart = bars_chart(found, "out")
    assert chart is not None
    assert "6 smaller ones" in chart.key
    assert chart.key.count("<svg") == 10
    assert len(load_days(found)) == 13


def test_a_flat_fridge_line_claims_no_slope(data):
    model = replace(data.estimates.fridges[0], covariance=np.diag([9.0, 9.0]))
    chart = fridge_chart(data, model)
    assert chart is not None
    assert "too few or too alike" in chart.see


def test_the_fitted_slope_is_given_with_its_spread(data):
    chart = fridge_chart(data, data.estimates.fridges[0])
    assert chart is not None
    assert "1.55 Ah a day, give or take 0.15" in chart.see


def test_channels_without_a_chart_are_left_out(data):
    trace = replace(data.details[0], name="voltage_start_v")
    assert detail_chart(data, trace) is None


def test_beyond_twelve_charts_sentence_and_figures_stand_alone(data):
    more = tuple(
        Section(slug=f"more{i}", title="More", blocks=(soc_chart(data),))
        for i in range(4)
    )
    page = report_html(replace(data, sections=more))
    assert _body(page).count('class="chart"') == 12
    assert _body(page).count('class="see">Lowest on ') == 5


def test_the_biggest_miss_is_named_or_nothing_is_said(data):
    assert biggest_miss(data).startswith("The plan missed most with ")
    none = replace(data, statement=replace(data.statement, misses=()))
    assert biggest_miss(none) == ""
    same = tuple(replace(m, cause="as planned") for m in data.statement.misses)
    as_planned = replace(data, statement=replace(data.statement, misses=same))
    assert biggest_miss(as_planned) == "Every load went about as planned."


def test_stretches_of_minutes():
    minute = 60.0 * np.arange(1, 11)
    flag = np.zeros(10, dtype=bool)
    flag[2:5] = True
    flag[9] = True
    found = stretches(flag, minute)
    assert [(s.start_utc, s.end_utc) for s in found] == [(120.0, 300.0), (540.0, 600.0)]
    assert len(stretches(flag, minute, least=100.0)) == 1


def test_tables_escape_and_set_true_minus_signs():
    out = table(("a<", "b"), [Row(name="<x>", cells=("-1.5",), below="y & z")])
    assert "&lt;x&gt;" in out
    assert "−1.5" in out
    assert "y &amp; z" in out
    assert "–" in figure_cell("--")


def test_an_unknown_capacity_gives_shares_and_no_amp_hours(data):
    def blind(day):
        return replace(day, low_point=replace(day.low_point, spare=float("nan")))

    statement = data.statement
    days = tuple(blind(d) for d in statement.days)
    other = replace(
        data, statement=replace(statement, days=days, total=blind(statement.total))
    )
    assert "how many Ah that is cannot be told" in soc_sentence(other)
    assert low_chart(other) is None
    assert "nan" not in re.sub(r"<[^>]+>", " ", _body(report_html(other)))


def test_a_morning_draws_no_day_by_the_clock(data):
    hours = {
        n: np.where(np.arange(24) < 3, v, np.nan) for n, v in data.clock_hours.items()
    }
    assert clock_chart(replace(data, clock_hours=hours)) is None
    assert clock_chart(data) is not None


def test_one_camp_day_is_not_every_one(data):
    statement = data.statement
    first = replace(statement.days[0], low_point=replace(statement.days[0].low_point))
    chart = low_chart(replace(data, statement=replace(statement, days=(first,))))
    assert chart.see.startswith("The one camp day kept")


def test_corrections_and_guesses_are_listed_as_assumed(data):
    item = Correction(
        channel="current_house_a", scale=-1.0, reason="sense leads swapped"
    )
    other = replace(data, rig=replace(data.rig, corrections=(item,)))
    texts = " ".join(assumptions(other))
    assert "current_house_a are corrected: -1.000 x raw 0.000" in texts
    assert "(sense leads swapped)" in texts
    assert "In the plan, guessed: " in texts


def test_notes_of_estimators_stand_once_under_how_it_was_counted(data):
    loads = tuple(replace(x, notes=("from the sum",)) for x in data.estimates.loads)
    fridges = tuple(replace(x, notes=("few days",)) for x in data.estimates.fridges)
    other = replace(
        data,
        estimates=replace(data.estimates, loads=loads, fridges=fridges),
        statement=replace(data.statement, notes=("two shunts", "two shunts")),
    )
    found = counted(other)
    assert found.count("Two shunts.") == 1
    assert "This logger: from the sum." in found
    assert "Fridge: few days." in found


def test_a_battery_without_volts_or_current_says_what_is_missing(data):
    nothing = Estimate.missing("no current")
    battery = replace(data.estimates.battery, capacity=nothing, resistance=nothing)
    other = replace(
        data,
        channels=frozenset({"voltage_house_v"}),
        details=(),
        estimates=replace(data.estimates, battery=battery),
        statement=replace(data.statement, capacity=nothing),
    )
    text = " ".join(cannot_tell(other))
    assert "current_house_a is not recorded" in text
    assert "What the battery really holds: no current." in text
    page = report_html(other)
    assert "can&#x27;t tell: no current" in page
    assert 'id="detail"' not in page
