"""Every key of the contract's JSON: an attribute, in the schema, in a pandas or Arrow table."""

from __future__ import annotations

import typing
from dataclasses import fields, is_dataclass
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest

from failstats.answers.causes import Causes
from failstats.answers.lives import Lives
from failstats.answers.pairs import Pairs
from failstats.answers.policy import Policy
from failstats.answers.quality import Quality
from failstats.answers.result import Answer, envelope_schema, nested
from failstats.answers.rules import Rules
from failstats.answers.stock import Stock
from failstats.answers.vents import Vents
from failstats.answers.verify import Verified
from failstats.demo import Demo
from failstats.errors import InputError

ANSWERS: dict[str, type[Answer]] = {
    c.command: c for c in (Causes, Lives, Pairs, Policy, Quality, Rules, Stock, Verified, Vents)
}
# contract, section 5: keys of the rows, `list.key` inside a list, `thing.key` inside one thing
KEYS = {
    "lives": "part stratum births lives failures unit_count person_days model parameters "
    "parameters_ci log_likelihood aic b10_days b10_ci median_days median_ci mean_days "
    "restricted_mean_days survival_5y survival_5y_ci kept "
    "bracket.assumption bracket.scale_days bracket.ci models.model models.aic models.weight "
    "curve.age_days curve.at_risk curve.failed curve.survival curve.ci incidence.cause "
    "incidence.age_days incidence.share incidence.ci compared.test compared.groups "
    "compared.statistic compared.p_value",
    "causes": "complaint stratum part mode episodes share ci",
    "pairs": "first second episodes_first episodes_both share share_ci lift odds_ratio "
    "odds_ratio_ci q_value both_failed follow_on.window_days follow_on.after follow_on.index_jobs "
    "follow_on.units follow_on.observed follow_on.expected follow_on.ratio follow_on.ratio_ci "
    "difference.window_days difference.alone difference.both difference.risk_difference "
    "difference.ci difference.weighted_difference difference.weighted_ci hidden.multiplier "
    "hidden.multiplier_ci hidden.life.shape hidden.life.scale_days hidden.scale_ci "
    "missed_by_test.test missed_by_test.kept missed_by_test.failed_within missed_by_test.share "
    "missed_by_test.ci frailty.tau frailty.ci",
    "vents": "part role exposure contrast hazard_ratio ci crude_hazard_ratio crude_ci "
    "calibrated_ci second_model within_unit p_value time_ratio time_ratio_ci failures "
    "detectable_hazard_ratio e_value attributable_share attributable_ci "
    "cleanings_per_failure_avoided proportional_p verdict verdict_text",
    "stock": "van cycle_days jobs_expected budget completion completion_ci cost_per_cycle spend "
    "volume_l optimum_gap items.item_id items.part items.families items.quantity items.price "
    "items.why items.change spend_curve.spend spend_curve.completion next_best drop_first "
    "backtest.from backtest.to backtest.promised backtest.realised backtest.naive.rule "
    "backtest.naive.realised backtest.naive.spend",
    "policy": "kind when also recommend threshold_days costs.action costs.per_unit_year costs.ci "
    "saving_per_100_jobs saving_ci expected_regret regret_share_over_5_percent runner_up "
    "flips_if.what flips_if.value experiment.weeks experiment.jobs caution",
    "quality": "tables batches.batch batches.table batches.file batches.rows_in batches.good "
    "batches.quarantined batches.duplicates batches.corrected batches.loaded_at quarantine.batch "
    "quarantine.table quarantine.file quarantine.line quarantine.column quarantine.reason "
    "quarantine_total remarks.check remarks.statement remarks.rows remarks.remedy lives.kept "
    "lives.moved lives.dropped",
    "rules": "rule statement verdict figure ci episodes",
    "verify": "figure ours theirs library difference why",
}
PATHS = [(command, path) for command, said in KEYS.items() for path in said.split()]


def inside(kind: Any) -> list[Any]:
    """The dataclasses that a type is, may be or holds."""
    if is_dataclass(kind):
        return [kind]
    return [found for part in typing.get_args(kind) for found in inside(part)]


@pytest.mark.parametrize(("command", "path"), PATHS, ids=lambda value: value)
def test_every_key_is_an_attribute_and_in_the_schema(command: str, path: str) -> None:
    kind: Any = ANSWERS[command].row_type
    schema = envelope_schema(ANSWERS[command])["properties"]["results"]
    for key in path.split("."):
        while "properties" not in schema:
            choices = schema.get("anyOf", [schema.get("items", {})])
            schema = next(s for s in choices if s.get("type") in ("object", "array"))
        assert key in schema["properties"], key
        schema = schema["properties"][key]
        (owner,) = inside(kind)
        names = {field.name.rstrip("_"): field.name for field in fields(owner)}
        assert key in names, key
        kind = typing.get_type_hints(owner)[names[key]]


@pytest.mark.parametrize("command", sorted(set(ANSWERS) - {"verify"}))
def test_every_list_is_a_pandas_and_an_arrow_table(made: Demo, command: str) -> None:
    answer = made.answers[command]
    rows = answer.to_dict()["results"]
    rows = [rows] if isinstance(rows, dict) else rows
    lists = {path.split(".")[0] for path in KEYS[command].split() if "." in path}
    checked = 0
    for name in sorted(lists):
        entries = [entry for row in rows for entry in _entries(row[name])]
        if not entries:
            continue
        frame = answer.table(name)
        assert isinstance(frame, pd.DataFrame)
        assert len(frame) == len(entries)
        asked = [p.split(".")[1] for p in KEYS[command].split() if p.startswith(f"{name}.")]
        told = set(frame.columns)
        for key in asked:
            low = "low" if key == "ci" else key.removesuffix("_ci") + "_low"
            assert key in told or low in told, (name, key)
        checked += 1
    assert checked or not lists
    arrow = pa.table(answer)
    assert arrow.column_names == [str(column) for column in answer.table().columns]
    assert arrow.num_rows == len(answer.table()) > 0


def _entries(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def test_a_list_that_is_not_there_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        nested([{"part": "coil", "curve": [{"age_days": 1.0}]}], "curves")
    assert "'curves' is none" in caught.value.what
    assert caught.value.where == "there are: curve"
