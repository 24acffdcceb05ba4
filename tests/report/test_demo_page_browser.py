"""The demo's page as people meet it: on a wide and a narrow screen, in the dark, and on paper.

Chromium comes from the machine (Debian's package); what it drew is kept in ``.pictures/``.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
if BROWSER is None:
    pytest.skip("no Chromium on this machine", allow_module_level=True)
pytest.importorskip("playwright")

from axe_playwright_python.sync_playwright import Axe  # noqa: E402
from playwright.sync_api import Browser, Page, sync_playwright  # noqa: E402
from pypdf import PdfReader  # noqa: E402

from failstats.report.what_if import page_panels  # noqa: E402

PICTURES = Path(__file__).resolve().parents[2] / ".pictures"
DRAWN = "html[data-charts=drawn]"
LONGEST_WAIT = 90_000  # milliseconds; five on a free machine
MOST_BYTES = 3_000_000  # of the demo's page, all charts and the drawing library in it
WIDE, NARROW = 1280, 360
SHEET = 940  # pixels (of 1/96 inch) within the margins of the shorter paper, letter
SEVERE = ("serious", "critical")  # the two upper grades of axe-core
SCREENS = ((WIDE, "light"), (WIDE, "dark"), (NARROW, "light"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as programs:
        running = programs.chromium.launch(
            executable_path=BROWSER, args=["--no-sandbox", "--disable-gpu"]
        )
        yield running
        running.close()


class Visit:
    """The page on one screen, with all it said and asked for."""

    def __init__(self, browser: Browser, page: Path, width: int, scheme: Any) -> None:
        self.context = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
        )
        self.page: Page = self.context.new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda told: self.said.append(f"{told.type}: {told.text}"))
        self.page.on("pageerror", lambda fault: self.said.append(str(fault)))
        self.page.on("request", lambda wanted: self.asked.append(wanted.url))
        self.page.goto(page.as_uri())
        self.page.wait_for_selector(DRAWN, timeout=LONGEST_WAIT)


@pytest.fixture(scope="module", params=SCREENS, ids=lambda screen: f"{screen[0]}-{screen[1]}")
def visit(request: pytest.FixtureRequest, browser: Browser, made: Any) -> Iterator[Visit]:
    width, scheme = request.param
    shown = Visit(browser, made.report.page, width, scheme)
    PICTURES.mkdir(exist_ok=True)
    shown.page.screenshot(path=PICTURES / f"report_{width}_{scheme}.png", full_page=True)
    yield shown
    shown.context.close()


def test_nothing_complains_and_nothing_is_fetched(visit: Visit, made: Any) -> None:
    assert visit.said == []
    assert visit.asked == [made.report.page.as_uri()]


def test_every_chart_is_drawn(visit: Visit) -> None:
    boxes = visit.page.locator(".chart:not(.paper)")
    assert boxes.count() >= 6
    for at in range(boxes.count()):
        assert boxes.nth(at).locator("svg path, svg rect").count() > 2


def test_no_name_in_a_chart_is_cut(visit: Visit) -> None:
    words = visit.page.locator(".chart:not(.paper) svg text").all_text_contents()
    assert len(words) > 100
    assert [word for word in words if word.endswith("…")] == []


def test_the_ratios_of_the_vent_are_seen_whole(visit: Visit) -> None:
    """Names, points and intervals without scrolling, on a telephone too."""
    box = visit.page.locator('.chart:not(.paper)[data-spec="spec-vents"]')
    assert "scrolls" not in (box.get_attribute("class") or "")
    for part in ("coil", "cutout", "door switch"):
        assert any(word.startswith(part) for word in box.locator("svg text").all_text_contents())


def test_it_fits_the_screen(visit: Visit) -> None:
    width = visit.page.viewport_size["width"]
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= width


def test_no_serious_barrier(visit: Visit) -> None:
    found = Axe().run(visit.page).response["violations"]
    assert [(v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in SEVERE] == []


@pytest.mark.parametrize("name", [
    "causes-complaint", "causes-readings", "pairs-curve", "pairs-failed",
])  # fmt: skip
def test_further_pictures_have_words_a_line_and_a_table(visit: Visit, name: str) -> None:
    figure = visit.page.locator(f'figure:has(.chart[data-spec="spec-{name}"])')
    assert figure.locator("figcaption p").inner_text().endswith(".")
    assert figure.locator(".chart[role=graphics-document]").first.get_attribute("aria-label")
    assert figure.locator(".chart:not(.paper) svg g.mark-group").count() >= 1
    command, stem = name.split("-")
    table = visit.page.locator(f"article#{command} summary", has_text=f"Table: {command}, {stem}")
    assert table.count() == 1


def test_every_picture_has_words_and_a_table(visit: Visit) -> None:
    for figure in visit.page.locator("article:has(figure)").all():
        words = figure.locator(".chart[role=graphics-document]").first.get_attribute("aria-label")
        assert words
        assert figure.locator("table").count() >= 1


def test_the_keyboard_reaches_the_answers_and_opens_a_table(browser: Browser, made: Any) -> None:
    shown = Visit(browser, made.report.page, WIDE, "light")
    shown.page.keyboard.press("Tab")
    assert shown.page.evaluate("document.activeElement.textContent") == "To the answers"
    shown.page.keyboard.press("Enter")
    assert shown.page.evaluate("location.hash") == "#answers"
    first = shown.page.locator("summary").first
    first.focus()
    shown.page.keyboard.press("Enter")
    assert shown.page.locator("details").first.get_attribute("open") is not None
    shown.context.close()


def test_on_paper_no_picture_is_split_over_two_sheets(browser: Browser, made: Any) -> None:
    shown = Visit(browser, made.report.page, WIDE, "light")
    shown.page.emulate_media(media="print")
    for figure in shown.page.locator("figure").all():
        assert figure.evaluate("box => getComputedStyle(box).breakInside") == "avoid"
        assert figure.bounding_box()["height"] < SHEET  # what is taller is split all the same
    shown.context.close()


def test_on_paper_each_van_and_the_card_have_a_sheet(browser: Browser, made: Any) -> None:
    shown = Visit(browser, made.report.page, WIDE, "dark")
    target = PICTURES / "report.pdf"
    shown.page.pdf(path=target, prefer_css_page_size=True)
    sheets = [page.extract_text() for page in PdfReader(target).pages]
    assert min(len(text.strip()) for text in sheets) > 40  # no sheet with a heading alone
    vans = shown.page.locator("#sheets h3").all_text_contents()
    assert len(vans) >= 2
    headed = [[at for at, text in enumerate(sheets) if text.strip().startswith(van)]
              for van in vans]  # fmt: skip
    assert all(len(places) == 1 for places in headed), dict(zip(vans, headed, strict=True))
    assert len(sheets) == headed[-1][0] + 1  # the card is the last sheet, and one sheet long
    shown.context.close()


def test_the_page_is_small(made: Any) -> None:
    assert made.report.page.stat().st_size < MOST_BYTES


@pytest.mark.parametrize("name", ["budget", "target"])
def test_sliders_show_what_python_computed(browser: Browser, made: Any, name: str) -> None:
    panels = {panel["name"]: panel for panel in page_panels(made.answers["stock"])}
    panel = panels[name]
    shown = Visit(browser, made.report.page, WIDE, "light")
    slider = shown.page.locator(f"#slide-{name}")
    places = shown.page.locator(f"#what-if-{name} tbody tr")
    last = len(panel["cells"]) - 1
    for position in (0, 1, last // 3, last):
        slider.evaluate(
            "(box, at) => { box.value = at; box.dispatchEvent(new Event('input')); }", position
        )
        assert slider.get_attribute("aria-valuetext") == panel["sliders"][0]["texts"][position]
        cells = [row.locator("td").all_text_contents() for row in places.all()]
        assert cells == panel["cells"][position]
    slider.focus()
    shown.page.keyboard.press("ArrowLeft")
    assert slider.input_value() == str(last - 1)
    assert places.first.locator("td").all_text_contents() == panel["cells"][last - 1][0]
    shown.context.close()


def test_the_two_pair_sliders_together_show_what_python_computed(
    browser: Browser, made: Any
) -> None:
    (panel,) = page_panels(made.answers["policy"])
    shown = Visit(browser, made.report.page, WIDE, "light")
    price, cost = (shown.page.locator(f"#slide-{name}") for name in ("price", "return"))
    rows = shown.page.locator("#what-if-pairs tbody tr")
    prices, costs = (len(slider["texts"]) for slider in panel["sliders"])
    assert len(panel["cells"]) == prices * costs > 4
    seen = set()
    for at_price, at_cost in ((0, 0), (0, costs - 1), (prices - 1, 0), (prices - 1, costs - 1)):
        for slider, position in ((price, at_price), (cost, at_cost)):
            slider.evaluate(
                "(box, at) => { box.value = at; box.dispatchEvent(new Event('input')); }", position
            )
        cells = [row.locator("td").all_text_contents() for row in rows.all()]
        assert cells == panel["cells"][at_price * costs + at_cost]
        seen.add(str(cells))
    assert len(seen) == 4  # each corner says something of its own
    shown.context.close()


def test_the_bars_follow_the_pair_sliders_and_paper_stays_at_today(
    browser: Browser, made: Any
) -> None:
    policy = made.answers["policy"]
    (rows,) = policy.chart_of_positions().to_dict()["datasets"].values()
    (panel,) = page_panels(policy)
    shown = Visit(browser, made.report.page, WIDE, "light")
    said = shown.page.locator('[data-moved="spec-policy"]')
    bars = {
        kind: shown.page.locator(f'.chart{kind}[data-spec="spec-policy"] g.mark-text text')
        for kind in (":not(.paper)", ".paper")
    }
    costs = len(panel["sliders"][1]["texts"])
    today = panel["sliders"][0]["start"] * costs + panel["sliders"][1]["start"]

    def words(at: int) -> list[str]:
        return [row["words"] for row in rows if row["at"] == at]

    def drawn(kind: str) -> list[str]:
        return [text for text in bars[kind].all_text_contents() if text.startswith("$")]

    assert drawn(":not(.paper)") == drawn(".paper") == words(today)
    assert said.inner_text() == panel["said"][today] == "At today's prices and costs."
    for at in (0, len(panel["cells"]) - 1, costs + 1):
        for name, position in (("price", at // costs), ("return", at % costs)):
            shown.page.locator(f"#slide-{name}").evaluate(
                "(box, at) => { box.value = at; box.dispatchEvent(new Event('input')); }", position
            )
        assert drawn(":not(.paper)") == words(at) != words(today)
        beyond = shown.page.locator('.chart:not(.paper)[data-spec="spec-policy"] svg').evaluate(
            "svg => Math.max(...[...svg.querySelectorAll('text')].map(one => "
            "one.getBoundingClientRect().right)) - svg.getBoundingClientRect().right"
        )
        assert beyond <= 0  # no figure is cut at the edge
        assert drawn(".paper") == words(today)
        assert said.inner_text() == panel["said"][at]
    shown.context.close()


def test_on_a_telephone_rows_are_records_and_no_cell_is_cut(browser: Browser, made: Any) -> None:
    shown = Visit(browser, made.report.page, NARROW, "light")
    cells = shown.page.locator(".records td, .records tbody th")
    edges = cells.evaluate_all("all => all.map(one => one.getBoundingClientRect().right)")
    assert len(edges) > 100
    assert max(edges) <= NARROW
    boxes = shown.page.locator(".wide:has(> .records)")
    assert boxes.evaluate_all("all => all.every(one => one.scrollWidth <= one.clientWidth)")
    named = shown.page.locator(".what-if .records td").first.evaluate(
        "cell => getComputedStyle(cell, '::before').content"
    )
    assert "Spent" in named
    map_ = shown.page.locator('.chart:not(.paper)[data-spec="spec-pairs"]')
    assert "scrolls" not in (map_.get_attribute("class") or "")
    shown.context.close()


def test_the_budget_slider_moves_the_line_in_the_chart(browser: Browser, made: Any) -> None:
    shown = Visit(browser, made.report.page, WIDE, "light")
    slider = shown.page.locator("#slide-budget")
    line = shown.page.locator('.chart:not(.paper)[data-spec="spec-stock"] g.mark-rule line').last
    seen = []
    for position in (3, 12):
        slider.evaluate(
            "(box, at) => { box.value = at; box.dispatchEvent(new Event('input')); }", position
        )
        seen.append(line.evaluate("mark => mark.getBoundingClientRect().x"))
    assert seen[1] > seen[0] + 20  # pixels: nine steps of the budget lie further apart than that
    shown.context.close()
