import pytest
from tests.support.report_trip import invented_rig

from campledger.model.rig import House, Load, Rig, Source
from campledger.present.cautions import CAUTIONS, caution, cautions_for


def _keys(rig):
    return {c.key for c in cautions_for(rig)}


def test_all_fourteen_cautions_exist_and_are_distinct():
    assert len(CAUTIONS) == len({c.key for c in CAUTIONS}) == 14


def test_a_rig_gets_those_that_concern_it():
    lead = _keys(invented_rig())
    assert {"gas", "inverter", "panel", "engine", "food"} <= lead
    assert "lithium" not in lead
    plain = Rig(
        name="x", timezone="UTC", house=House(chemistry="lfp", capacity_rated=100.0)
    )
    assert {"gas", "inverter", "panel", "engine", "food"}.isdisjoint(_keys(plain))
    assert {"lithium", "short", "fuse", "codes", "start", "logger"} <= _keys(plain)


def test_cautions_never_advise_a_bigger_fuse_or_an_idling_engine():
    text = " ".join(c.text for c in CAUTIONS).lower()
    assert "bigger fuse" not in text
    assert "never idle" in text
    assert "complies" not in text


def test_one_caution_by_key():
    assert caution("gas").title == "Gas"
    with pytest.raises(ValueError, match="gass"):
        caution("gass")


def test_a_freezer_and_an_isolator_count_too():
    rig = Rig(
        name="x",
        timezone="UTC",
        house=House(chemistry="gel", capacity_rated=80.0),
        loads=(Load(name="icebox", kind="freezer"),),
        sources=(Source(name="relay", kind="isolator"),),
    )
    assert {"food", "engine", "gas"} <= _keys(rig)
