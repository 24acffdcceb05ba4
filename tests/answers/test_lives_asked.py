"""What was asked of `lives` is applied, or named as not applied; what is printed says its law."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy import stats

import failstats
from failstats.answers.lives_notes import POOR_WEIGHT, poor_fit, together
from failstats.answers.lives_rows import ModelWeight
from failstats.answers.result import Warning_
from failstats.demo import Demo
from failstats.errors import InputError
from failstats.records import Records

YEAR = 365.25
HIDDEN = ("cutout", "thermostat")


def plain(answer: object) -> str:
    return " ".join(str(answer).split())


def notes(answer: Any, code: str) -> list[str]:
    return [w.text for w in answer.warnings if w.code == code]


@pytest.fixture(scope="module")
def asked(made: Demo) -> dict[str, Any]:
    """Answers of the demo, each asked once."""
    parts = ["coil", "thermostat", "fuse"]
    with failstats.open_warehouse(made.warehouse) as records:
        return {
            "lognormal": records.lives(parts, model="lognormal"),
            "gompertz": records.lives("coil", model="gompertz"),
            "gamma": records.lives(["coil", "thermostat"], model="gamma", by="family"),
            "renewal": records.lives("coil", model="gamma", births="renewal"),
            "assumed": records.lives("thermostat", births="assumed"),
            "loads": records.lives(clock="loads"),
            "items": records.lives("coil", by="item_id"),
            "thermostat": records.lives("thermostat"),
            "pair": records.lives(HIDDEN),
            "coil": records.lives("coil"),
        }


def row(answer: Any, part: str) -> Any:
    return next(life for life in answer.results if life.part == part and not life.stratum)


# --- what does not apply -------------------------------------------------------------------------


def test_a_model_that_does_not_apply_is_named_in_words_json_and_row(asked: dict[str, Any]) -> None:
    answer = asked["lognormal"]
    [said] = notes(answer, "not_applied")
    assert said == (
        "thermostat: the hidden state is fitted as a Weibull life; --model lognormal does not "
        "apply."
    )
    assert {"code": "not_applied", "text": said} in answer.to_dict()["warnings"]
    assert said in plain(answer)
    models = {life.part: life.model for life in answer.results}
    assert models == {"coil": "lognormal", "thermostat": "weibull", "fuse": "lognormal"}
    table = answer.details()[0].splitlines()
    assert " model " in table[0]
    named = {line.split()[0]: line for line in table}
    assert " weibull " in named["thermostat"]
    assert " lognormal " in named["coil"]
    assert asked["renewal"].results[0].model == "weibull"
    assert "births by renewal take a Weibull life" in plain(asked["renewal"])


def test_groups_that_cannot_be_told_apart_are_named(asked: dict[str, Any]) -> None:
    answer = asked["gamma"]
    assert [life.part for life in answer.results if life.part == "thermostat"] == ["thermostat"]
    said = " ".join(notes(answer, "not_applied"))
    assert "fitted on all contract units together, not group by group" in said
    assert "--by family does not apply" in said


def test_counts_of_a_hidden_life_stay_with_its_figure(asked: dict[str, Any]) -> None:
    known, assumed = (asked[name].results[0] for name in ("thermostat", "assumed"))
    assert (assumed.lives, assumed.failures) == (known.lives, known.failures)
    assert assumed.parameters == known.parameters
    assert assumed.births == "known"
    assert "--births assumed does not apply" in plain(asked["assumed"])
    # and what stands behind the two-state model is said with it
    [said] = notes(asked["thermostat"], "silent_failure")
    found = known.bracket[0].failures
    assert f"({found} silent failures found)" in said


def test_parts_that_loads_cannot_measure_keep_a_row_with_the_reason(asked: dict[str, Any]) -> None:
    answer = asked["loads"]
    for part in HIDDEN:
        life = row(answer, part)
        assert life.parameters is None
        assert life.b10_days is None
        assert life.label == "withheld: no two-state model in loads"
        assert any(
            text.startswith(f"{part}:") and "in loads" in text
            for text in notes(answer, "silent_failure")
        )
    assert answer.summary["refused"] == list(HIDDEN)
    assert "Not stated as one number: cutout, thermostat" in plain(answer)


def test_the_same_words_of_several_parts_are_one_note() -> None:
    given = [
        Warning_(code="not_applied", text="cutout: no."),
        Warning_(code="few_failures", text="a: too few."),
        Warning_(code="not_applied", text="thermostat: no."),
        Warning_(code="few_failures", text="b: too few."),
    ]
    said = [w.text for w in together(given)]
    assert said == ["cutout, thermostat: no.", "a: too few.", "b: too few."]


# --- what the figures are of ---------------------------------------------------------------------


def test_laws_without_a_scale_print_their_parameters_and_b10(asked: dict[str, Any]) -> None:
    said = plain(asked["lognormal"])
    coil = row(asked["lognormal"], "coil")
    mu, (low, high) = coil.parameters["mu"], coil.parameters_ci["mu"]
    assert "Fitted, lognormal (mu: logarithm of days): coil mu " in said
    assert f"coil mu {mu:.3g} ({low:.3g} to {high:.3g}), sigma " in said
    assert "Fitted, weibull: thermostat shape " in said
    table = asked["lognormal"].details()[0]
    assert "95 % interval" in table
    line = next(line for line in table.splitlines() if line.startswith("coil"))
    ends = [f"{end / YEAR:.1f}" for end in coil.b10_ci]
    assert f"{ends[0]} to {ends[1]} years" in line
    growth = row(asked["gompertz"], "coil").parameters["slope"] * YEAR
    assert f"slope {growth:.3g} (" in plain(asked["gompertz"])
    assert "slope: growth of the rate per year" in plain(asked["gompertz"])


def test_b10_of_every_group_has_its_interval(asked: dict[str, Any]) -> None:
    said = plain(asked["gamma"])
    for life in asked["gamma"].results:
        if life.stratum:
            ends = [f"{end / YEAR:.1f}" for end in life.b10_ci]
            family = life.stratum["family"]
            assert f"coil {family} {life.b10_days / YEAR:.1f} years ({ends[0]} to {ends[1]}" in said


def test_another_law_is_clustered_like_the_usual_one(asked: dict[str, Any]) -> None:
    """Coils of one unit go together, whatever the law: intervals are no narrower for it."""
    width = {
        name: float(np.ptp(np.log(row(asked[name], "coil").b10_ci)))
        for name in ("coil", "lognormal")
    }
    assert width["lognormal"] > 0.8 * width["coil"]


def test_a_law_that_fits_badly_is_named(asked: dict[str, Any]) -> None:
    life = row(asked["gompertz"], "coil")
    weights = {one.model: one.weight for one in life.models}
    assert weights["gompertz"] < POOR_WEIGHT
    best = life.models[0].model
    said = " ".join(notes(asked["gompertz"], "models_disagree"))
    assert f"coil: gompertz agrees with these records far less well than {best}" in said
    assert "gompertz under 0.1 %" in plain(asked["gompertz"])
    assert "AIC weight of lognormal among the laws of life: coil " in plain(asked["lognormal"])


def test_a_law_is_poor_below_its_share_of_the_weight() -> None:
    laws = [ModelWeight(model="gamma", aic=1.0, weight=0.9501)]
    at, below = (
        [*laws, ModelWeight(model="weibull", aic=2.0, weight=weight)] for weight in (0.05, 0.0499)
    )
    assert poor_fit("coil", "weibull", at) == []
    assert len(poor_fit("coil", "weibull", below)) == 1
    assert poor_fit("coil", "gompertz", below) == []  # it could not be fitted


def test_what_is_weibull_is_called_so_and_has_its_interval(asked: dict[str, Any]) -> None:
    said = plain(asked["gompertz"])
    life = row(asked["gompertz"], "coil")
    first, later = life.first_and_later
    ends = [f"{end / YEAR:.1f}" for end in later.ci]
    assert "Weibull scale of first and later lives apart: coil: first-fitted " in said
    assert f"later ones {later.scale_days / YEAR:.1f} years ({ends[0]} to {ends[1]}" in said
    assert "Weibull" in first.note
    differ = life.units_differ
    low, high = (100 * (1 - end) for end in reversed(differ.new_unit_survival_5y_ci))
    assert (
        f"coil {100 * (1 - differ.new_unit_survival_5y):.0f} % ({low:.0f} to {high:.0f} %)" in said
    )
    low, high = differ.replacements.pooled_ci
    assert f"{differ.replacements.pooled_ratio:.2f} ({low:.2f} to {high:.2f}) read off" in said


def test_the_label_says_which_units_a_row_rests_on(asked: dict[str, Any]) -> None:
    for name in ("gompertz", "lognormal", "gamma", "items", "coil"):
        for life in asked[name].results:
            if life.part == "coil":
                assert life.label.startswith("contract units only"), (name, life.stratum)
                assert life.rests_on == "contract units only"
    assert row(asked["lognormal"], "fuse").rests_on == "contract units only"
    assert any(
        "silent leaving is integrated out of a Weibull life only; the lognormal one rests on "
        "contract units alone" in text
        for text in notes(asked["lognormal"], "silent_loss")
    )


def test_lives_by_rule_say_how_many_the_row_counts(asked: dict[str, Any]) -> None:
    for name in ("thermostat", "coil"):
        life = asked[name].results[0]
        known = life.kept["birth_known"]
        assert life.lives < known
        assert (
            f"Of the {known:,} of known birth the row counts {life.lives:,} (contract units only)."
            in plain(asked[name])
        )


def test_the_row_of_no_item_is_not_held_against_the_items(asked: dict[str, Any]) -> None:
    [said] = notes(asked["items"], "confounding_remains")
    nameless = next(life for life in asked["items"].results if life.stratum == {"item_id": None})
    assert f"Its {nameless.lives:,} lives" in said
    assert notes(asked["coil"], "confounding_remains") == []


# --- pictures ------------------------------------------------------------------------------------


def test_a_part_without_a_curve_shows_what_ends_it(asked: dict[str, Any]) -> None:
    spec = asked["thermostat"].chart().to_dict()
    assert "What ends a thermostat, by age (as found in this fleet)" in str(spec)
    with pytest.raises(InputError, match="cannot be drawn: none may be drawn of parts"):
        asked["pair"].chart()
    with pytest.raises(InputError, match="'hazard' of thermostat cannot be drawn"):
        asked["thermostat"].chart("hazard")


# --- thin records --------------------------------------------------------------------------------


@pytest.mark.parametrize("failed", [0, 2])
def test_the_exact_bound_stands_in_words_and_json(
    company: Callable[..., Records], failed: int
) -> None:
    units = "\n".join(f"u{k},E1,2016-01-01,2016-01-01" for k in range(30))
    lines = [f"j{k},fuse,failed,replaced" for k in range(failed)] or ["j0,fuse,working,kept"]
    records = company(
        units=f"unit_id,family,installed_on,enrolled_on\n{units}",
        jobs="job_id,unit_id,visited_on\nj0,u1,2018-01-01\nj1,u2,2019-01-01",
        lines="\n".join(["job_id,part,finding,action", *lines]),
    )
    answer = records.lives("fuse")
    [life] = answer.to_dict()["results"]
    assert life["failures"] == failed
    # the two tails of the Poisson distribution, through the chi-squared one
    low = stats.chi2.ppf(0.025, 2 * failed) / 2 if failed else 0.0
    high = stats.chi2.ppf(0.975, 2 * failed + 2) / 2
    assert life["rate"] == pytest.approx(failed / life["person_days"])
    assert life["rate_ci"] == pytest.approx([low / life["person_days"], high / life["person_days"]])
    per = 100 * YEAR / life["person_days"]
    said = plain(answer)
    assert (
        "Failures per 100 and year where no life could be fitted (exact Poisson, 95 % int" in said
    )
    assert f"fuse {failed * per:.3g} ({low * per:.3g} to {high * per:.3g})" in said


def test_a_fitted_life_has_no_bound(asked: dict[str, Any]) -> None:
    assert row(asked["coil"], "coil").rate is None


def test_filters_that_leave_nothing_are_named(made: Demo) -> None:
    with failstats.open_warehouse(made.warehouse, families=["E1"], fuels=["gas"]) as records:
        with pytest.raises(InputError, match="after --family E1 --fuel gas no unit is left"):
            records.lives("coil")
        assert "no part line that --family E1 --fuel gas leave begins" in plain(records.lives())
