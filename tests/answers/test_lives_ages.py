"""Lives held against their records: bands, plot, life left, swaps, repeats, strata, pictures."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from failstats.answers.lives_answer import CHARTS, Lives
from failstats.answers.lives_rows import Life
from failstats.counts.risk_table import RiskTable
from failstats.errors import InputError
from failstats.estimate.curves import kaplan_meier
from failstats.estimate.life_intervals import fit_intervals
from failstats.estimate.life_models import fit
from failstats.estimate.life_robust import sandwich
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean
from failstats.estimate.recurrence import mean_cumulative_function
from failstats.records import Records

YEAR = 365.25
#: The same sums in another order.
ROUNDING = 1e-9
#: A fit found from counts and from rows.
FITTED = 1e-6


@pytest.fixture(scope="module")
def coils(request: pytest.FixtureRequest) -> dict[str, object]:
    """Coils by family and by item, fitted once, and the contract lives behind them."""
    import failstats

    made = request.getfixturevalue("made")
    with failstats.open_warehouse(made.warehouse) as records:
        frame = records.query("fact_lives")
        return {
            "family": records.lives("coil", by="family"),
            "item": records.lives("coil", by="item_id"),
            "alone": records.lives("coil"),
            "belts": records.lives("belt", by=["fuel"]),
            "switches": records.lives("door_switch", by="first_or_later"),
            "loads": records.lives("door_switch", clock="loads"),
            "lives": frame[(frame["followed_as"] == "contract") & (frame["birth"] == "known")],
            "recurrence": records.query("lives_recurrence", part="belt"),
        }


def head(answer: object) -> Life:
    assert isinstance(answer, Lives)
    return answer.results[0]


def rows_of(coils: dict[str, object], part: str, **where: str) -> pd.DataFrame:
    frame = coils["lives"]
    assert isinstance(frame, pd.DataFrame)
    mine = (frame["part"] == part) & (frame["exit_days"] > frame["entry_days"])
    for column, value in where.items():
        mine &= frame[column] == value
    return frame[mine]


def counted(rows: pd.DataFrame) -> RiskTable:
    return RiskTable.from_lives(
        rows["entry_days"].to_numpy(), rows["exit_days"].to_numpy(), rows["ending"] == "failed"
    )


def test_bands_are_the_rows_seen_and_expected(coils: dict[str, object]) -> None:
    life, rows = head(coils["alone"]), rows_of(coils, "coil")
    assert sum(b.failures for b in life.bands) == life.failures
    assert sum(b.person_days for b in life.bands) == pytest.approx(life.person_days)
    band = life.bands[2]
    assert (band.from_days, band.to_days) == (2 * YEAR, 3 * YEAR)
    entry, leaves = rows["entry_days"].to_numpy(), rows["exit_days"].to_numpy()
    begins, ends = np.maximum(entry, band.from_days), np.minimum(leaves, band.to_days)
    there = ends > begins
    shape, scale = life.parameters["shape"], life.parameters["scale_days"]
    hazard = (ends[there] / scale) ** shape - (begins[there] / scale) ** shape
    failed = (rows["ending"] == "failed") & (leaves > band.from_days) & (leaves <= band.to_days)
    assert band.failures == failed.sum()
    assert band.person_days == pytest.approx((ends - begins)[there].sum(), rel=ROUNDING)
    assert band.expected == pytest.approx(hazard.sum(), rel=FITTED)
    assert band.at_risk == ((entry <= band.from_days) & (leaves > band.from_days)).sum()
    assert band.ratio == pytest.approx(band.failures / band.expected)
    assert band.rate == pytest.approx(band.failures / band.person_days)
    low, high = band.rate_ci
    assert low < band.rate < high
    # the interval of the ratio and of the rate are the same limits of one count
    assert low * band.person_days == pytest.approx(band.ratio_ci[0] * band.expected)


def test_the_plots_points_lie_in_the_curves_steps(coils: dict[str, object]) -> None:
    life = head(coils["alone"])
    steps = [p for p in life.curve if p.failed]
    assert [p.age_days for p in life.plot] == [p.age_days for p in steps]
    before = [1.0, *(p.survival for p in steps[:-1])]
    for point, step, earlier in zip(life.plot, steps, before, strict=True):
        assert point.share_failed == pytest.approx(1 - (earlier + step.survival) / 2)
        assert point.up == pytest.approx(np.log(-np.log(1 - point.share_failed)))
        assert point.across == pytest.approx(np.log(point.age_days))


def test_life_left_is_the_curve_from_that_age_on(coils: dict[str, object]) -> None:
    life, table = head(coils["alone"]), counted(rows_of(coils, "coil"))
    left = next(one for one in life.life_left if one.age_days == 2 * YEAR)
    curve = kaplan_meier(table, given_age=2 * YEAR)
    mean = restricted_mean(curve, horizon=7 * YEAR)
    assert left.mean_until_days == 7 * YEAR
    assert left.mean_days == pytest.approx(mean.mean, rel=ROUNDING)
    assert left.mean_ci == pytest.approx(tuple(mean.interval()), rel=ROUNDING)
    # of the fit: half of what has survived two years
    shape, scale = life.parameters["shape"], life.parameters["scale_days"]
    gone = (2 * YEAR / scale) ** shape + np.log(2)
    assert left.fitted_median_days == pytest.approx(scale * gone ** (1 / shape) - 2 * YEAR)


def test_mean_life_has_an_interval(coils: dict[str, object]) -> None:
    life = head(coils["alone"])
    assert life.mean_ci[0] < life.mean_days < life.mean_ci[1]


def test_strata_are_clustered_where_units_give_two_lives(coils: dict[str, object]) -> None:
    answer = coils["family"]
    assert isinstance(answer, Lives)
    for life in answer.results[1:]:
        rows = rows_of(coils, "coil", family=life.stratum["family"])
        found = fit(counted(rows), cause="failed")
        cluster = rows["building_id"].fillna(rows["unit_id"]).to_numpy()
        assert (pd.Series(cluster).value_counts() > 1).mean() > 0.05
        together = sandwich(
            found,
            entry=rows["entry_days"].to_numpy(),
            exit=rows["exit_days"].to_numpy(),
            failed=(rows["ending"] == "failed").to_numpy(),
            cluster=cluster,
        )
        limits = found.clustered(together).interval()["scale"]
        assert life.parameters_ci["scale_days"] == pytest.approx(tuple(limits), rel=FITTED)


def test_families_lean_on_each_other(coils: dict[str, object]) -> None:
    answer = coils["family"]
    assert isinstance(answer, Lives)
    strata = answer.results[1:]
    own = [s.parameters["scale_days"] for s in strata]
    shared = [s.shared.parameters["scale_days"] for s in strata]
    assert min(own) < min(shared)
    assert max(shared) < max(own)
    assert all(0 < s.shared.own_weight < 1 for s in strata)
    assert answer.results[0].shared is None
    assert "(empirical Bayes): E1" in str(answer)


def test_thin_items_are_drawn_to_the_others_shape(coils: dict[str, object]) -> None:
    answer = coils["item"]
    assert isinstance(answer, Lives)
    by_item = {life.stratum.get("item_id"): life for life in answer.results[1:]}
    thin, rich = by_item["coil-e1"], by_item["coil-e2"]
    assert 5 <= thin.failures <= 20 < rich.failures
    assert thin.label == "contract units only, penalised"
    assert thin.shape_penalty is not None
    assert thin.shape_penalty.variance > 0
    assert thin.shape_penalty.origin == "the part as a whole, deviation assumed"
    assert rich.shape_penalty is None
    free = fit(counted(rows_of(coils, "coil", item_id="coil-e1")), cause="failed").parameters
    pull = np.exp(thin.shape_penalty.log_shape)
    assert min(free["shape"], pull) < thin.parameters["shape"] < max(free["shape"], pull)
    # what they cost, as in the catalogue; parts that came with the unit have no item
    assert (thin.price, rich.price, by_item[None].price) == (46.0, 58.0, None)
    assert by_item[None].shared is None
    assert "coil not recorded" in set(answer.curve_table()["series"])
    # each item fits one family, so there is nothing to compare within a family
    assert [c.within for c in answer.results[0].compared] == [None]


def test_first_and_later_lives_are_labelled_and_compared_within_families(
    coils: dict[str, object],
) -> None:
    life = head(coils["switches"])
    plain, within = life.compared
    assert (plain.within, within.within) == (None, "family")
    assert plain.groups == ["first", "later"]
    for one in (plain, within, *life.first_and_later):
        assert one.note.startswith("confounded by unit")
    rows = rows_of(coils, "door_switch")
    tables = {key: counted(group) for key, group in rows.groupby(["first_or_later", "family"])}
    found = log_rank(
        list(tables.values()), groups=[k[0] for k in tables], strata=[k[1] for k in tables]
    )
    assert within.statistic == pytest.approx(found.statistic, rel=ROUNDING)
    # contract units alone: later lives of call-out units would be followed past their leaving
    assert sum(end.failures for end in life.first_and_later) == counted(rows).failures


def test_repeats_apart_are_the_difference_of_two_groups(coils: dict[str, object]) -> None:
    life, rows = head(coils["belts"]), coils["recurrence"]
    assert isinstance(rows, pd.DataFrame)
    at = {}
    for fuel, group in rows.assign(who=rows["unit_id"] + rows["span"].astype(str)).groupby("fuel"):
        units = group.drop_duplicates("who")
        units = units[units["exit_days"] > units["entry_days"]].reset_index(drop=True)
        events = group[group["event_days"] > group["entry_days"]]
        found = mean_cumulative_function(
            events["who"].map(pd.Series(units.index, index=units["who"])).to_numpy(),
            event_age=events["event_days"].to_numpy(float),
            unit_entry=units["entry_days"].to_numpy(float),
            unit_exit=units["exit_days"].to_numpy(float),
        )
        at[fuel] = float(found.mean_at(5 * YEAR)), float(found.variance_at(5 * YEAR))
    five = next(d for d in life.recurrence_difference if d.age_days == 5 * YEAR)
    assert (five.first, five.second) == ("electric", "gas")
    gap = at["electric"][0] - at["gas"][0]
    assert five.difference == pytest.approx(gap, rel=ROUNDING)
    half = 1.959963984540054 * np.sqrt(at["electric"][1] + at["gas"][1])
    assert five.ci == pytest.approx((gap - half, gap + half), rel=ROUNDING)
    trend = life.recurrence_trend
    assert trend.events == (rows["event_days"] > rows["entry_days"]).fillna(value=False).sum()
    assert trend.statistic > 0  # belts wear: the demo's shape is above 1
    assert trend.p_value < 0.001


@pytest.mark.parametrize("kind", CHARTS)
@pytest.mark.parametrize("which", ["alone", "family", "loads"])
def test_pictures_are_drawn(coils: dict[str, object], which: str, kind: str) -> None:
    answer = coils[which]
    assert isinstance(answer, Lives)
    if (which, kind) == ("loads", "repeats"):
        with pytest.raises(InputError, match="counted by the unit's age in days"):
            answer.chart(kind)
        return
    spec = answer.chart(kind).to_dict()
    words = str(spec)
    assert ("loads dried" in words) == (which == "loads")
    assert spec["description"]
    if kind in ("curve", "hazard", "plot"):
        assert "Dashed: the fitted life" in words


def test_another_picture_is_named(coils: dict[str, object]) -> None:
    answer = coils["alone"]
    assert isinstance(answer, Lives)
    with pytest.raises(InputError, match="kind must be one of curve, hazard, plot"):
        answer.chart("pie")


def test_a_single_part_is_looked_at_closely(coils: dict[str, object]) -> None:
    said = " ".join(str(coils["alone"]).split())
    life = head(coils["alone"])
    for words in (
        "Half have failed by 9.4 years",
        "still work at 5 years",
        "Ended by 5 years, as it was in this fleet: failed 20 %",
        "Seen and expected, by age (contract units only)",
        "Life left, as fitted",
        "Weight of each law of life (AIC): weibull",
        "Laplace test, p < 0.001",
        f"birth known {life.kept['birth_known']:,}",
    ):
        assert words in said, words
    assert "Life left" not in str(coils["family"])  # strata have their own lines
    assert "loads at 500 loads" in " ".join(str(coils["loads"]).split())


# --- a small company whose figures can be worked out ---------------------------------------------


@pytest.fixture
def swapped(company: Callable[..., Records]) -> Records:
    """Forty units from installation: twelve belts fail, eight are swapped while working, two
    untested, one failure takes two visits; one unit enrols after a call."""
    units = ["unit_id,family,installed_on,enrolled_on"]
    units += [f"u{k},E1,2016-01-01,2016-01-01" for k in range(40)]
    units += ["late,E1,2018-01-01,2019-06-20"]
    jobs, lines = ["job_id,unit_id,visited_on,completed,continues"], ["job_id,part,finding,action"]
    for k in range(22):
        jobs.append(f"j{k},u{k},{2017 + k % 6}-{1 + k % 12:02d}-15,yes,")
        finding = "failed" if k < 12 else "working" if k < 20 else "untested"
        lines.append(f"j{k},belt,{finding},replaced")
    jobs += ["first,u30,2020-03-01,no,", "second,u30,2020-03-20,yes,first"]
    lines += ["first,belt,failed,kept", "second,belt,failed,replaced"]
    jobs += ["call,late,2019-06-10,yes,"]
    lines += ["call,fuse,failed,replaced"]
    return company(units="\n".join(units), jobs="\n".join(jobs), lines="\n".join(lines))


def test_bounds_of_parts_swapped_while_working(swapped: Records) -> None:
    life = swapped.lives("belt").results[0]
    found = life.replaced
    assert found is not None
    assert (found.working, found.unknown) == (8, 2)
    assert found.share == pytest.approx(10 / 23)
    recorded, failed, worked_on = found.bounds
    assert (recorded.failures, failed.failures, worked_on.failures) == (13, 23, 13)
    assert failed.scale_days < recorded.scale_days < worked_on.scale_days
    # by rows: each swapped part goes on to the end of the records, 2025-12-31
    frame = swapped.query("fact_lives")
    frame = frame[(frame["part"] == "belt") & (frame["followed_as"] == "contract")]
    frame = frame[frame["exit_days"] > frame["entry_days"]]
    swap = frame["ending"].isin(["replaced_working", "replaced_unknown"])
    whole = (pd.Timestamp("2025-12-31") - pd.to_datetime(frame["born_on"])).dt.days
    leaves = frame["exit_days"].where(~swap, whole).to_numpy()
    by_rows = fit(
        RiskTable.from_lives(frame["entry_days"].to_numpy(), leaves, frame["ending"] == "failed")
    )
    assert worked_on.scale_days == pytest.approx(by_rows.parameters["scale"], rel=FITTED)
    assert "were replaced while working and 2 untested" in " ".join(
        str(swapped.lives("belt")).split()
    )


def test_moved_lives_are_counted_and_named(swapped: Records) -> None:
    life = swapped.lives("belt").results[0]
    assert life.moved == {"failure_dated_to_first_visit": 1, "enrolled_because_of_a_call": 1}
    moved = swapped.quality().results.lives.moved
    assert moved["failure_dated_to_first_visit"] == 1
    assert moved["enrolled_because_of_a_call"] >= 1
    assert sum(life.kept.values()) == (swapped.query("fact_lives")["part"] == "belt").sum()


def test_no_swap_no_bound(company: Callable[..., Records]) -> None:
    units = "\n".join(f"u{k},E1,2016-01-01,2016-01-01" for k in range(8))
    records = company(
        units=f"unit_id,family,installed_on,enrolled_on\n{units}",
        jobs="job_id,unit_id,visited_on\nj1,u1,2018-01-01",
        lines="job_id,part,finding,action\nj1,belt,failed,replaced",
    )
    life = records.lives("belt", by="family").results[0]
    assert life.replaced is None
    assert life.parameters is None
    # counted, though nothing is fitted: no expectation, the rate with its exact limits
    assert sum(b.failures for b in life.bands) == 1
    assert all(b.expected is None and b.ratio_ci is None for b in life.bands)
    assert life.bands[0].rate_ci[0] == 0
    assert life.bands[0].rate_ci[1] > 0
    assert life.compared == []


def test_failures_that_maintenance_found_lie_between_two_looks(
    company: Callable[..., Records],
) -> None:
    """Ten of sixteen failed fuses are found on the yearly round; nobody had called."""
    units = "\n".join(f"u{k},E1,2016-01-01,2016-01-01" for k in range(30))
    jobs, lines = ["job_id,unit_id,visited_on,kind"], ["job_id,part,finding,action"]
    by_hand = []  # entry, last seen working, found failed (infinite: not), in days
    start, end = pd.Timestamp("2016-01-01"), pd.Timestamp("2025-12-31")
    for k in range(30):
        at = pd.Timestamp(2018 + k % 5, 3, 10 + k % 12)
        age = (at - start).days
        if k < 10:  # looked at a year before (even units), found failed on the round
            last = 0
            if k % 2 == 0:
                look = at - pd.Timedelta(days=365)
                jobs.append(f"l{k},u{k},{look.date()},maintenance")
                lines.append(f"l{k},fuse,working,kept")
                last = age - 365
            jobs.append(f"j{k},u{k},{at.date()},maintenance")
            by_hand.append((0, last, age))
        elif k < 16:
            jobs.append(f"j{k},u{k},{at.date()},call_out")
            by_hand.append((0, age, age))
        else:
            by_hand.append((0, (end - start).days, np.inf))
            continue
        lines.append(f"j{k},fuse,failed,replaced")
        by_hand.append((0, (end - at).days, np.inf))
    records = company(
        units=f"unit_id,family,installed_on,enrolled_on\n{units}",
        jobs="\n".join(jobs),
        lines="\n".join(lines),
    )
    answer = records.lives("fuse")
    life = answer.results[0]
    entry, lower, upper = (np.array(column, dtype=float) for column in zip(*by_hand, strict=True))
    expected = fit_intervals(lower, upper=upper, entry=entry)
    found = life.found_at_maintenance
    assert found is not None
    assert found.found == 10
    assert found.scale_days == pytest.approx(expected.parameters["scale"], rel=FITTED)
    assert found.ci == pytest.approx(tuple(expected.interval(method="normal")["scale"]), rel=FITTED)
    assert "10 failures were found at maintenance" in " ".join(str(answer).split())
