"""The fleet page in a real browser: no network, a phone's width, charts drawn."""

import sys
from pathlib import Path

import pytest
from playwright import sync_api as playwright

from campledger.app.fleet import read_fleet
from campledger.present.fleet_page import write_fleet

pytestmark = pytest.mark.server

CHROMIUM = Path("/usr/bin/chromium")
BENCH = Path(__file__).resolve().parents[1] / "bench"
READY = (
    "window.Bokeh && Bokeh.documents.length > 0 && "
    "Bokeh.documents.every(d => d.is_idle)"
)
CANVASES = """() => {
  let count = 0;
  const walk = (root) => {
    for (const node of root.querySelectorAll('*')) {
      if (node.tagName === 'CANVAS' && node.width && node.height) {
        const c = node.getContext('2d');
        const d = c.getImageData(0, 0, node.width, node.height).data;
        if (d.some((x) => x !== 0)) count += 1;
      }
      if (node.shadowRoot) walk(node.shadowRoot);
    }
  };
  walk(document);
  return count;
}"""


@pytest.mark.skipif(not CHROMIUM.exists(), reason="needs a browser")
def test_it_reads_offline_on_a_phone(tmp_path):
    sys.path.insert(0, str(BENCH))
    import bench_fleet

    exports = tmp_path / "exports"
    exports.mkdir()
    for seed in range(50):
        bench_fleet.make_rig(exports / f"{seed}.parquet", seed, days=1)
    out = tmp_path / "fleet.html"
    write_fleet(out, read_fleet(str(exports)))
    said, asked = [], []
    with playwright.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(CHROMIUM),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        context = browser.new_context(
            viewport={"width": 390, "height": 844}, offline=True
        )
        page = context.new_page()
        page.on("console", lambda m: said.append(m.text) if m.type == "error" else 0)
        page.on("pageerror", lambda e: said.append(str(e)))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(out.as_uri())
        page.wait_for_function(READY, timeout=60_000)
        width = page.evaluate("document.documentElement.scrollWidth")
        canvases = page.evaluate(CANVASES)
        text = page.inner_text("body")
        browser.close()
    assert width <= 390
    assert canvases >= 2
    assert said == []
    assert [u for u in asked if not u.startswith(("file:", "data:", "blob:"))] == []
    assert "comes back hungriest" in text
    assert "50. rig" in text
