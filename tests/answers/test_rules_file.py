"""Rules of thumb: files that are refused, figures by hand, columns that are missing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from failstats.answers.rules_file import ESTIMATORS, read_rules
from failstats.errors import InputError
from failstats.records import Records

SHARE: dict[str, Any] = {
    "name": "r", "statement": "s.", "estimator": "share", "complaint": "no_heat",
    "parts": ["coil"], "threshold": 0.5, "direction": "above",
}  # fmt: skip
OTHER: dict[str, dict[str, Any]] = {
    "share_of_modes": {"part": "coil", "modes": ["open_circuit"]},
    "reading": {"part": "coil", "from": 8, "to": 15.0},
    "rate_ratio": {"part": "coil", "column": "family", "group": "A", "against": "B"},
    "hazard": {"part": "coil", "contrast": "over_24_vs_under_12"},
    "follow_on": {"first": "cutout", "second": "thermostat", "window_days": 60},
    "interval": {"part": "coil", "share": 0.1},
}


def toml(*rules: dict[str, Any]) -> str:
    def said(value: Any) -> str:
        return str(value).lower() if isinstance(value, bool) else repr(value).replace("'", '"')

    return "\n".join(
        "[[rule]]\n" + "".join(f"{key} = {said(value)}\n" for key, value in rule.items())
        for rule in rules
    )


def rule(estimator: str, **more: Any) -> dict[str, Any]:
    common = {key: SHARE[key] for key in ("name", "statement", "threshold", "direction")}
    own = OTHER.get(estimator) or {key: SHARE[key] for key in ("complaint", "parts")}
    return {**common, "estimator": estimator, **own, **more}


def written(folder: Path, *rules: dict[str, Any]) -> Path:
    path = folder / "own.toml"
    path.write_text(toml(*rules), encoding="utf-8")
    return path


@pytest.mark.parametrize("estimator", ESTIMATORS)
def test_every_estimator_can_be_written_down(tmp_path: Path, estimator: str) -> None:
    assert read_rules(written(tmp_path, rule(estimator)))[0]["estimator"] == estimator


def test_a_mark_of_utf8_at_the_start_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(toml(rule("share")), encoding="utf-8-sig")
    assert read_rules(path)[0]["name"] == "r"


def test_the_shipped_dozen_is_marked_as_practice() -> None:
    listed = read_rules()
    assert len(listed) == 12
    assert {one["origin"] for one in listed} == {"common practice, no source"}


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ([rule("share") | {"estimator": "odds"}], "estimator must be one of share, share_of_modes"),
        ([rule("share", treshold=1)], "treshold is unknown"),
        ([{k: v for k, v in rule("share").items() if k != "parts"}], "parts is missing"),
        ([rule("share", complaint="no_heet")], "complaint must be one of no_heat"),
        ([rule("share", parts="coil")], "parts must be a list of words in brackets"),
        ([rule("share", parts=["coyl"])], "parts must be one of coil"),
        ([rule("share", threshold=True)], "threshold must be a number, but is True"),
        ([rule("share", threshold=50)], "threshold must be a share between 0 and 1, but is 50"),
        ([rule("hazard", threshold=-1)], "threshold must be a number above 0, but is -1"),
        ([rule("rate_ratio", threshold=0)], "threshold must be a number above 0, but is 0"),
        ([rule("interval", threshold=0)], "threshold must be a number of days above 0, but is 0"),
        ([rule("follow_on", threshold=5)], "threshold must be a difference of shares between -1"),
        ([rule("hazard", threshold=float("nan"))], "threshold must be a number, but is nan"),
        ([rule("interval", threshold=float("inf"))], "threshold must be a number, but is inf"),
        ([rule("share", direction="over")], "direction must be above or below"),
        ([rule("share", name=" ")], "name must be text"),
        ([rule("share_of_modes", modes=["gone"])], "modes must be one of open_circuit"),
        ([rule("reading", to=2)], "to must be above from (8), but is 2"),
        ([rule("reading", to="15")], "to must be a resistance in ohm"),
        ([rule("rate_ratio", column="colour")], "column must be one of family"),
        ([rule("rate_ratio", against="A")], "against must be another than group"),
        ([rule("hazard", contrast="never")], "contrast must be one of 12_to_24_vs_under_12"),
        ([rule("follow_on", second="cutout")], "second must be another than first"),
        ([rule("follow_on", window_days=0)], "window_days must be a whole number of days above 0"),
        ([rule("interval", share=10)], "share must be a share between 0 and 1, but is 10"),
        ([rule("share"), rule("interval")], "a rule's name must be used once"),
    ],
)
def test_a_wrong_rule_is_named(tmp_path: Path, given: list[dict[str, Any]], said: str) -> None:
    with pytest.raises(InputError) as caught:
        read_rules(written(tmp_path, *given))
    assert said in caught.value.what
    assert f"rule {len(given)}" in str(caught.value.where)
    assert caught.value.do


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[[rule]\n", "a rules file must be TOML"),
        (b"", "a rules file holds [[rule]] entries and nothing else"),
        (b"rule = 3\n", "a rules file holds [[rule]] entries"),
        (b"rule = [3]\n", "a rule must be a table of keys, but is 3"),
        (b"\xff\xfe", "a rules file must be UTF-8 text"),
    ],
)
def test_what_is_no_rules_file_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r".") as caught:
        read_rules(path)
    assert said in caught.value.what


# --- on records ----------------------------------------------------------------------------------

UNITS = 40


def small(company: Callable[..., Records], **columns: str) -> Records:
    """Units under contract from day one; those of family A lose their coil after a year, those of
    family B after two; half the jobs have a reading."""
    units = ["unit_id,family,installed_on,enrolled_on"]
    jobs = [f"job_id,unit_id,visited_on{',complaint' if 'complaint' in columns else ''}"]
    lines = ["job_id,part,finding,action,reading"]
    for number in range(UNITS):
        family = "AB"[number % 2]
        units.append(f"u{number},{family},2016-01-01,2016-01-01")
        day = "2016-12-01" if family == "A" else "2017-12-01"
        jobs.append(f"j{number},u{number},{day}" + (",no_heat" if "complaint" in columns else ""))
        lines.append(f"j{number},coil,failed,replaced,")
        lines.append(f"j{number},fuse,working,kept,{columns.get('reading', '')}")
    return company(units="\n".join(units), jobs="\n".join(jobs), lines="\n".join(lines))


def test_a_user_adds_rules_and_they_are_graded(
    company: Callable[..., Records], tmp_path: Path
) -> None:
    records = small(company, complaint="no_heat", reading="0.4 ohm")
    own = written(
        tmp_path,
        rule("share", name="coils", origin="our workshop"),
        rule("share", name="seldom", threshold=0.9, direction="below"),
        rule("reading", name="fuse", part="thermal_fuse", **{"from": 0, "to": 1}, threshold=0.9),
        rule("rate_ratio", name="nobody", group="A", against="C"),
        rule("interval", name="lasts", part="fuse"),
    )
    answer = records.rules(own)
    found = {row.rule: row for row in answer.results}
    assert [row.verdict for row in answer.results] == [
        "supported", "contradicted", "supported", "cannot_tell", "cannot_tell",
    ]  # fmt: skip
    assert (found["coils"].figure, found["coils"].episodes) == (1.0, UNITS)
    assert found["fuse"].episodes == UNITS
    assert found["nobody"].reason == "no life of a coil has the family C (there are: A, B)"
    assert found["lasts"].missing is None
    assert "no single life of the fuse" in found["lasts"].reason
    said = str(answer)
    assert "1 rule: our workshop." in said
    assert "4 rules: no origin stated." in said
    assert "Because no life of a coil has the family C" in said.replace("\n", " ")


def test_a_rate_ratio_compares_lives_of_one_age(
    company: Callable[..., Records], tmp_path: Path
) -> None:
    """A: 20 first coils fail at 335 days, their successors never. B: at 700 days.

    First year: 20 failures of A in 20 x (335 + 365) days, none of B in 20 x (365 + 365).
    Second: none of A in 20 x 365 days (successors), 20 of B in 20 x (335 + 365).
    Later years hold no failure. Ratio (20 * 14600/28600) / (20 * 7300/21300).
    """
    answer = small(company).rules(written(tmp_path, rule("rate_ratio", threshold=1.1)))
    row = answer.results[0]
    assert row.figure == pytest.approx((14600 / 28600) / (7300 / 21300), rel=1e-12)
    assert row.episodes == UNITS
    assert row.verdict == "cannot_tell"
    assert row.reason == "the interval reaches to both sides of the threshold"
    narrow = small(company).rules(
        written(tmp_path, rule("rate_ratio", threshold=1.1)), confidence_level=0.5
    )
    assert narrow.results[0].verdict == "supported"


@pytest.mark.parametrize(
    ("own", "missing"),
    [
        (rule("share"), "column complaint of jobs"),
        (rule("reading"), "column reading of lines"),
        (rule("share_of_modes"), "column mode of lines"),
        (
            rule("rate_ratio", column="duct_material", group="foil", against="rigid"),
            "column duct_material of units",
        ),
        (rule("rate_ratio", column="item_id"), "column item_id of lines"),
        (rule("hazard"), "table cleanings (unit_id, cleaned_on, scope full_run)"),
        (rule("hazard", contrast="over_limit_vs_within"), "column duct_length of units"),
    ],
    ids=lambda value: value if isinstance(value, str) else value["estimator"],
)
def test_a_rule_that_cannot_be_tested_names_the_column(
    company: Callable[..., Records], tmp_path: Path, own: dict[str, Any], missing: str
) -> None:
    answer = small(company).rules(written(tmp_path, own))
    row = answer.results[0]
    assert (row.verdict, row.missing, row.figure, row.episodes) == ("cannot_tell", missing, None, 0)
    assert f"Missing: {missing}." in str(answer).replace("\n", " ")
