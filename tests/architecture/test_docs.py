"""The documents say what the code does: commands, settings, no machine paths."""

import re
from pathlib import Path

import pytest

from campledger.app.cli import VERBS, build_parser

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text()
TEXT = {".md", ".py", ".toml", ".sh", ".service", ".css", ".js"}


def ours():
    for folder in ("src", "config", "deploy", "tests", "replay_data"):
        for path in (TOP / folder).rglob("*"):
            if path.suffix in TEXT and ".venv" not in path.parts:
                yield path
    yield from TOP.glob("*.md")


@pytest.mark.parametrize("verb", VERBS)
def test_every_command_stands_in_the_readme(verb):
    assert re.search(rf"`(campledger )?{verb}\b", README)


@pytest.mark.parametrize("verb", VERBS)
def test_every_command_has_help_with_an_example(verb):
    text = build_parser(verb).format_help()
    assert "example:" in text
    assert "campledger" in text


def test_the_readme_shows_a_command_and_its_output_early():
    head = README.splitlines()[:40]
    assert any("bash deploy/demo.sh" in line for line in head)
    assert any("ENOUGH?" in line for line in head)


def test_nothing_names_a_place_on_somebody_s_machine():
    marks = re.compile(r"(?<![\w.])/(?:home|Users|root|work)/[a-z]")
    found = [
        str(path.relative_to(TOP))
        for path in ours()
        if path.name != Path(__file__).name and marks.search(path.read_text())
    ]
    assert found == []


def test_modules_are_small_enough_to_read():
    found = {
        str(p.relative_to(TOP)): n
        for p in (TOP / "src").rglob("*.py")
        if (n := len(p.read_text().splitlines())) > 500
    }
    assert found == {}
