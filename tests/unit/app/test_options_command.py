"""`options` as a person types it: verdict first, JSON keys, refusals in one line."""

from __future__ import annotations

import json

import pytest


def test_the_sensible_set_is_told_with_the_verdict_first(run, where):
    code, out, _ = run("options", *where)
    assert code == 0
    assert "as driven (measured)" in out.split("\n\n")[1]
    assert "Replaying the unchanged rig" in out


def test_every_combination_of_the_lists(run, where):
    code, out, _ = run(
        "options", "--battery-ah", "80,150", "--solar-w", "100,200", "--json", *where
    )
    made = json.loads(out)
    assert code == 0
    sizes = [
        (o["change"]["battery_ah"], o["change"]["solar_w"]) for o in made["options"]
    ]
    assert sizes == [(80, 100), (80, 200), (150, 100), (150, 200)]
    assert set(made["verdict"]) >= {"code", "met", "change", "text"}
    assert made["validation"]["held_out_days"] >= 1


def test_asked_twice_told_twice(run, where):
    asked = ("options", "--battery-ah", "150", "--json", *where)
    assert run(*asked)[1] == run(*asked)[1]


def test_hotter_than_measured_has_no_figure(run, where):
    code, out, _ = run("options", "--temp-mean", "50", "--json", *where)
    made = json.loads(out)
    assert code == 0
    (row,) = made["options"]
    assert made["verdict"]["code"] == "cannot_tell"
    assert row["refused"] or row["outcome"]["soc_min"]["value"] is None


def test_all_trips_together(run, where):
    code, out, _ = run("options", "--trips", "all", "--battery-ah", "150", *where)
    assert code == 0
    assert "nights" in out
    assert "Each trip counts by its nights" in out
    made = json.loads(
        run("options", "--trips", "1000", "--sun-share", "0.9", "--json", *where)[1]
    )
    assert made["together"]["baseline"]["nights"] >= 1


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--battery-ah", "big"), '--battery-ah: got "big", expected sizes that exist'),
        (("--temp-mean", "hot"), '--temp-mean: got "hot", expected degrees'),
        (("--temp-mean", "99"), '--temp-mean: got "99", expected degrees'),
        (("--sun-share", "-1"), '--sun-share: got "-1", expected a share'),
        (("--trips", "few"), '--trips: got "few", expected a number of trips, or all'),
        (("--replace", "fridge=12v"), "expected inverter=12v"),
        (("--without", "sauna"), "expected one of:"),
        (("--hours", "sauna=2"), "expected one of:"),
    ],
)
def test_what_is_wrong_is_refused_in_one_line(run, where, words, line):
    code, out, err = run("options", *words, *where)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert line in err
