"""The report in a real browser, network off: phone, desktop and paper."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright import sync_api as playwright
from tests.support.answers import OFFSET, invented_fitout
from tests.support.report_trip import invented_trip

from campledger.present.report import write_report
from campledger.present.report_data import build_report_data
from campledger.present.report_installer import installer_section

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
READY = (
    "window.Bokeh && Bokeh.documents.length > 0 && "
    "Bokeh.documents.every(d => d.is_idle)"
)
CANVASES = """() => {
  const found = [];
  const walk = (root) => {
    for (const node of root.querySelectorAll('*')) {
      if (node.tagName === 'CANVAS') found.push(node);
      if (node.shadowRoot) walk(node.shadowRoot);
    }
  };
  return [...document.querySelectorAll('.chart')].map((box) => {
    found.length = 0;
    walk(box);
    const shades = new Set();
    for (const c of found) {
      if (!c.width || !c.height) continue;
      const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
      for (let i = 0; i < d.length; i += 4 * 97)
        shades.add(d[i] + ',' + d[i + 1] + ',' + d[i + 2] + ',' + d[i + 3]);
    }
    return [shades.size, box.getBoundingClientRect().width];
  });
}"""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    record, rig, plan, estimates, statement = invented_trip(days=10, dt=120.0)
    data = build_report_data(
        statement,
        record,
        estimates,
        rig,
        plan=plan,
        sections=(installer_section(invented_fitout(), OFFSET),),
    )
    out = tmp_path_factory.mktemp("report") / "trip.html"
    write_report(out, data)
    return out


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        yield made
        made.close()


class Seen:
    """One page with everything it asked for and complained about."""

    def __init__(self, browser, report, width, height, *, phone, dark=False):
        self.context = browser.new_context(
            viewport={"width": width, "height": height},
            is_mobile=phone,
            has_touch=phone,
            color_scheme="dark" if dark else "light",
            offline=True,
        )
        self.page = self.context.new_page()
        self.requests, self.complaints = [], []
        self.page.on("request", lambda r: self.requests.append(r.url))
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("console", self._console)
        self.page.goto(report.as_uri())
        self.page.wait_for_function(READY)

    def _console(self, message):
        if message.type in {"error", "warning"}:
            self.complaints.append(message.text)


@pytest.fixture(
    params=[(390, 844, True), (320, 568, True), (1400, 900, False)],
    ids=["phone", "small phone", "desktop"],
)
def seen(request, browser, report):
    width, height, phone = request.param
    made = Seen(browser, report, width, height, phone=phone)
    yield made
    made.context.close()


def test_no_request_leaves_and_nothing_complains(seen, report):
    seen.page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    assert [u for u in seen.requests if not u.startswith("data:")] == [report.as_uri()]
    assert seen.complaints == []


def test_nothing_scrolls_sideways(seen):
    inner, wide = seen.page.evaluate(
        "[document.documentElement.clientWidth, document.documentElement.scrollWidth]"
    )
    assert wide <= inner
    over = seen.page.evaluate(
        """() => [...document.querySelectorAll('table, p, h1, h2, h3, .chart, pre')]
        .filter(n => n.getBoundingClientRect().right > innerWidth + 0.5)
        .map(n => n.outerHTML.slice(0, 80))"""
    )
    assert over == []


def test_every_chart_is_drawn_and_fits(seen):
    charts = seen.page.evaluate(CANVASES)
    assert 8 <= len(charts) <= 12
    width = seen.page.evaluate("innerWidth")
    for shades, wide in charts:
        assert shades > 3
        assert 200 < wide <= width


def _swipe(seen, target):
    """Drag one finger 300 px upwards, starting on a target; give how far it moved."""
    page = seen.page
    page.evaluate(
        f"document.querySelector('{target}').scrollIntoView({{block: 'center'}})"
    )
    before = page.evaluate("scrollY")
    cdp = seen.context.new_cdp_session(page)

    def touch(kind, *y):
        points = [{"x": 195, "y": v} for v in y]
        cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 430)
    for step in range(1, 21):
        touch("touchMove", 430 - 15 * step)
    touch("touchEnd")
    return page.evaluate("scrollY") - before


def test_one_finger_scrolls_over_a_chart_as_over_text(browser, report):
    seen = Seen(browser, report, 390, 844, phone=True)
    assert _swipe(seen, "section:nth-of-type(3) h2") > 200
    for place in ("#battery .chart", "#flows .chart", "#detail .chart"):
        assert _swipe(seen, place) > 200
    seen.context.close()


def test_a_dark_phone_still_gets_dark_ink_on_light_paper(browser, report):
    seen = Seen(browser, report, 390, 844, phone=True, dark=True)
    ground, ink = seen.page.evaluate(
        """() => {const s = getComputedStyle(document.body);
        return [s.backgroundColor, s.color]}"""
    )
    assert ground == "rgb(255, 254, 250)"
    assert ink == "rgb(28, 27, 25)"
    seen.context.close()


def test_it_prints_with_its_charts_and_the_caution_on_every_page(browser, report):
    seen = Seen(browser, report, 1000, 900, phone=False)
    data = seen.page.pdf(prefer_css_page_size=True)
    pages = data.count(b"/Type /Page\n") + data.count(b"/Type /Page ")
    assert data[:5] == b"%PDF-"
    assert 5 <= pages <= 20
    seen.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    copies = seen.page.evaluate(
        """() => [...document.querySelectorAll('canvas.printed')].map(c => {
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        const s = new Set();
        for (let i = 0; i < d.length; i += 388) s.add(d[i] + ',' + d[i + 1]);
        return s.size})"""
    )
    charts = seen.page.evaluate("document.querySelectorAll('.chart').length")
    assert len(copies) == charts
    assert min(copies) > 3
    seen.page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert seen.page.evaluate("document.querySelector('canvas.printed')") is None
    seen.context.close()


def test_links_of_the_contents_reach_their_parts(browser, report):
    seen = Seen(browser, report, 390, 844, phone=True)
    missing = seen.page.evaluate(
        """() => [...document.querySelectorAll('nav a')]
        .map(a => a.getAttribute('href'))
        .filter(h => !document.querySelector(h))"""
    )
    assert missing == []
    seen.context.close()
