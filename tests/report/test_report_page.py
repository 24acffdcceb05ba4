"""The page: everything on it, nothing fetched, nothing that records could smuggle in."""

import base64
import csv
import hashlib
import itertools
import json
import re
from html.parser import HTMLParser
from types import SimpleNamespace

import pandas as pd
import pytest

from failstats.errors import FitError, InputError, PlanError
from failstats.report.bundle import drawing_library, script_json
from failstats.report.page import write_report
from failstats.report.tables import withhold_small
from failstats.show import charts
from failstats.show.cautions import cautions

LARGEST_PAGE = 3_000_000  # bytes, for the demo; the project's own aim
EVIL = "</script><script>alert(1)</script>"


class FakeAnswer:
    """An answer with the duck type of the real ones."""

    def __init__(self, command, headline, frame, chart=None, results=(), warnings=(), **settings):
        self.command = command
        self.as_of = "2023-12-31"
        self.settings = {
            "records_from": "2016-01-01",
            "records_to": "2023-12-31",
            "families": [],
            **settings,
        }
        self.warnings = warnings
        self.summary = {}
        self.units = 400
        self._said, self._frame, self._chart, self._results = headline, frame, chart, results

    def headline(self):
        return self._said

    def headline_units(self):
        return self.units

    def table(self):
        return self._frame

    def chart(self):
        if isinstance(self._chart, Exception):
            raise self._chart
        return self._chart

    def details(self):
        return [self._frame.to_string()]

    def to_dict(self):
        return {"results": self._results}


def shares(units=(400, 300, 4)):
    return pd.DataFrame(
        {
            "part": ["coil", "cutout", EVIL],
            "unit_count": list(units),
            "share": [0.5, 0.3, 0.0123],
            "low": [0.4, 0.2, 0.0101],
            "high": [0.6, 0.4, 0.0155],
        }
    )


STOCK = [
    {
        "van": "V1",
        "cycle_days": 28.0,
        "jobs_expected": 41.2,
        "spend": 412.5,
        "completion": 0.83,
        "completion_ci": [0.78, 0.87],
        "items": [
            {"item_id": "K-1", "part": "coil", "families": ["*"], "quantity": 2, "change": 1}
        ],
    }
]
POLICY = [
    {
        "kind": "pair",
        "when": "cutout",
        "also": "thermostat",
        "recommend": "if_older",
        "threshold_days": 2191.5,
        "saving_per_100_jobs": 812.3,
        "saving_ci": [310.0, 1290.0],
        "caution": None,
    }
]


def all_answers():
    frame = shares()
    ratios = pd.DataFrame(
        {"label": ["coil"], "role": ["outcome"], "ratio": [1.9], "low": [1.6], "high": [2.3]}
    )
    rows = pd.DataFrame({"table": ["units"], "good": [6400], "quarantined": [3]})
    late = SimpleNamespace(code="costs_assumed", text="Costs are assumed.")
    return {
        "stock": FakeAnswer("stock", "Carry coils.", frame, results=STOCK),
        "causes": FakeAnswer(
            "causes",
            f"Behind no heat: {EVIL}",
            frame,
            charts.shares(frame, label="part", title=f"Behind {EVIL}"),
            families=["E-27", "$(rm)"],
        ),
        "vents": FakeAnswer("vents", "Neglect shortens coil life.", ratios, charts.forest(ratios)),
        "pairs": FakeAnswer(
            "pairs",
            "Cannot tell.",
            frame,
            FitError("too few pairs were replaced.", where="pairs", do="wait."),
        ),
        "policy": FakeAnswer("policy", "Replace both.", frame, results=POLICY, warnings=(late,)),
        "quality": FakeAnswer(
            "quality", "3 set aside.", rows, charts.rows_bar(rows), {"quarantine_total": 1234}
        ),
    }


class Reader(HTMLParser):
    """Scripts, links and headings as a browser would see them."""

    def __init__(self):
        super().__init__()
        self.scripts, self.tags, self.headings, self._in = [], [], [], None

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._in = tag
        if tag == "script":
            self.scripts.append([dict(attrs), ""])
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append([tag, ""])

    def handle_data(self, data):
        if self._in == "script":
            self.scripts[-1][1] += data
        if self._in in ("h1", "h2", "h3", "h4"):
            self.headings[-1][1] += data

    def handle_endtag(self, tag):
        self._in = None


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return write_report(
        all_answers(), tmp_path_factory.mktemp("report"), title=f"Repairs {EVIL}", currency="USD"
    )


@pytest.fixture(scope="module")
def html(written):
    return written.page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(html):
    reader = Reader()
    reader.feed(html)
    return reader


def test_the_three_answers_come_first_in_plain_words(html):
    start = html.index('id="answers"')
    first_section = html.index('id="planner"')
    opening = html[start:first_section]
    for said in ("Carry coils.", "Neglect shortens coil life.", "Replace both.", "Cannot tell."):
        assert said in opening


def test_a_section_for_each_reader_and_the_cautions(page, html):
    second = [text for tag, text in page.headings if tag == "h2"]
    assert second[:5] == [
        "In short",
        "For the van planner",
        "For the analyst",
        "For the manager",
        "For the keeper of the records",
    ]
    for caution in cautions():
        assert caution.replace("'", "&#39;") in html


def test_heading_levels_never_skip(page):
    levels = [int(tag[1]) for tag, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_text_from_records_never_becomes_code(page, html):
    kinds = [attributes.get("type", "code") for attributes, _ in page.scripts]
    assert kinds.count("code") == 2  # the drawing library and the page's own
    assert kinds.count("application/json") == 3
    assert "<script>alert" not in html
    assert "&lt;/script&gt;&lt;script&gt;alert(1)" in html  # it is there, as text


def test_the_page_may_run_only_its_own_two_scripts(page):
    policy = next(
        attributes["content"]
        for tag, attributes in page.tags
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    for attributes, code in page.scripts:
        if "type" in attributes:
            continue
        digest = base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe-eval" not in policy
    assert "script-src 'unsafe-inline'" not in policy


def test_nothing_is_fetched(html, page):
    # Whatever is loaded is loaded by an attribute, by CSS, or by a script. No attribute points
    # outside; outside the drawing library no address is written at all; and the content policy
    # (above) forbids requests by the library, whose texts name XML namespaces and a link that is
    # only drawn by the switched-off menu.
    for _, attributes in page.tags:
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            target = attributes.get(name)
            assert target is None or re.match(r"(#|data:,$|[\w.-]+\.csv$)", target), target
    own = html.replace(drawing_library(), "")
    assert "http://" not in own
    assert "https://" not in own
    assert "@import" not in own
    assert "url(" not in own


def test_every_chart_has_words_and_its_spec_is_json(page):
    specs = {a["id"]: json.loads(t) for a, t in page.scripts if a.get("type")}
    boxes = [a for tag, a in page.tags if "chart" in a.get("class", "").split()]
    assert {box["data-spec"] for box in boxes} == set(specs)
    for box in boxes:
        assert box["role"] == "img"
        assert len(box["aria-label"]) > 20
    for spec in specs.values():
        assert "config" not in spec
        assert "$schema" not in spec
        assert "title" not in spec


def test_a_chart_that_cannot_be_drawn_is_a_sentence(html):
    assert "No chart: too few pairs were replaced." in html
    assert 'data-spec="spec-pairs"' not in html


def test_where_each_answer_comes_from(html):
    assert "Records from 2016-01-01 to 2023-12-31, as known on 2023-12-31." in html
    assert "1,234 rows were set aside on loading." in html
    text = re.sub(r"</?span>", "", html)
    assert "failstats causes --as-of 2023-12-31 --family E-27 --family &#39;$(rm)&#39;" in text


def test_warnings_stand_beside_the_answer(html):
    article = html[html.index('id="policy"') :]
    assert "Costs are assumed." in article[: article.index("</article>")]


def test_scrolling_boxes_can_be_reached_by_keyboard(page):
    boxes = [a for _, a in page.tags if a.get("class") == "wide"]
    assert boxes
    assert all(a["tabindex"] == "0" and a["aria-label"] for a in boxes)


def test_the_page_is_small_enough(written):
    assert written.page_bytes == written.page.stat().st_size < LARGEST_PAGE


def test_every_table_is_beside_the_page_as_csv(written):
    names = {path.name for path in written.tables}
    assert names == {f"{c}.csv" for c in all_answers()}
    with (written.page.parent / "causes.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["part", "unit_count", "share", "low", "high"]
    assert rows[3] == [EVIL, "4", "0.0123", "0.0101", "0.0155"]


def test_sheets_of_vans_and_technicians_are_on_the_page(html):
    sheets = html[html.index('id="sheets"') :]
    assert "V1: what to carry" in sheets
    assert "K-1" in sheets
    assert "Technician card" in sheets
    assert "Replace the thermostat too when it is older than 6.0 years" in sheets


def test_public_withholds_small_cells_and_what_is_drawn_from_them(tmp_path):
    files = write_report(all_answers(), tmp_path, title="t", currency="USD", public=True)
    html = files.page.read_text(encoding="utf-8")
    assert files.rows_withheld > 0
    assert "1.2 %" not in html  # the small row's share
    with (tmp_path / "causes.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert rows[3] == [EVIL, "", "", "", ""]
    assert rows[2] == ["cutout", "", "", "", ""]  # else the small one is a subtraction away
    assert rows[1] == ["coil", "400", "0.5", "0.4", "0.6"]
    assert 'data-spec="spec-causes"' not in html
    assert "0.0123" not in html
    assert f"For readers outside the company: {files.rows_withheld} table rows" in html
    assert "what to carry" not in html


@pytest.mark.parametrize(
    ("units", "shown", "said"),
    [
        (10, True, "This rests on 10 units or more."),
        (9, False, "Withheld: this answer is not known to rest on 10 units or more."),
        (0, False, "Withheld: this answer is not known to rest on 10 units or more."),
        (None, True, '<p class="lead">Long, 12.3 years.</p>'),
    ],
)
def test_public_answers_say_on_how_many_units_they_rest(tmp_path, units, shown, said):
    answer = FakeAnswer("lives", "Long, 12.3 years.", shares((400, 300, 200)), None)
    answer.units = units
    answers = {"lives": answer, "vents": answer}  # the latter opens the page too
    for public in (True, False):
        files = write_report(answers, tmp_path, title="t", currency="USD", public=public)
        html = files.page.read_text(encoding="utf-8")
        assert (html.count("12.3 years") == 3) is (shown or not public)
        assert ("12.3 years" in html) is (shown or not public)
        assert (said in html) is (public or units is None)
        assert ("This rests on" in html) is (public and units == 10)


def test_public_card_has_no_rule_of_few_units(tmp_path):
    texts = {}
    for few in (False, True):
        answers = all_answers()
        answers["policy"]._results = [{**row, "unit_count": 9 if few else 10} for row in POLICY]
        files = write_report(answers, tmp_path, title="t", currency="USD", public=True)
        html = files.page.read_text(encoding="utf-8")
        texts[few] = html[html.index('id="sheets"') :]
    assert "older than 6.0 years" in texts[False]
    assert "older than 6.0 years" not in texts[True]


def test_a_figure_in_words_goes_with_the_figures():
    frame = pd.DataFrame({
        "part": ["coil", "fuse 2", "belt"], "units": [50, 40, 3],
        "said": ["It fails 2 times.", "It fails 3 times.", "It fails 4 times."],
    })  # fmt: skip
    shown, hidden = withhold_small(frame)
    assert hidden == 2
    assert shown["said"].tolist() == ["It fails 2 times.", None, None]
    assert shown["part"].tolist() == ["coil", "fuse 2", "belt"]


def test_public_curves_end_where_ten_lives_are_left(tmp_path):
    steps = pd.DataFrame(
        {
            "series": "coil",
            "age_days": [100.0, 200.0, 300.0],
            "survival": [0.91, 0.83, 0.71717],
            "low": [0.9, 0.8, 0.7],
            "high": [0.95, 0.9, 0.8],
            "at_risk": [500, 10, 9],
        }
    )

    class WithCurves(FakeAnswer):
        def curve_table(self):
            return steps

    answer = WithCurves(
        "lives", "Long.", shares((400, 300, 200)), charts.life_curve(steps, title="t")
    )
    kept = {}
    for public in (True, False):
        folder = tmp_path / str(public)
        files = write_report({"lives": answer}, folder, title="t", currency="USD", public=public)
        html = files.page.read_text(encoding="utf-8")
        text = (folder / "lives_curve.csv").read_text(encoding="utf-8")
        kept[public] = "0.71717" in html or "72 %" in html or "0.71717" in text
        assert "0.83" in text
        assert 'data-spec="spec-lives"' in html
    assert kept == {True: False, False: True}


class WithMore(FakeAnswer):
    """An answer with a second picture, its table and its line."""

    def bands_table(self):
        return shares((400, 300, 200)).assign(part=["belt", "roller", "motor"])

    def bands_chart(self):
        return charts.shares(self.bands_table(), label="part", title="A second picture")

    def bands_line(self):
        return "The belt leads with 50 %."

    def empty_chart(self):
        return None


@pytest.mark.parametrize("public", [False, True])
def test_every_further_picture_has_its_line_words_and_table(tmp_path, public):
    answer = WithMore("causes", "Said.", shares((400, 300, 200)),
                      charts.shares(shares((400, 300, 200)), label="part", title="t"))  # fmt: skip
    write_report({"causes": answer}, tmp_path, title="t", currency="USD", public=public)
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert html.index('data-spec="spec-causes"') < html.index('data-spec="spec-causes-bands"')
    assert "<h4>A second picture</h4>" in html
    assert "<p>The belt leads with 50\u00a0%.</p>" in html
    box = html[html.index('data-spec="spec-causes-bands"') :]
    assert box.split(">")[0].split('aria-label="')[1].startswith("A second picture")
    spec = html.split('<script type="application/json" id="spec-causes-bands">')[1]
    assert json.loads(spec.split("</script>")[0])["description"]
    assert "spec-causes-empty" not in html
    assert (tmp_path / "causes_bands.csv").exists()


def test_public_leaves_out_further_pictures_of_small_cells(tmp_path):
    answer = WithMore("causes", "Said.", shares())
    write_report({"causes": answer}, tmp_path, title="t", currency="USD", public=True)
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "spec-causes-bands" not in html
    assert "The belt leads" not in html


def test_public_leaves_out_what_does_not_say_on_how_many_units_it_rests(tmp_path):
    """A curve without counts cannot be judged: no file, no picture, no words of the command."""

    class Uncounted(WithMore):
        def curve_table(self):
            return pd.DataFrame({"days": [30, 60], "share": [0.1357, 0.2468]})

        def details(self):
            return ["share 0.1357"]

    for public in (True, False):
        folder = tmp_path / str(public)
        answers = {"pairs": Uncounted("pairs", "Said.", shares((400, 300, 200)))}
        write_report(answers, folder, title="t", currency="USD", public=public)
        html = (folder / "report.html").read_text(encoding="utf-8")
        assert (folder / "pairs_curve.csv").exists() is not public
        assert ("0.1357" in html) is not public
        assert ("spec-pairs-bands" in html) is not public
        assert ("1 tables whose rows do not say" in html) is public
        assert (folder / "pairs.csv").exists()
        assert not (folder / "pairs_rows.csv").exists()


def test_what_has_no_answer_says_why_where_the_page_opens(tmp_path):
    fault = PlanError("stock needs a catalogue, but none is loaded.", do="load a catalogue.")
    answers = {"causes": FakeAnswer("causes", "Said.", shares((400, 300, 200)))}
    write_report(answers, tmp_path, title="t", currency="USD", left_out={"stock": fault})
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    opening = html[html.index('<ul class="answers">') : html.index("For the van planner</h2>")]
    assert "What to put on the vans" in opening
    assert "No answer: stock needs a catalogue, but none is loaded. To have one: load a" in opening
    assert "What this rests on" not in opening


def test_a_report_of_nothing_still_says_so(tmp_path):
    files = write_report({}, tmp_path, title="t", currency="USD")
    assert "No answer was given." in files.page.read_text(encoding="utf-8")


def test_unknown_paper_is_refused(tmp_path):
    with pytest.raises(InputError, match="paper must be one of a4, letter, but is 'a3'"):
        write_report({}, tmp_path, title="t", currency="USD", paper="a3")


def test_the_library_cannot_end_its_script_element():
    assert "</script" not in drawing_library().lower()
    assert "<!--" not in drawing_library()
    assert json.loads(script_json({"a": "</script>\u2028<!--"})) == {"a": "</script>\u2028<!--"}
    assert "<" not in script_json({"a": "</script><!--"})
