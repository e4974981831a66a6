"""The parts of the page: words of the command, escaped, nothing by colour alone."""

import re
from html.parser import HTMLParser

import pytest
from tests.support.answers import OFFSET, invented_enough, urgent_enough
from tests.support.report_trip import invented_rig, invented_trip

from campledger.present import text_enough as t
from campledger.present.phone import account, ask, lines, shell
from campledger.present.phone.proofs import meter_steps, proofs_form

NASTY = "<img src=x onerror=alert(1)>\"'&"


def words(markup):
    text = re.sub(r"<[^>]+>", " ", markup)
    for a, b in (("&#x27;", "'"), ("&quot;", '"'), ("\u00a0", " ")):
        text = text.replace(a, b)
    return re.sub(r"\s+", " ", text)


class Balanced(HTMLParser):
    """Complain about tags that do not close in order."""

    VOID = frozenset({"meta", "link", "input", "br", "path", "circle"})

    def __init__(self, markup):
        super().__init__()
        self.open = []
        self.feed(markup)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in self.VOID:
            assert self.open.pop() == tag


@pytest.fixture(scope="module")
def statement():
    return invented_trip(days=5, dt=600.0)[-1]


def test_the_four_lines_are_those_of_the_command():
    answer = invented_enough()
    markup = lines.four_lines(answer, clock="your phone's time")
    Balanced(markup)
    said = words(markup).replace(" - ", " ")
    for piece in (
        t.verdict_words(answer),
        t.until_words(answer),
        t.low_words(answer),
        t.fridge_words(answer.fridge),
        t.saves_words(answer),
        t.hand_words(answer),
        t.counted_words(answer),
    ):
        assert re.sub(r"\s+", " ", piece.replace(" - ", " ")) in said
    order = [said.index(x) for x in ("Enough?", "Car", "Fridge", "Saves")]
    assert order == sorted(order)
    assert said.count("How do you know?") == 4
    assert "your phone's time" in said


def test_a_bad_line_gains_a_word_and_moves_nowhere():
    good = lines.four_lines(invented_enough())
    bad = lines.four_lines(invented_enough(verdict="no"))
    assert "Act" not in words(good)
    assert "Act No" in words(bad)
    assert [m.start() < m.end() for m in re.finditer('id="car"', bad)]


def test_what_is_urgent_comes_first_also_while_driving():
    answer = urgent_enough()
    assert words(lines.four_lines(answer)).startswith(" Act now")
    alone = lines.one_line(answer)
    Balanced(alone)
    assert "Act now" in words(alone)
    assert "Car" not in words(alone)


def test_everything_typed_is_escaped():
    answer = invented_enough(
        until_word=NASTY, counted_since=NASTY, reason=NASTY, notes=(NASTY,)
    )
    parts = [
        lines.four_lines(answer, clock=NASTY),
        lines.tried(answer, [NASTY]),
        ask.try_it([NASTY]),
        ask.notes([(0.0, NASTY)], OFFSET),
        shell.whole_page("", name=NASTY, network=NASTY, identity=NASTY),
        shell.message(NASTY),
    ]
    for markup in parts:
        assert "<img" not in markup
        assert "&lt;img" in markup
    Balanced("".join(parts[:4]))


def test_the_account_adds_up_as_printed(statement):
    markup = account.today(statement)
    Balanced(markup)
    day = statement.days[-1]
    assert f"{day.carried_forward:.1f}" in words(markup)
    assert "Brought forward" in words(markup)
    assert "planned" in words(markup)
    assert "measured" in words(markup)


def test_the_strip_has_a_dot_for_each_day_and_says_the_same_in_words(statement):
    markup = account.strip(statement)
    Balanced(markup)
    days = [d for d in statement.days if d.low_point is not None]
    assert markup.count("<circle") == len(days)
    under = sum(d.low_point.spare < 0 for d in days)
    assert markup.count("dot under") == under
    assert markup.count("<li>") == len(days)
    assert 'role="img"' in markup
    assert "aria-label" in markup


def test_parts_without_anything_say_so(statement):
    from dataclasses import replace

    empty = replace(statement, days=())
    assert "No camp day" in account.today(empty)
    assert "No low point" in account.strip(empty)
    assert "No notes" in ask.notes([], OFFSET)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (5, "worked out just now"),
        (600, "worked out 10 min ago"),
        (3 * 3600, "worked out 3 h ago"),
        (3 * 86400, "3 days old"),
    ],
)
def test_age_in_words(seconds, said):
    assert shell.age_words(seconds) == said


def test_writing_is_offered_to_paired_phones_only():
    assert "new-code" in ask.writing(paired=False, ready=False)
    assert 'name="code"' in ask.writing(paired=False, ready=True)
    mine = ask.writing(paired=True, ready=True, proofs="<p>proofs</p>")
    Balanced(mine)
    assert "Forget this phone" in mine
    assert "<p>proofs</p>" in mine


def test_proofs_for_a_meter():
    channels = ["voltage_house_v", "current_house_a", "current_fridge_a"]
    steps = meter_steps(invented_rig(), channels)
    assert {s.kind for s in steps} == {"volts", "load"}
    markup = proofs_form(invented_rig(), channels)
    Balanced(markup)
    assert markup.count("<form") == len(steps)
    assert "spanner" in markup or "tools off the posts" in markup
    assert proofs_form(invented_rig(), []) == ""


def test_the_page_is_light_and_has_no_address_of_another_host():
    whole = len(shell.asset("page.css")) + len(shell.asset("page.js"))
    assert whole < 20_000
    for name in ("page.html", "page.css", "page.js"):
        assert b"http://" not in shell.asset(name)
        assert b"https://" not in shell.asset(name)
        assert b":hover" not in shell.asset(name)
