"""Lives: brackets, refusals, options."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from failstats.demo import Demo
from failstats.errors import InputError
from failstats.records import Records


def test_brackets_stand_beside_every_part(made: Demo) -> None:
    hidden = ("thermostat", "cutout")
    for life in made.answers["lives"].results:
        assumed = [b.assumption for b in life.bracket]
        if life.part in hidden:
            assert assumed == [
                "two_state_model",
                "hot_test_finds_85_percent",
                "hot_test_finds_100_percent",
                "untested_means_looked_good",
                "units_differ",
            ]
        else:
            assert assumed == [
                "silent_loss_integrated",
                "followed_to_the_end",
                "last_contact_plus_a_year",
                "contract_units_only",
            ]
    coil = next(r for r in made.answers["lives"].results if r.part == "coil")
    loss, end, contact, contract = (b.scale_days for b in coil.bracket)
    # as in the trials: last contact too short, followed to the end too long
    assert contact < min(loss, contract) and max(loss, contract) < end


def test_renewal_births_use_parts_of_unknown_age_and_narrow_the_interval(
    demo_records: Records,
) -> None:
    known, renewal = (demo_records.lives("coil", births=b).results[0] for b in ("known", "renewal"))
    assert renewal.label == "births by renewal"
    width = [
        np.log(life.parameters_ci["scale_days"][1] / life.parameters_ci["scale_days"][0])
        for life in (known, renewal)
    ]
    assert width[1] < 0.7 * width[0]


def test_kept_counts_every_life_once(made: Demo, demo_records: Records) -> None:
    frame = demo_records.query("fact_lives")
    for life in made.answers["lives"].results:
        assert sum(life.kept.values()) == (frame["part"] == life.part).sum()


def test_by_family_compares_and_adds_up(demo_records: Records) -> None:
    answer = demo_records.lives("coil", by="family")
    head, *strata = answer.results
    assert {s.stratum["family"] for s in strata} == {"E1", "E2", "E3"}
    assert sum(s.lives for s in strata) == head.lives
    assert sum(s.failures for s in strata) == head.failures
    assert head.compared[0].test == "log_rank" and 0 <= head.compared[0].p_value <= 1


def test_assumed_births_add_lives_and_are_named(demo_records: Records) -> None:
    known, assumed = (demo_records.lives("coil", births=b).results[0] for b in ("known", "assumed"))
    assert assumed.births == "assumed" and assumed.lives > known.lives


def test_another_model_is_fitted_for_the_headline(demo_records: Records) -> None:
    life = demo_records.lives("coil", model="lognormal").results[0]
    assert life.model == "lognormal" and set(life.parameters) == {"mu", "sigma"}
    assert sum(m.weight for m in life.models) == pytest.approx(1.0)


@pytest.mark.parametrize(("options", "message"), [
    ({"by": "colour"}, "--by must be one of"),
    ({"model": "cauchy"}, "--model must be one of"),
    ({"births": "guessed"}, "--births must be one of"),
    ({"part": "coyl"}, "--part must name a part"),
])  # fmt: skip
def test_wrong_words_are_named(
    demo_records: Records, options: dict[str, str], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        demo_records.lives(**options)


def test_synonym_of_a_part_is_understood(demo_records: Records) -> None:
    assert demo_records.lives("element").results[0].part == "coil"


def test_loads_clock_measures_use(demo_records: Records) -> None:
    answer = demo_records.lives("door_switch", clock="loads")
    row = answer.to_dict()["results"][0]
    assert "b10_loads" in row and "scale_loads" in row["parameters"] and "b10_days" not in row
    frame = demo_records.query("fact_lives")
    mine = frame[(frame["part"] == "door_switch") & (frame["birth"] == "known")]
    if row["label"] == "contract units only":
        mine = mine[mine["followed_as"] == "contract"]
    used = mine.dropna(subset="loads_per_week")
    entry, leaves = (
        np.floor(used[c] * used["loads_per_week"] / 7 + 0.5) for c in ("entry_days", "exit_days")
    )
    assert row["person_loads"] == pytest.approx((leaves - entry)[leaves > entry].sum())
    # the door switch's hazard goes with use alone: in loads its shape is the one told
    low, high = answer.results[0].parameters_ci["shape"]
    assert low <= 1.4 <= high
    with pytest.raises(InputError, match="loads clock"):
        demo_records.lives("thermostat", clock="loads")


def test_few_failures_give_a_bound_and_no_shape(company: Callable[..., Records]) -> None:
    units = "\n".join(f"u{k},E1,2016-01-01,2016-01-01" for k in range(30))
    records = company(
        units=f"unit_id,family,installed_on,enrolled_on\n{units}",
        jobs="job_id,unit_id,visited_on\nj1,u1,2018-01-01\nj2,u2,2019-01-01",
        lines="job_id,part,finding,action\nj1,fuse,failed,replaced\nj2,fuse,failed,replaced",
    )
    answer = records.lives("fuse")
    life = answer.results[0]
    assert life.failures == 2 and life.parameters is None and life.label == "exact Poisson bound"
    assert "few_failures" in {w.code for w in answer.warnings}
    assert life.curve[0].at_risk == 32  # thirty first lives and two later ones


def test_as_of_answers_from_what_was_known_then(made: Demo) -> None:
    import failstats

    with failstats.open_warehouse(made.warehouse, as_of="2021-12-31") as early:
        life = early.lives("coil").results[0]
        assert early.as_of.isoformat() == "2021-12-31"
    now = next(r for r in made.answers["lives"].results if r.part == "coil")
    assert life.failures < now.failures


def test_fitted_lives_would_have_given_the_demos_records(made: Demo) -> None:
    answer = made.answers["lives"]
    world = {m["figure"]: m for m in answer.summary["fitted_world"]}
    assert {"failures of the coil", "share of units never heard of"} <= set(world)
    # the demo's units differ by a little more than its records say, which a repeat rate may show;
    # how many parts fail, and how many units are never heard of, must fit
    for figure in ("failures of the coil", "failures of the belt", "share of units never heard of"):
        assert world[figure]["fits"], figure
    misfits = [m for m in world.values() if not m["fits"]]
    said = " ".join(w.text for w in answer.warnings if w.code == "models_disagree")
    assert all(m["figure"] in said for m in misfits)
