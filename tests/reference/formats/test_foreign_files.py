"""
Forty foreign recordings of our own making, right to the last digit.

Checked against decimal arithmetic and ``zoneinfo`` (Python's own, with tzdata). Some of
the files were made while the reader was being written and helped to find its faults, so
they show what it can do, not what it will meet; the mutated files are new every seed.
"""

import numpy as np
import pytest

from campledger.errors import InputError
from campledger.formats.foreign import propose_map
from campledger.formats.mapfile import read_map, write_map
from campledger.formats.recording import read_recording
from support.foreign_files import forty


def ask(tmp_path, text, **answers):
    path = tmp_path / "trip7.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        propose_map(path, answers=answers)
    return str(caught.value)


def rows(form, count=40):
    return "".join(form(k) + "\n" for k in range(count))


@pytest.mark.parametrize("foreign", list(forty()), ids=lambda f: f.name)
def test_every_good_row_is_in_to_the_last_digit(foreign, tmp_path):
    path = tmp_path / foreign.name
    path.write_bytes(foreign.data)
    proposal = propose_map(path, zone=foreign.zone, answers=foreign.answers)
    file = tmp_path / "recording.toml"
    file.write_text(write_map(proposal.layout, found=proposal.left_out))
    layout = read_map(file)
    times, volts, amps = [], [], []
    with read_recording(path, layout) as recording:
        for chunk in recording:
            times += np.round(chunk.time_utc * 1e6).astype(np.int64).tolist()
            volts += chunk.values["voltage_house_v"].tolist()
            amps += chunk.values["current_house_a"].tolist()
    summary = recording.summary
    assert times == list(foreign.truth)
    assert volts == [float(v) for v, _ in foreign.truth.values()]
    wanted = [np.nan if a is None else float(a) for _, a in foreign.truth.values()]
    np.testing.assert_array_equal(amps, wanted)
    assert (summary.aside, summary.missing) == (foreign.aside, foreign.missing)
    assert path.read_bytes() == foreign.data


def test_day_and_month_are_asked(tmp_path):
    """job.md X8: the hint helps and is never applied."""
    text = "time,U [V],I [A]\n" + rows(
        lambda k: f"0{3 + k // 14}/04/2025 06:{k:02d}:00,12.{k:02d},{k}", 42
    )
    assert ask(tmp_path, text) == (
        'trip7.csv:2: time: got "03/04/2025 06:00:00", expected to know day from '
        "month. Give --set date_order=dmy or mdy "
        "(as day/month this file spans 3 days, as "
        "month/day 62). Nothing loaded."
    )


def test_a_day_above_twelve_decides(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(
        "time,U [V],I [A]\n"
        + rows(
            lambda k: f"{11 + k // 20}/04/2025 06:{k % 60:02d}:00,12.{k:02d},{k}", 60
        )
    )
    proposal = propose_map(path, answers={"current_sign": "+in"})
    assert proposal.layout.time.date_order == "dmy"
    assert any('"13/04/2025" shows' in note for note in proposal.notes)


def test_unit_of_current_is_asked(tmp_path):
    """job.md X9."""
    text = "time,volts,current\n" + rows(
        lambda k: f"2025-04-01 06:10:{k:02d},12.{k:02d},{120 if k % 2 else 4310}"
    )
    assert ("got no unit; expected A or mA (as A this is 4310 A, as mA 4.31 A)") in ask(
        tmp_path, text
    )


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (
            "time,volts,I1 [A],I2 [A]\n"
            + rows(lambda k: f"2025-04-01 06:10:{k:02d},12.{k:02d},{k},{k}"),
            'trip7.csv:1: current: got two possible columns "I1 [A]" and "I2 [A]", '
            "expected one. Choose with --set current=I1 [A]. Nothing loaded.",
        ),
        (
            "time,volts,I [A]\n" + rows(lambda k: f"06:10:{k:02d},12.{k:02d},{k}"),
            'trip7.csv:2: time: got "06:10:00", expected a date too. Give --set '
            "start_date=YYYY-MM-DD. Nothing loaded.",
        ),
        (
            "Zeit,Temp\n" + rows(lambda k: f"2025-04-01 06:10:{k:02d},12.{k:02d}"),
            "trip7.csv:1: voltage: got columns Zeit, Temp, expected one for battery "
            "volts. Name it with --set voltage=NAME. Nothing loaded.",
        ),
        (
            "time,volts,I [A]\n" + rows(lambda k: f"2025-04-01 06:10:{k:02d},12.5,-3"),
            "trip7.csv:1: current: got charge and discharge could not be told apart; "
            "expected + on charge. Give --set current_sign=+in or +out. Nothing "
            "loaded.",
        ),
        (
            "time;U [mV];I [A]\n"
            + rows(lambda k: f"2025-04-01 06:{k:02d}:00;12,{k:03d};1"),
            'trip7.csv:2: decimal mark: got "12,000", expected one reading of the '
            "comma. Give --set decimal=, or decimal=. (then it parts thousands). "
            "Nothing loaded.",
        ),
    ],
    ids=["two currents", "no date", "no volts", "no sign", "comma"],
)
def test_what_two_answers_fit_is_asked_in_one_line(text, line, tmp_path):
    assert line in ask(tmp_path, text)


def test_answers_that_mean_nothing_are_refused(tmp_path):
    text = "time,volts\n" + rows(lambda k: f"2025-04-01 06:10:{k:02d},12.5")
    assert "--set current_sign" in ask(tmp_path, text, current_sign="up")
    assert "--set nonsense" in ask(tmp_path, text, nonsense="1")


def test_a_number_in_the_other_style_is_no_evidence_of_the_unit(tmp_path):
    """Found by damaging files: seed 77137 of bench_mutations."""
    path = tmp_path / "t.csv"
    path.write_text(
        "time|voltage|I [A]\n"
        + rows(lambda k: f"2025-04-21 06:10:{k:02d}|{12990 + k}.25|1", 40)
        + "2025-04-21 06:11:00|12993,96|1\n2025-04-21 06:11:01|1e999|1\n"
    )
    found = propose_map(path, answers={"current_sign": "+in"})
    assert found.layout.columns[0].unit == "mV"
