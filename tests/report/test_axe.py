"""Pages for everybody: axe-core (Deque Systems, MPL-2.0) in Debian's Chromium finds no fault.

It checks against the Web Content Accessibility Guidelines (W3C, WCAG 2.2 A and AA) and practices
of its own. The same pages stay within a phone of 390 px.
"""

import shutil
from pathlib import Path

import pytest

from doughlab.report.dossier import compose_dossier
from doughlab.report.page import render_document
from doughlab.report.page_short import compose_short
from doughlab.report.text import Texts

from ..record.bench_server import Server, wait_until
from ..record.test_bench_page import open_browser

AXE = Path(__file__).parents[1] / "axe" / "node_modules" / "axe-core" / "axe.min.js"
RUN = (
    "const done = arguments[0]; axe.run(document, {resultTypes: ['violations']}).then(r => done("
    "r.violations.map(v => [v.impact, v.id, v.nodes.length, v.nodes[0].html.slice(0, 200)])))"
)
WIDER = (
    "return [...document.querySelectorAll('.scroll')]"
    ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))"
)
SERIOUS = ("serious", "critical")


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    if not shutil.which("chromium") or not shutil.which("chromedriver"):
        pytest.skip("needs Chromium and its driver; .ci/run installs them and allows no skip")
    if not AXE.exists():
        pytest.skip("needs axe-core: npm install --prefix tests/axe; .ci/run does, allows no skip")
    driver = open_browser(tmp_path_factory.mktemp("phone"))
    yield driver
    driver.quit()


def faults(browser):
    """What axe-core finds on the page that is open, the impact first."""
    browser.execute_script(AXE.read_text(encoding="utf-8"))
    return browser.execute_async_script(RUN)


def looked_at(browser, folder, text):
    folder.joinpath("page.html").write_text(text, encoding="utf-8")
    browser.get(folder.joinpath("page.html").as_uri())
    found = faults(browser)
    width = browser.execute_script("return document.documentElement.scrollWidth")
    return found, width, browser.execute_script(WIDER)


def test_the_report_has_no_fault_and_fits_a_phone(browser, page, tmp_path):
    found, width, wider = looked_at(browser, tmp_path, page)
    assert not found
    assert width == 390 and not wider


def test_no_table_of_the_report_is_cut_on_a_laptop_or_in_half_its_window(browser, page, tmp_path):
    """With all parts unfolded, in the widest letters that may stand in for ours, DejaVu Serif."""
    tmp_path.joinpath("page.html").write_text(page, encoding="utf-8")
    laptop = open_browser(tmp_path / "laptop", device=None)
    try:
        for width in (640, 1024, 1280):
            laptop.set_window_size(width, 800)
            laptop.get(tmp_path.joinpath("page.html").as_uri())
            laptop.execute_script(
                "document.body.style.fontFamily = 'DejaVu Serif';"
                "document.querySelectorAll('details').forEach(e => e.open = true)"
            )
            assert laptop.execute_script("return window.innerWidth") == width
            assert laptop.execute_script("return document.documentElement.scrollWidth") <= width
            assert laptop.execute_script(WIDER) == []
    finally:
        laptop.quit()


def test_the_cooks_page_has_no_fault_and_fits_a_phone(browser, demo, decision, tmp_path):
    document = compose_short(demo, decision, why="", texts=Texts())
    found, width, wider = looked_at(browser, tmp_path, render_document(document, Texts()))
    assert not found
    assert width == 390 and not wider


def test_a_dossier_has_no_fault_and_fits_a_phone(browser, tiny, tmp_path):
    document, texts = compose_dossier([tiny])
    found, width, wider = looked_at(browser, tmp_path, render_document(document, texts))
    assert not found
    assert width == 390 and not wider


def test_the_bench_has_no_serious_fault(browser, planned):
    server = Server(planned.folder).start()
    shown = "return document.querySelector('main')?.innerText ?? ''"
    try:
        browser.get(server.url)
        assert wait_until(lambda: len(browser.execute_script(shown)) > 40)
        found = faults(browser)
    finally:
        server.stop()
    assert not [f for f in found if f[0] in SERIOUS]


def test_a_page_with_a_fault_is_found_out(browser, tmp_path):
    bad = "<!DOCTYPE html><html><head><title>x</title></head><body><img src='x'></body></html>"
    found, _, _ = looked_at(browser, tmp_path, bad)
    assert {"image-alt", "html-has-lang"} <= {f[1] for f in found if f[0] in SERIOUS}
