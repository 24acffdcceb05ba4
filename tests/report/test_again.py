"""The command under every answer of the page gives that answer again, and its costs are shown."""

from __future__ import annotations

import html
import inspect
import re
import shlex
from collections.abc import Callable
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from failstats.answers.costs import Costs, read_costs
from failstats.cli import cli
from failstats.demo import Demo, answer_everything, demo_folder
from failstats.records import Records
from failstats.report.again import again, costs_used, named
from failstats.show.text import wrap

QUESTIONS = ("quality", "causes", "lives", "pairs", "vents", "stock", "policy", "rules")
ASKED_IN_THE_REPORT = {"quality": {"limit": 20}}
HEADLINE = re.compile(r'<p class="lead">(.*?)</p>', re.S)
AGAIN = re.compile(r"Again: <code>(.*?)</code>", re.S)


def sections(page: str) -> dict[str, tuple[str, list[str]]]:
    """Command -> (headline, words of the command) as they stand on the page."""
    found = {}
    for article in re.findall(r"<article .*?</article>", page, re.S):
        line = html.unescape(re.sub(r"<[^>]+>", "", AGAIN.search(article)[1]))
        words = shlex.split(line)
        assert words[0] == "failstats"
        headline = html.unescape(HEADLINE.search(article)[1]).replace("\u00a0%", " %")
        found[words[1]] = (headline, words[1:])
    return found


def known_or_other(command: str, made: Demo) -> Callable[..., Any]:
    """Records' own method, which gives the demo's answer where the same is asked, else another."""
    signature = inspect.signature(getattr(Records, command))
    costs = read_costs(made.costs)

    def ask(self: Records, *args: Any, **kwargs: Any) -> Any:
        given = signature.bind(self, *args, **kwargs)
        given.apply_defaults()
        wanted = dict(given.arguments)
        plain = {key: one.default for key, one in signature.parameters.items()}
        plain |= ASKED_IN_THE_REPORT.get(command, {})
        priced = wanted.pop("costs", None)
        same = priced is None or dict(priced.values) == dict(costs.values)
        same = same and (priced is not None) is (command in ("stock", "policy", "vents"))
        for key in ("self", "progress"):
            wanted.pop(key)
        same = same and all(value in (plain[key], {}) for key, value in wanted.items())
        same = same and self.as_of.isoformat() == made.answers[command].as_of
        settings = {**self._session.choices, "queries": None}
        theirs = made.answers[command].settings
        same = same and all(theirs[key] == settings[key] for key in settings if key != "queries")
        return made.answers[command] if same else "Other figures."

    return ask


def test_every_section_can_be_had_again(made: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is asked is what the report asked: the same answer, not its like (slow: the figures)."""
    found = sections(made.report.page.read_text("utf-8"))
    assert sorted(found) == sorted(QUESTIONS)
    monkeypatch.chdir(made.warehouse.parent)
    for command in QUESTIONS:
        monkeypatch.setattr(Records, command, known_or_other(command, made))
    for headline, words in found.values():
        done = CliRunner().invoke(cli, [*words, "-q"])
        assert done.exit_code == 0, (words, done.output)
        assert done.stdout.startswith(wrap(headline)), words
    without = [w for w in found["policy"][1] if w not in ("--costs", "costs.toml")]
    assert CliRunner().invoke(cli, without).stdout == "Other figures.\n"


@pytest.mark.slow
def test_every_section_had_again_says_the_same(made: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(made.warehouse.parent)
    for headline, words in sections(made.report.page.read_text("utf-8")).values():
        done = CliRunner().invoke(cli, [*words, "-q"])
        assert done.exit_code == 0, (words, done.output)
        assert done.stdout.startswith(wrap(headline)), words


class Everything:
    """Stands for the records and keeps what each question was asked with."""

    def __init__(self) -> None:
        self.asked: dict[str, dict[str, Any]] = {}

    def __getattr__(self, command: str) -> Callable[..., str]:
        return lambda **how: str(self.asked.setdefault(command, how))


def test_the_level_and_the_costs_reach_every_answer() -> None:
    records: Any = Everything()
    costs, step = read_costs(), lambda _: nullcontext()
    answers, _ = answer_everything(records, costs, step, confidence_level=0.8)
    assert sorted(answers) == sorted(QUESTIONS)
    for command, how in records.asked.items():
        takes = inspect.signature(getattr(Records, command)).parameters
        assert ("confidence_level" in takes) is ("confidence_level" in how), command
        assert how.get("confidence_level", 0.8) == 0.8, command
        assert ("costs" in takes) is ("costs" in how), command
        assert how.get("costs", costs) is costs, command
    assert [c for c in QUESTIONS if "confidence_level" not in records.asked[c]] == ["quality"]


def test_the_report_of_a_level_says_so_everywhere(
    company: Callable[..., Records], tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    with company(
        units="unit_id,family,enrolled_on\nu1,e1,2020-01-01\nu2,e1,2020-01-01\n",
        jobs="job_id,unit_id,visited_on,kind,complaint\nj1,u1,2021-01-02,call_out,no_heat\n",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced\n",
    ) as records:
        warehouse = records._session.path
    done = CliRunner().invoke(
        cli, ["report", "--out", str(tmp_path / "r"), "-w", str(warehouse), "-q",
              "--confidence-level", "0.8", "--family", "e1"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    found = sections((tmp_path / "r" / "report.html").read_text("utf-8"))
    assert {"lives", "causes"} <= set(found)
    for command, (_, words) in found.items():
        assert words[words.index("--family") + 1] == "e1"
        assert words[words.index("-w") + 1] == warehouse.name  # no folders of this machine
        said = "--confidence-level" in words and words[words.index("--confidence-level") + 1]
        assert said == (False if command == "quality" else "0.8"), command


FULL = {
    "from": "2020-01-01", "as_loaded": 3, "families": ["E 1"], "fuels": ["gas"],
    "contract_only": True, "confidence_level": 0.9, "costs_file": "mine/costs.toml",
}  # fmt: skip


@pytest.mark.parametrize(
    ("command", "settings", "words"),
    [
        ("policy", FULL, "--from 2020-01-01 --as-loaded 3 --costs mine/costs.toml "
         "--confidence-level 0.9 --family 'E 1' --fuel gas --contract-only"),
        ("policy", {"costs_file": None, "confidence_level": 0.95}, ""),
        ("vents", {"bands_months": [6, 18], "edition": "2018", "replicates": 500},
         "--edition 2018 --replicates 500 --cut 6 --cut 18"),
        ("vents", {"bands_months": [12, 24], "edition": "2021"}, ""),
        ("causes", {"complaint": "no_heat", "by": ["fuel"], "reading": {"coil": "9.9ohm"}},
         "--complaint no_heat --by fuel --reading coil=9.9ohm"),
        ("lives", {"model": "gamma", "births": "renewal", "clock": "loads", "by": ["family"]},
         "--model gamma --births renewal --clock loads --by family"),
        ("stock", {"budget": 600.0, "target": 0.9, "fix": {"coil-e1": 2}, "exclude": ["fuse-std"],
                   "pair": ["cutout+thermostat=always"]},
         "--budget 600.0 --target 0.9 --exclude fuse-std --pair cutout+thermostat=always "
         "--fix coil-e1=2"),
        ("quality", {"limit": 20}, "--limit 20"),
        ("rules", {"file": "ours.toml"}, "--file ours.toml"),
        ("pairs", {"sensitivity": 0.9, "specificity": 1.0}, "--sensitivity 0.9 --specificity 1.0"),
    ],
)  # fmt: skip
def test_whatever_changes_the_answer_is_in_the_command(
    command: str, settings: dict[str, Any], words: str
) -> None:
    answer = SimpleNamespace(command=command, as_of="2023-12-31", settings=settings)
    found = again(answer, "w.duckdb")
    assert " ".join(found) == " ".join(
        f"failstats {command} --as-of 2023-12-31 {words} -w w.duckdb".split()
    )
    options = {option for one in cli.commands[command].params for option in one.opts}
    assert {word for word in found if word.startswith("-")} <= options


def test_a_warehouse_is_named_without_the_folders_of_a_machine(tmp_path: Any) -> None:
    assert named(tmp_path / "w.duckdb") == "w.duckdb"
    assert named("company/w.duckdb") == "company/w.duckdb"
    assert named("s3://bucket/parts") == "s3://bucket/parts"


def test_the_costs_in_force_stand_on_the_page(made: Demo) -> None:
    costs = read_costs(demo_folder() / "costs.toml")
    shown = costs_used(made.answers["policy"])
    figures = {row[2].split(" in ")[0]: row[1] for row in shown["rows"] if " in " in row[2]}
    assert set(figures) == set(costs.values)
    assert figures["visit.visit_cost"] == f"${costs['visit.visit_cost']:.2f}"
    assert figures["tests.hot_cycle_minutes"] == f"{costs['tests.hot_cycle_minutes']:.0f}"
    assert {row[2] for row in shown["rows"] if row[0].startswith("Part: ")} == {"the catalogue"}
    page = made.report.page.read_text("utf-8")
    policy = page[page.index('<article id="policy"') :].split("</article>")[0]
    assert "<h4>Costs used</h4>" in policy
    assert page.count("<h4>Costs used</h4>") == 1


def test_an_assumed_cost_is_said_to_be() -> None:
    costs: Costs = read_costs()
    answer = SimpleNamespace(
        command="policy",
        settings={"costs": {k: float(v) for k, v in costs.values.items()},
                  "costs_assumed": list(costs.assumed), "currency": "USD"},
        summary={}, to_dict=lambda: {"results": []},
    )  # fmt: skip
    rows = costs_used(answer)["rows"]
    assert len(rows) == len(costs.values)
    assert all(row[2].startswith("assumed: no costs file states ") for row in rows)
    answer.command = "stock"
    assert costs_used(answer) is None
