"""The page as it is installed, under phones and a fuzzer, beside a running logger."""

import argparse

import pytest
from tests.bench.bench_page import measure

pytestmark = [pytest.mark.server, pytest.mark.slow]


def test_phones_and_hostile_requests_change_nothing(tmp_path):
    options = argparse.Namespace(phones=5, seconds=30.0, fuzz=2000, seed=7, held=False)
    found = {name.strip(): value for name, _, value in measure(tmp_path, options)}
    assert found["2000 hostile requests"] == "none"
    assert found["writes without pairing"] == "0"
    assert found["phones paired by them"] == "0"
    assert found["replies that leaked"] == "0"
    assert float(found["server MB, most"]) <= 60
    assert found["5 phones, 30 s: served, ms"].endswith(" 0 failed")
    assert found["logger beside it"].startswith("0 missed of ")
    median = float(found["served, ms (median, 95 %)"].split(",")[0])
    assert median <= 50
