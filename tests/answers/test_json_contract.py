"""The JSON of every command against one schema made from the result classes, and the contract's keys."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pandas as pd
import pytest

from failstats.answers.causes import Causes
from failstats.answers.lives import Lives
from failstats.answers.pairs import Pairs
from failstats.answers.policy import Policy
from failstats.answers.quality import Quality
from failstats.answers.result import WARNING_CODES, Answer, envelope_schema, json_value
from failstats.answers.rules import Rules
from failstats.answers.stock import Stock
from failstats.answers.vents import Vents
from failstats.answers.verify import Verified
from failstats.demo import Demo

CLASSES: dict[str, type[Answer]] = {
    c.command: c for c in (Causes, Lives, Pairs, Policy, Quality, Rules, Stock, Verified, Vents)
}
# contract, section 5: keys that each command's rows carry from the first version on
KEYS = {
    "lives": "part stratum births lives failures unit_count person_days model parameters parameters_ci bracket "
    "log_likelihood aic b10_days b10_ci median_days median_ci mean_days restricted_mean_days survival_5y "
    "survival_5y_ci models curve incidence compared kept",
    "causes": "complaint stratum part mode episodes share ci",
    "pairs": "first second episodes_first episodes_both share share_ci lift odds_ratio odds_ratio_ci q_value "
    "both_failed follow_on difference hidden missed_by_test frailty",
    "vents": "part role exposure contrast hazard_ratio ci crude_hazard_ratio crude_ci calibrated_ci second_model "
    "within_unit units p_value time_ratio time_ratio_ci failures detectable_hazard_ratio e_value attributable_share "
    "attributable_ci cleanings_per_failure_avoided proportional_p verdict verdict_text",
    "stock": "van cycle_days jobs_expected budget items completion completion_ci cost_per_cycle spend volume_l "
    "optimum_gap spend_curve next_best drop_first backtest",
    "policy": "kind when also recommend threshold_days costs saving_per_100_jobs saving_ci expected_regret "
    "regret_share_over_5_percent runner_up flips_if experiment caution",
    "rules": "rule statement verdict figure ci episodes",
    "verify": "figure ours theirs library difference why",
}


def answers_of(made: Demo) -> dict[str, Answer]:
    return made.answers


@pytest.mark.parametrize("command", sorted(set(CLASSES) - {"verify"}))
def test_json_fits_the_schema(made: Demo, command: str) -> None:
    answer = made.answers[command]
    found = json.loads(json.dumps(answer.to_dict(), allow_nan=False))
    jsonschema.validate(found, envelope_schema(CLASSES[command]))
    assert found["results"], "an empty answer proves nothing"


@pytest.mark.parametrize("command", sorted(KEYS))
def test_rows_carry_the_contracts_keys(command: str) -> None:
    row = CLASSES[command].row_type
    assert row is not None
    assert set(KEYS[command].split()) <= set(row.__dataclass_fields__)


@pytest.mark.parametrize("command", sorted(set(CLASSES) - {"verify"}))
def test_every_answer_has_the_same_five(made: Demo, command: str) -> None:
    answer = made.answers[command]
    assert isinstance(answer.table(), pd.DataFrame)
    assert len(answer.table())
    chart = answer.chart()
    assert chart is None or chart.to_dict()["$schema"]
    assert answer.headline().strip().endswith((".", ")"))
    assert str(answer).count("\n") >= 2
    ci = answer.interval()
    assert ci is None or ci[0] <= ci[1]


def test_quality_adds_up(made: Demo) -> None:
    for row in made.answers["quality"].results.batches:
        assert row.rows_in == row.good + row.quarantined + row.duplicates


def test_warning_codes_are_the_contracts(made: Demo) -> None:
    for answer in made.answers.values():
        assert {w.code for w in answer.warnings} <= set(WARNING_CODES)


@pytest.mark.parametrize(("given", "expected"), [
    (float("nan"), None), (float("inf"), None), (pd.NaT, None), (True, True), ((1, 2.5), [1, 2.5]), ({"a": None}, {"a": None}),
])  # fmt: skip
def test_json_value(given: Any, expected: Any) -> None:
    assert json_value(given) == expected


def test_json_value_refuses_what_has_no_place() -> None:
    with pytest.raises(TypeError, match="no place"):
        json_value(object())
