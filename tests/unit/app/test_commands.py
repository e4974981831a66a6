"""The commands as a person types them: results, exit codes, one line a fault."""

import csv
import json
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from campledger.judge.statement_context import tenth

TOP = Path(__file__).resolve().parents[3]
RIG = TOP / "config" / "demo_rig.toml"
PLAN = TOP / "config" / "demo_plan.toml"


def test_importing_twice_changes_nothing(run, where, recording):
    before = run("statement", "--json", *where)
    code, out, _ = run("import", recording, *where)
    after = run("statement", "--json", *where)
    assert code == 0
    assert "17 280 rows already present" in out
    assert json.loads(before[1]) == json.loads(after[1])


def test_the_statement_adds_up_in_json(run, where):
    code, out, _ = run("statement", "--json", *where)
    assert code == 0
    for day in json.loads(out)["days"]:
        into = sum(x["measured_ah"] or 0 for x in day["in"].values())
        gone = sum(x["measured_ah"] or 0 for x in day["out"].values())
        left = (
            day["brought_forward_ah"]
            + into
            - gone
            - day["not_itemised_ah"]
            - day["charging_loss_ah"]
            - day["not_accounted_ah"]
        )
        assert tenth(left) == day["carried_forward_ah"]


def test_the_statement_compares_with_a_plan_given_afterwards(run, where):
    code, out, _ = run("statement", "--plan", PLAN, *where)
    assert code == 0
    assert "Plan given afterwards, not frozen." in out
    assert "planned" in out


def test_a_plan_for_other_dates_is_refused_in_one_line(run, where, tmp_path):
    other = tmp_path / "plan.toml"
    other.write_text(PLAN.read_text().replace("2026-03", "2026-08"))
    code, out, err = run("statement", "--plan", other, *where)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "expected dates of the trip" in err


def test_an_empty_interval_is_refused(run, where):
    code, out, err = run("statement", "--from", "2027-01-01", "--to", "+1h", *where)
    assert (code, out) == (2, "")
    assert "no readings there" in err


def test_enough_has_every_key_and_uses_nothing_later(run, where):
    at = "2026-03-07T18:00"
    code, out, _ = run("enough", "--at", at, "--json", *where)
    said = json.loads(out)
    assert code == 0
    wanted = (
        "at as_of basis verdict reason if until soc used_since_full_ah in_hand_ah "
        "spare_ah low_point hours_to_floor horizon_h chance_lasts car fridge savings "
        "nights_in_hand"
    )
    assert set(wanted.split()) <= set(said)
    assert said["as_of"] <= said["at"]


def test_strict_enough_tells_by_exit_code(run, where):
    at = "2026-03-07T18:00"
    code, out, _ = run("enough", "--at", at, "--json", "--strict", *where)
    said = json.loads(out)
    good = said["verdict"] == "yes" and said["car"]["verdict"] != "not_safe"
    assert code == (0 if good else 3)


def test_exported_csv_and_parquet_agree_for_an_independent_reader(run, where, tmp_path):
    names = "voltage_house_v,current_house_a,soc_house"
    for suffix in ("csv", "parquet", "lp"):
        out = tmp_path / f"x.{suffix}"
        words = ("--series", names, "--every", "60s", "--out", out)
        assert run("export", *words, *where)[0] == 0
    table = pq.read_table(tmp_path / "x.parquet")
    with (tmp_path / "x.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == table.num_rows
    volts = table["voltage_house_v"].to_pylist()
    for row, value in zip(rows, volts, strict=True):
        assert (float(row["voltage_house_v"]) if row["voltage_house_v"] else None) == (
            value
        )
    assert (tmp_path / "x.lp").read_text().count("\n") >= len(rows) - 1


def test_an_unknown_series_names_the_known_ones(run, where, tmp_path):
    out = tmp_path / "x.csv"
    words = ("--series", "voltage_hause_v", "--every", "60s", "--out", out)
    code, _, err = run("export", *words, *where)
    assert code == 2
    assert "expected voltage_house_v, or one of" in err
    assert not out.exists()


def test_a_report_is_one_file_without_addresses(run, where, tmp_path):
    out = tmp_path / "r.html"
    code, said, _ = run("report", "--out", out, "--json", *where)
    assert code == 0
    assert {"days", "total", "house", "loads", "sources", "verdict"} <= set(
        json.loads(said)
    )
    assert out.stat().st_size < 2.5e6


def test_fitout_gives_all_findings(run, where):
    code, out, _ = run("fitout", "--json", *where)
    findings = json.loads(out)["findings"]
    assert code == 0
    assert [f["id"] for f in findings] == [f"C{n}" for n in range(1, 60)]


def test_backup_and_restore_give_the_same_statement(run, where, tmp_path):
    copy, back = tmp_path / "copy.db", tmp_path / "back.db"
    assert run("backup", copy, *where)[0] == 0
    assert run("restore", copy, "--rig", RIG, "--store", back)[0] == 0
    ours = run("statement", "--json", *where)[1]
    theirs = run("statement", "--json", "--rig", RIG, "--store", back)[1]
    assert json.loads(ours) == json.loads(theirs)
    code, _, err = run("restore", copy, "--rig", RIG, "--store", back)
    assert code == 2
    assert "nothing overwritten" in err


def test_notes_are_stored(run, where):
    assert run("note", "swapped the plug", *where)[0] == 0
    assert run("note", " ", *where)[0] == 2


def test_a_plan_is_frozen_once_and_then_revised(run, tmp_path):
    options = ("--rig", RIG, "--store", tmp_path / "p.db")
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.read_text().replace("2026-03", "2046-03"))
    code, out, _ = run("plan", "freeze", plan, *options)
    assert (code, "frozen" in out) == (0, True)
    plan.write_text(plan.read_text().replace("on_a = 4.0", "on_a = 4.4", 1))
    code, out, _ = run("plan", "freeze", plan, *options)
    assert code == 0
    assert "Saved as revision 2; report uses revision 1." in out


def test_check_names_the_sensor_that_would_add_most(run, where):
    code, out, _ = run("check", *where)
    assert code == 0
    assert "The one sensor that would add most" in out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("report", "--untill", "x"), "report: --untill: got no such option"),
        (("staement",), 'campledger: command: got "staement", expected statement'),
        (("enough", "--at", "teatime"), '--at: got "teatime", expected a time'),
        (("enough", "--drive", "1.5h"), '--drive: got "1.5h", expected length'),
        (("enough", "--without", "sauna"), "expected loads of the rig: fridge"),
        (("plan", "freeze", "nowhere.toml"), "nowhere.toml: file: got no such file"),
    ],
)
def test_wrong_words_are_refused_in_one_line(run, where, words, line):
    extra = [] if words[0] in {"report", "staement"} else where
    code, out, err = run(*words, *extra)
    assert (code, out) == (2, "")
    assert line in err
    assert "Traceback" not in err


def test_no_rig_says_what_to_type(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CAMPLEDGER_RIG", raising=False)
    code, _, err = run("statement")
    assert code == 2
    assert "campledger check --draft-rig" in err


def test_a_locked_store_is_reported_not_waited_for_ever(run, where):
    code = (
        "import sqlite3,sys;db=sqlite3.connect(sys.argv[1],isolation_level=None);"
        "db.execute('begin immediate');print('held',flush=True);sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, where[-1]],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        result = run("note", "hello", *where)
        holder.communicate("")
    assert result[0] == 2
    assert result[2].count("\n") == 1
