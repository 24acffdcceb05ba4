"""How often to clean: the optimum on the curves, its doubt, its caps and its refusals."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad

from failstats.answers.costs import Costs, read_costs
from failstats.answers.policy_cleaning import cleaning_advice, weigh_cleaning
from failstats.answers.policy_laws import YEAR_DAYS
from failstats.answers.vents import Vents
from failstats.answers.vents_models import fit_ratios, indicators
from failstats.demo import Demo, demo_folder
from failstats.estimate.cleaning import cleaning_interval
from failstats.estimate.neglect_curve import NeglectCurve
from failstats.records import Records

TOLD = tomllib.loads((demo_folder() / "truth.toml").read_text("utf-8"))
PARTS = ("coil", "cutout")  # the demo's neglect reaches these
STANDARD_ERRORS = 4  # Monte Carlo error allowed, in its own standard errors
EXPONENTIAL = 0.15  # Cox against failures over days: the same but for what ages tell


def costs(**changed: float) -> Costs:
    known = read_costs(demo_folder() / "costs.toml")
    given = {f"cleaning.{key}": Decimal(str(value)) for key, value in changed.items()}
    return replace(known, values={**known.values, **given})


def bands(first: float, second: float, rate: float = 0.0005, error: float = 0.1) -> NeglectCurve:
    return NeglectCurve(
        kind="bands", months=[12, 24], coefficients=np.log([first, second]), rate_per_day=rate,
        reference_months=[6], reference_shares=[1], covariance=np.eye(3) * error**2,
        watched_months=24,
    )  # fmt: skip


def smooth() -> NeglectCurve:
    return NeglectCurve(
        kind="smooth", months=[3, 12, 24, 48], coefficients=[0.05, -3.0, 4.0], rate_per_day=0.0004,
        reference_months=[1, 5, 9], reference_shares=[0.5, 0.3, 0.2],
        covariance=np.diag([0.01, 0.5, 0.5, 0.05]) ** 2, watched_months=54,
    )  # fmt: skip


def prices(made: Demo) -> dict[str, float]:
    return made.answers["policy"].summary["prices"]


@pytest.mark.parametrize("price", [5.0, 40.0, 100.0, 400.0])
def test_a_curve_in_steps_gives_the_answer_of_the_bands(price: float) -> None:
    found = weigh_cleaning(
        {"coil": bands(1.4, 3.0), "cutout": bands(1.0, 2.0, 0.0002)},
        money={"coil": 300.0, "cutout": 150.0},
        cleaning_cost=price,
    ).best
    steps = cleaning_interval(
        [[1.0, 1.4, 3.0], [1.0, 1.0, 2.0]],
        starts_days=[0, 365, 730],
        rate_per_day=[0.0005, 0.0002],
        failure_cost=[300.0, 150.0],
        cleaning_cost=price,
    )
    assert found.money_days == steps.money_days
    for name in ("cost_per_day", "advice_days", "advice_cost_per_day", "break_even_cost"):
        assert getattr(found, name) == pytest.approx(getattr(steps, name), rel=1e-9)


@pytest.mark.parametrize("price", [8.0, 15.0, 25.0])
def test_the_optimum_is_the_least_of_a_fine_grid(price: float) -> None:
    curve = smooth()
    found = weigh_cleaning({"coil": curve}, money={"coil": 250.0}, cleaning_cost=price, draws=2)

    def a_day(days: float) -> float:
        spent = quad(lambda t: 250 * curve.rates([t])[0], 0, days, epsabs=1e-10, limit=200)[0]
        return (price + spent) / days

    around = np.arange(found.best.money_days - 20, found.best.money_days + 20, 0.25)
    coarse = np.linspace(61, 1600, 60)
    near, far = [a_day(d) for d in around], [a_day(d) for d in coarse]
    assert abs(around[int(np.argmin(near))] - found.best.money_days) <= 1  # days are whole
    assert found.best.cost_per_day == pytest.approx(min(near), rel=1e-6)
    assert min(far) >= min(near)
    assert found.best.cost_per_day < 250 * curve.rates([54 * 365 / 12])[0]


@pytest.mark.parametrize("price", [130, 7, 5, 3, 2])
def test_the_demo_s_truth_lies_in_the_interval(made: Demo, price: float) -> None:
    vents = made.answers["vents"]
    row = cleaning_advice(vents, costs(full_run=price), prices(made))
    rate, per_unit = (vents.summary[k] for k in ("reference_rate_per_day", "sockets_per_unit"))
    told = [TOLD["neglect"][part] for part in PARTS]
    truth = cleaning_interval(
        [[1.0, t["months_12_to_24"], t["over_24_months"]] for t in told],
        starts_days=[0, 365, 730],
        rate_per_day=[rate[part] * per_unit[part] for part in PARTS],
        failure_cost=[prices(made)[part] + 110 for part in PARTS],
        cleaning_cost=price,
    )
    low, high = (np.inf if end is None else end for end in row.money_optimum_ci)
    assert low <= (truth.money_days or np.inf) <= high
    assert (truth.money_days is None) == (price == 130)
    at_advice, alone = row.costs
    truly = {365.0: truth.advice_cost_per_day, None: truth.cost_per_day}
    if row.threshold_days in truly:
        low, high = at_advice.ci
        assert low <= truly[row.threshold_days] * YEAR_DAYS <= high
    if price == 130:
        assert alone.action == "never"
        assert alone.ci[0] <= truly[None] * YEAR_DAYS <= alone.ci[1]
        (flip,) = row.flips_if
        assert flip.what == "cleaning.full_run"
        assert flip.value < 130
        assert "no interval up to" in row.advice_text
        assert "one would below $" in row.advice_text


def test_the_curve_and_the_bands_have_one_rate_behind_a_clean_vent(made: Demo) -> None:
    summary = made.answers["vents"].summary
    for part, rate in summary["reference_rate_per_day"].items():
        if part in summary["rate_by_neglect"]:
            curve = NeglectCurve.of(summary["rate_by_neglect"][part])
            assert curve.kind == "smooth"
            assert curve.rate_per_day == pytest.approx(rate, rel=1e-9)
    # a coil is in electric dryers, an igniter in gas ones: no dryer has both
    per_unit = summary["sockets_per_unit"]
    assert per_unit["coil"] + per_unit["igniter"] == pytest.approx(1.0)


def test_rate_and_ratio_are_in_doubt_together() -> None:
    rng = np.random.default_rng(5)
    n = 20_000
    late = rng.random(n) < 0.5
    life = np.ceil(rng.exponential(np.where(late, 400, 800), n)).astype(int)
    frame = pd.DataFrame(
        {
            "cluster_id": np.arange(n), "stratum": "a", "band": np.where(late, "late", "clean"),
            "start_days": 0, "stop_days": np.minimum(life, 300), "failed": life <= 300,
        }
    )  # fmt: skip
    found = fit_ratios(
        frame,
        exposure=indicators(frame["band"], reference="clean", levels=["late"]),
        reference=frame["band"] == "clean",
    )
    clean = frame[frame["band"] == "clean"]
    failures = int(clean["failed"].sum())
    assert found.rate_per_day == pytest.approx(failures / clean["stop_days"].sum(), rel=1e-12)
    # exponential lives: log ratio = log rate - log rate, each with 1/failures of variance
    assert found.joint[1, 1] == pytest.approx(1 / failures, rel=EXPONENTIAL)
    assert found.joint[0, 1] == pytest.approx(-1 / failures, rel=EXPONENTIAL)
    assert found.joint[0, 0] == pytest.approx(found.covariance[0, 0], rel=1e-12)


def test_draws_of_the_cost_agree_with_the_delta_method() -> None:
    curve, size = smooth(), 4000
    tight = replace(curve, covariance=curve.covariance / 25)
    found = weigh_cleaning({"coil": tight}, money={"coil": 250.0}, cleaning_cost=15, draws=size)
    days = np.arange(int(found.best.advice_days)) + 0.5

    def yearly(theta: np.ndarray) -> float:
        return (15 + 250 * tight.rates(days, theta=theta).sum()) / days.size * YEAR_DAYS

    assert found.best.advice_cost_per_day * YEAR_DAYS == pytest.approx(yearly(tight.theta))
    step = 1e-6
    slope = [(yearly(tight.theta + step * e) - yearly(tight.theta - step * e)) / (2 * step)
             for e in np.eye(4)]  # fmt: skip
    error = np.sqrt(slope @ tight.covariance @ slope)
    allowed = STANDARD_ERRORS / np.sqrt(2 * size)
    assert found.yearly_advised.std() == pytest.approx(error, rel=allowed)


@pytest.mark.parametrize(
    ("maker", "price", "days", "said"),
    [
        (180, 130, 180, "every 180 days at the latest, the maker's interval"),
        (400, 130, 365, "every 365 days at the latest (the maker allows 400)"),
        (None, 130, 365, "every 365 days at the latest, or at the maker's interval if that is"),
        (180, 1, 180, "every 180 days at the latest, the maker's interval"),
    ],
)
def test_the_maker_caps_the_advice(
    made: Demo, maker: int | None, price: float, days: float, said: str
) -> None:
    known = costs(full_run=price, **({} if maker is None else {"maker_days": maker}))
    row = cleaning_advice(made.answers["vents"], known, prices(made))
    assert row.threshold_days == days
    assert row.advice_text.startswith(f"Clean the vent over its full run {said}")
    assert "lint burns, and fire safety is not priced here" in row.advice_text
    assert row.costs[0].action == f"every_{days}_days"


def test_money_that_asks_for_more_is_followed(made: Demo) -> None:
    row = cleaning_advice(made.answers["vents"], costs(full_run=1), prices(made))
    assert row.threshold_days == row.money_optimum_days < 365
    assert "that costs least by the parts it spares" in row.advice_text
    assert "Never later than a year or the maker's interval" in row.advice_text
    assert row.costs[0].per_unit_year == pytest.approx(row.costs[1].per_unit_year)


def judged(vents: Vents, **verdicts: str) -> Vents:
    rows = [replace(r, verdict=verdicts.get(r.part, r.verdict)) for r in vents.results]
    return replace(vents, results=tuple(rows))


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        (
            {"coil": "not_enough_data", "cutout": "cannot_be_trusted"},
            "Whether it also pays by the parts it spares, the records cannot tell: coil (too few "
            "failures), cutout (what was found cannot be trusted). Not shown to fail sooner behind "
            "a neglected vent: fuse, igniter.",
        ),
        (
            {"coil": "no_effect_larger_than", "cutout": "lengthens"},
            "By itself it never pays: coil, cutout, fuse, igniter are not shown to fail sooner "
            "behind a neglected vent. Clean anyway, for fire safety.",
        ),
        (
            {"cutout": "cannot_be_trusted"},
            "Not counted: cutout (what was found cannot be trusted).",
        ),
    ],
)
def test_without_a_money_optimum_the_yearly_advice_stays(
    made: Demo, verdicts: dict[str, str], said: str
) -> None:
    row = cleaning_advice(judged(made.answers["vents"], **verdicts), costs(), prices(made))
    assert (row.recommend, row.threshold_days) == ("always", 365)
    assert row.advice_text.startswith("Clean the vent over its full run every 365 days at the")
    assert said in row.advice_text
    assert (row.money_optimum_ci is None) == ("coil" in verdicts)
    assert row.caution.startswith("Lint burns")


def test_parts_without_a_price_and_a_cleaning_for_nothing(made: Demo) -> None:
    row = cleaning_advice(made.answers["vents"], costs(), {})
    assert "coil, cutout (no price of an item" in row.advice_text
    assert row.costs == []
    free = cleaning_advice(made.answers["vents"], costs(full_run=0), prices(made))
    assert "cleaning.full_run is 0" in free.advice_text
    assert free.threshold_days == 365
    assert free.money_optimum_days is None


def test_sockets_count_all_units(company: Callable[..., Records]) -> None:
    records = company(
        units="""unit_id,family,fuel,enrolled_on
            u1,A,electric,2020-01-01
            u2,A,electric,2020-01-01
            u3,B,gas,2020-01-01
            u4,B,gas,2020-01-01""",
        jobs="""job_id,unit_id,visited_on
            j1,u1,2021-01-01
            j2,u3,2021-01-01""",
        lines="""job_id,part,finding,action
            j1,coil,failed,replaced
            j1,cutout,failed,replaced
            j2,igniter,failed,replaced""",
    )
    found = records.query("vents_sockets").set_index("part")["sockets_per_unit"]
    assert found["coil"] == 0.5
    assert found["igniter"] == 0.5
    assert found["cutout"] == 1.0


def test_a_company_that_records_no_cleaning_is_told_to_clean(
    company: Callable[..., Records],
) -> None:
    records = company(
        units="unit_id,family,enrolled_on\nu1,A,2020-01-01",
        jobs="job_id,unit_id,visited_on\nj1,u1,2021-01-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
    )
    answer = records.policy()
    (row,) = [r for r in answer.results if r.kind == "cleaning"]
    assert row.threshold_days == 365
    assert "the records cannot tell" in row.advice_text
    assert "every 365 days" in str(answer)


def test_the_maker_s_interval_is_read_and_refused(tmp_path: Path) -> None:
    file = tmp_path / "costs.toml"
    file.write_text("[cleaning]\nmaker_days = 180\n")
    assert read_costs(file).known("cleaning.maker_days") == 180
    assert read_costs().known("cleaning.maker_days") is None
    assert "cleaning.maker_days" not in read_costs().assumed


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"without_catalogue": True}, "no catalogue of items that can be fitted on a visit"),
        ({"no_rule_for": {"coil + belt": "no single life of the belt is stated"}}, "stands below"),
        ({"no_rule_for": {"coil": "only 7 failures"}}, "has enough jobs for a rule"),
    ],
)
def test_without_a_pair_rule_the_first_sentence_says_why(
    made: Demo, changed: dict[str, object], said: str
) -> None:
    answer = made.answers["policy"]
    rest = {"no_rule_for": {}, "without_catalogue": False, "last_years": [], **changed}
    bare = replace(answer, results=(), summary={**answer.summary, **rest})
    assert said in bare.headline()


def test_reasons_are_words_and_safety_parts_are_not_left_in(made: Demo) -> None:
    said = " ".join(str(made.answers["policy"]).split())
    assert "is left in beyond the maker's instruction" in said
    assert "door_switch" not in said
