"""The page in a real browser on loopback: two phones, light and dark, one thumb."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright import sync_api as playwright
from tests.support.answers import invented_enough, urgent_enough
from tests.support.page_world import World, write_parts

pytestmark = pytest.mark.server

CHROMIUM = Path("/usr/bin/chromium")
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONES = [(390, 844), (360, 640)]
TARGET = 48
"""Smallest target. [px] (asked)"""
SMALL_TARGETS = """() => [...document.querySelectorAll(
    'button, a, summary, select, input:not([type=hidden]), textarea')]
  .filter(n => n.offsetParent !== null)
  .map(n => {
    const box = n.closest('label.box') || n;
    const r = box.getBoundingClientRect();
    return [n.outerHTML.slice(0, 70), r.width, r.height];
  })
  .filter(([_, w, h]) => w < 47.5 || h < 47.5)"""


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    with World(tmp_path_factory.mktemp("page"), burst=5000.0) as made:
        write_parts(made.folder)
        yield made


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        yield made
        made.close()


class Phone:
    """One phone that counts its taps and what it asks for."""

    def __init__(self, browser, world, size=(390, 844), scheme="light", **options):
        self.world, self.taps = world, 0
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            is_mobile=True,
            has_touch=True,
            color_scheme=scheme,
            **options,
        )
        self.page = self.context.new_page()
        self.asked, self.complaints = [], []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("console", lambda m: self.complaints.append(m.text))
        self.page.goto(world.url)

    def tap(self, what):
        self.taps += 1
        self.page.locator(what).first.tap()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", PHONES, ids=["390", "360"])
def test_the_four_lines_fit_one_screenshot(browser, world, size, scheme):
    with Phone(browser, world, size, scheme) as phone:
        low = phone.page.evaluate(
            "document.querySelector('.age').getBoundingClientRect().bottom"
        )
        wide, inner = phone.page.evaluate(
            "[document.documentElement.scrollWidth, innerWidth]"
        )
        ground = phone.page.evaluate("getComputedStyle(document.body).backgroundColor")
        labels = phone.page.locator(".line .label").all_inner_texts()
        assert low <= size[1]
        assert wide <= inner
        assert [x.lower() for x in labels] == ["enough?", "car", "fridge", "saves"]
        light = sum(map(int, re.findall(r"\d+", ground)[:3])) > 382
        assert light == (scheme == "light")
        assert phone.complaints == []
        assert {u.split("/")[2] for u in phone.asked} == {world.host}


@pytest.mark.parametrize("size", PHONES, ids=["390", "360"])
def test_targets_are_large_enough_with_everything_open(browser, world, size):
    with Phone(browser, world, size) as phone:
        phone.page.evaluate(
            "document.querySelectorAll('details').forEach(d => { d.open = true; })"
        )
        assert phone.page.evaluate(SMALL_TARGETS) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_checker_finds_nothing_serious(browser, world, scheme):
    from axe_playwright_python import sync_playwright as axe

    with Phone(browser, world, scheme=scheme) as phone:
        phone.page.evaluate(
            "document.querySelectorAll('details').forEach(d => { d.open = true; })"
        )
        found = axe.Axe().run(phone.page).response["violations"]
        serious = [
            (v["id"], v["nodes"][0]["html"][:100])
            for v in found
            if v["impact"] in {"serious", "critical"}
        ]
        assert serious == []
        assert [v["id"] for v in found] == []


def test_everything_can_be_read_without_the_script(browser, world):
    with Phone(browser, world, java_script_enabled=False) as phone:
        phone.tap("#enough summary")
        assert phone.page.locator("#enough .behind p").first.is_visible()
        phone.tap("#try > summary")
        phone.tap("#try button:has-text('48 h more')")
        phone.page.wait_for_selector(".tried", timeout=10_000)


def test_a_phone_that_leaves_keeps_the_answer_with_its_age(browser, world):
    with Phone(browser, world) as phone:
        phone.page.clock.install()
        phone.page.reload()
        phone.context.set_offline(True)
        phone.page.clock.run_for(61_000)
        phone.page.wait_for_selector("#away:not([hidden])")
        said = phone.page.locator("#away").inner_text()
        assert "last answer" in said
        assert "Van net" in said
        assert "1 min ago" in phone.page.locator("#age").inner_text()
        assert phone.page.locator("#enough .verdict").is_visible()
        phone.context.set_offline(False)
        phone.page.clock.run_for(21_000)
        phone.page.wait_for_selector("#away", state="hidden")


def test_a_new_answer_comes_in_without_a_tap(browser, world):
    with Phone(browser, world) as phone:
        phone.page.clock.install()
        phone.page.reload()
        phone.tap("#car summary")
        try:
            write_parts(world.folder, invented_enough(verdict="no"))
            facts = world.folder / "facts.json"
            facts.write_text(facts.read_text().replace('"a1"', '"b2"'))
            phone.page.clock.run_for(21_000)
            phone.page.wait_for_selector("#enough .act")
            assert phone.page.locator("#car .behind").is_visible()
        finally:
            write_parts(world.folder)


def test_driving_then_a_passenger(browser, world):
    write_parts(world.folder, urgent_enough(), driving=True)
    try:
        with Phone(browser, world) as phone:
            assert phone.page.locator(".line").count() == 0
            assert phone.page.locator("text=Not while driving").is_visible()
            phone.tap("text=I am a passenger")
            phone.page.wait_for_selector("#car")
    finally:
        write_parts(world.folder)


TASKS = {
    "until when, with another deadline": (["#try > summary", "#try [value='+48h']"], 0),
    "a drive tomorrow": (["#try > summary", "#try button[name=drive][value='2']"], 0),
    "a cloudy day": (["#try > summary", "#try button[name=sun][value=worst]"], 0),
    "what to switch off": (["#try > summary", "#try button[value=inverter]"], 0),
    "will the car start": (["#car summary"], "#car .behind"),
    "how long the fridge holds": (["#fridge summary"], "#fridge .behind"),
}


@pytest.mark.parametrize("task", TASKS)
def test_a_task_takes_at_most_three_taps(browser, world, task):
    taps, shown = TASKS[task]
    with Phone(browser, world, PHONES[1]) as phone:
        for what in taps:
            phone.tap(what)
        phone.page.wait_for_selector(shown or "#tried .tried", timeout=10_000)
        assert phone.page.locator(shown or "#tried .tried").is_visible()
        assert phone.taps <= 3
        assert phone.complaints == []


def test_pair_note_and_time_from_the_phone(browser, world):
    with Phone(browser, world) as phone:
        page = phone.page
        page.fill("input[name=code]", world.code)
        phone.tap("text=Pair this phone")
        page.wait_for_selector("form[data-kind=note]")
        page.fill("textarea", "Shade at <noon>")
        phone.tap("text=Keep the note")
        page.wait_for_selector("text=Kept.")
        phone.tap("text=Use my phone's time")
        page.wait_for_selector("text=Taken")
        assert "Shade at <noon>" in world.notes()
        assert page.evaluate("document.cookie") == ""
        phone.tap("text=Forget this phone")
        page.wait_for_selector("input[name=code]")


def test_a_time_that_differs_is_asked_and_taken_on_a_second_tap(browser, world):
    with Phone(browser, world) as phone:
        page = phone.page
        page.fill("input[name=code]", world.code)
        phone.tap("text=Pair this phone")
        page.wait_for_selector("form[data-kind=time]")
        phone.tap("text=Use my phone's time")
        page.wait_for_selector("text=Taken")
        page.evaluate("{ const now = Date.now(); Date.now = () => now + 7200000; }")
        phone.tap("text=Use my phone's time")
        page.wait_for_selector("text=differs")
        phone.tap("text=Yes, my phone is right")
        page.wait_for_selector("text=Taken")
