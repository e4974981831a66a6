"""The words of the glossary: each unit spelt one way, each name with its own unit."""

import ast
import re
from collections import defaultdict
from pathlib import Path

import pytest

from campledger.model.quantities import FAMILIES, GLOSSARY, UNITS_KNOWN

SOURCE = Path(__file__).resolve().parents[2] / "src" / "campledger"
ENTRY = re.compile(r"^(\w+(?:, \w+)*) : (.+)$")
UNIT = re.compile(r"\[([^\[\]]+)\]")
CLOSING = re.compile(UNIT.pattern + r"\s*$")
HOMONYMS = {
    ("volts_change", "1"),  # a share of the volts
    ("power", "1"),  # of a likelihood
}
"""Names of a family that stand for something else, and the unit they carry then."""


def documented():
    """Give (file, function, name, unit) of the public docstrings of the core."""
    for layer in ("estimate", "judge"):
        for path in sorted((SOURCE / layer).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text())):
                kinds = (ast.FunctionDef, ast.ClassDef)
                if isinstance(node, kinds) and not node.name.startswith("_"):
                    for name, unit in entries(ast.get_docstring(node) or ""):
                        yield path.relative_to(SOURCE), node.name, name, unit


def entries(docstring):
    """Give the names of a docstring and the unit that closes each description."""
    lines = docstring.split("\n")
    for number, line in enumerate(lines):
        match = ENTRY.match(line)
        if match is None:
            continue
        rest = []
        for follower in lines[number + 1 :]:
            if follower and not follower.startswith("    "):
                break
            rest.append(follower)
        text = "\n".join(rest).rstrip()
        names, units = match[1].split(", "), UNIT.findall(text)
        closing = CLOSING.search(text)
        if len(units) != len(names) or closing is None:
            units = [closing[1] if closing else None] * len(names)
        yield from zip(names, units, strict=True)


def unit_of(name):
    """Give the unit that the glossary fixes for a name, None if it fixes none."""
    if name in GLOSSARY:
        return GLOSSARY[name].unit
    words = name.split("_")
    if words[-1] in {"utc", "share"}:
        return FAMILIES[words[-1]]
    return FAMILIES.get(words[0])


FOUND = list(documented())


def test_docstrings_are_found():
    assert len(FOUND) > 500
    assert sum(unit is not None for *_, unit in FOUND) > 400


def test_every_unit_is_spelt_as_the_glossary_spells_it():
    wrong = [f for f in FOUND if f[3] is not None and f[3] not in UNITS_KNOWN]
    assert wrong == []


def test_every_name_of_the_glossary_carries_its_unit():
    wrong = [
        found
        for found in FOUND
        if found[3]
        and found[2:] not in HOMONYMS
        and unit_of(found[2]) not in {None, found[3]}
    ]
    assert wrong == []


def test_a_name_outside_the_glossary_has_one_unit_in_one_module():
    units = defaultdict(set)
    for path, function, name, unit in FOUND:
        if unit is not None and unit_of(name) is None:
            units[path, function, name].add(unit)
    assert {k: v for k, v in units.items() if len(v) > 1} == {}


@pytest.mark.parametrize("name", sorted(GLOSSARY))
def test_glossary_rows_are_whole(name):
    row = GLOSSARY[name]
    assert row.meaning
    assert re.fullmatch(r"[a-z][a-z0-9_]*", name)
    assert row.unit in UNITS_KNOWN


def test_the_check_sees_a_wrong_unit():
    text = "Do.\n\nParameters\n----------\nsoc : float\n    Charge left. [%]\n"
    assert list(entries(text)) == [("soc", "%")]
    assert "%" not in UNITS_KNOWN
