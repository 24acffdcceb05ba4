"""Silent loss: closed forms, slopes, the truth of one company, and what is refused."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "simulation" / "selection"))

import loss_world

from failstats.counts.risk_table import RiskTable
from failstats.counts.row_pass import LossLives, LossRows
from failstats.errors import FitError, InputError
from failstats.estimate import loss_likelihood
from failstats.estimate.life_models import FittedLife, fit
from failstats.estimate.loss_scores import loss_scores
from failstats.estimate.silent_loss import loss_surface, silent_loss

YEAR = 365.25
# central differences with step 1e-5 of a value of size 1e4 are good to about 1e-6 of the slope
SLOPE = 2e-5
# 16 against 64 nodes, in the log-likelihood of about 1,800 silent units
NODES_AGREE = 1e-6
# one company of 4,000 units: about 3 standard errors of a scale (6 % each for the coil)
ONE_COMPANY = 0.20
SURE = 0.999  # one company is no test of coverage; beyond this something is wrong


def _one_law(outcome: int = 0, **more: object) -> LossRows:
    """One unit, one part that runs at the last contact, constant hazards."""
    values = dict(
        laws=("coil",),
        counted={"coil": RiskTable.from_lives(0, [100.0, 300.0], [True, False])},
        watched_from=[400.0], last_contact=[500.0], ends=[1500.0], outcome=[outcome],
        tail_unit=[0], tail_law=[0], tail_born=[450.0],
    )  # fmt: skip
    return LossRows(**(values | more))


def test_constant_hazards_have_a_closed_form() -> None:
    """exp(-(lost + fails) t) + lost (1 - exp(-(lost + fails) t)) / (lost + fails)."""
    surface, layout = loss_surface(_one_law(), loss_shape_fixed=True)
    assert layout.names == ["coil scale", "loss scale"]  # one failure: the shape is held at 1
    fails, lost = 1 / 2000, 1 / 3000
    both, silence = fails + lost, 1000
    quiet = np.exp(-both * silence) + lost * -np.expm1(-both * silence) / both
    expected = np.log(fails) - 400 * fails - 100 * lost + np.log(quiet)
    value, _ = surface(np.log([2000.0, 3000.0]))
    assert value == pytest.approx(expected, rel=1e-12)


def test_other_contacts_are_part_of_the_silence() -> None:
    rows = _one_law(other_contacts=2, other_days=600.0)
    surface, layout = loss_surface(rows, loss_shape_fixed=True)
    fails, lost, calls = 1 / 2000, 1 / 3000, 1 / 800
    both, silence = fails + lost + calls, 1000
    quiet = np.exp(-both * silence) + lost * -np.expm1(-both * silence) / both
    expected = np.log(fails) - 400 * fails - 100 * lost + np.log(quiet)
    expected += 2 * np.log(calls) - 600 * calls
    value, _ = surface(np.log([2000.0, 3000.0, calls]))
    assert layout.names[-1] == "other contacts rate"
    assert value == pytest.approx(expected, rel=1e-12)


def test_a_unit_that_said_goodbye_is_an_event_of_its_own_law() -> None:
    rows = _one_law(outcome=1, ends=[500.0])
    surface, layout = loss_surface(rows, loss_shape_fixed=True)
    assert layout.names == ["coil scale", "goodbye scale", "loss scale"]
    value, _ = surface(np.log([2000.0, 4000.0, 3000.0]))
    expected = np.log(1 / 2000) - 400 / 2000 + np.log(1 / 4000) - 100 / 4000 - 100 / 3000
    assert value == pytest.approx(expected, rel=1e-12)


@pytest.fixture(scope="module")
def company() -> tuple[loss_world.LossTruth, LossRows, object]:
    truth = loss_world.LossTruth()
    rows, naive = loss_world.loss_rows(loss_world.simulate(truth, 3), list(truth.parts))
    return truth, rows, naive


def _theta(names: list[str]) -> np.ndarray:
    level = {"shape": 0.3, "scale": np.log(4000.0), "rate": np.log(1e-4)}
    return np.array([level[name.split()[-1]] for name in names])


def test_the_slope_is_that_of_the_value(company) -> None:
    surface, layout = loss_surface(company[1])
    theta = _theta(layout.names)
    _, slope = surface(theta)
    for j, step in enumerate(1e-5 * np.eye(theta.size)):
        differenced = (surface(theta + step)[0] - surface(theta - step)[0]) / 2e-5
        assert slope[j] == pytest.approx(differenced, rel=SLOPE, abs=1e-3), layout.names[j]


def test_more_nodes_change_nothing(company) -> None:
    few, layout = loss_surface(company[1])
    many, _ = loss_surface(company[1], nodes=64)
    theta = _theta(layout.names)
    assert few(theta)[0] == pytest.approx(many(theta)[0], abs=NODES_AGREE)


def test_units_in_batches_give_the_same(company, monkeypatch) -> None:
    whole, layout = loss_surface(company[1])
    monkeypatch.setattr(loss_likelihood, "BATCH", 700)
    parts, _ = loss_surface(company[1])
    theta = _theta(layout.names)
    assert parts(theta)[0] == pytest.approx(whole(theta)[0], rel=1e-12)
    assert parts(theta)[1] == pytest.approx(whole(theta)[1], rel=1e-9)


def test_the_truth_comes_back_between_the_brackets(company) -> None:
    _, rows, naive = company
    found = silent_loss(rows)
    coil = naive[naive["part"] == "coil"]

    def scale(column: str) -> float:
        days = coil[column].round().clip(1).to_numpy()
        one = fit(RiskTable.from_lives(0, days, coil["failed"].to_numpy()))
        assert isinstance(one, FittedLife)
        return one.parameters["scale"] / YEAR

    ours = found.life("coil").parameters["scale"] / YEAR
    assert scale("contact_plus_a_year") < ours < scale("to_the_end")
    assert scale("to_the_end") > 9.0 * 1.2  # what this model is there for
    assert ours == pytest.approx(9.0, rel=ONE_COMPANY)
    low, high = found.interval("coil scale", SURE)
    assert low < 9.0 * YEAR < high
    assert 0.2 < found.gone_share < 0.8
    assert found.to_dict()["lives"]["coil"]["scale"] == pytest.approx(ours * YEAR)


def test_a_life_with_few_failures_is_not_given(company) -> None:
    found = silent_loss(_thinned(company[1]))
    with pytest.raises(FitError, match="too few for a shape beside the loss"):
        found.life("switch")


def _thinned(rows: LossRows) -> LossRows:
    """The rows with only nine failures of the switch."""
    table = rows.counted["switch"]
    kept = np.minimum(np.maximum(9 - (np.cumsum(table.failed_total) - table.failed_total), 0),
                      table.failed_total)  # fmt: skip
    thin = RiskTable(table.age, table.entered, {"failed": kept},
                     table.left + table.failed_total - kept)  # fmt: skip
    return replace(rows, counted={**rows.counted, "switch": thin})


def test_nobody_silent_is_refused(company) -> None:
    rows = _one_law(outcome=2, ends=[500.0])
    with pytest.raises(FitError, match="no call-out unit without a stated end"):
        silent_loss(rows)


def test_too_few_failures_are_refused() -> None:
    with pytest.raises(FitError, match="fewer than 5 failures"):
        silent_loss(_one_law())


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"last_contact": [300.0]}, "must run from the first visit to the last contact"),
        ({"tail_born": [600.0]}, "must be born by then"),
        ({"tail_unit": [1]}, "must name a unit"),
        ({"ends": [1.0, 2.0]}, "one column of 1 values"),
        ({"ends": [np.nan]}, "must be finite"),
        ({"laws": ("coil", "belt")}, "one table for each law"),
    ],
)
def test_rows_that_cannot_be_are_named(more, said) -> None:
    with pytest.raises(InputError, match=said):
        _one_law(**more)


# --- lives of one unit together -----------------------------------------------------------------


def _company(frailty: float = 0.0, units: int = 1200) -> LossRows:
    truth = loss_world.LossTruth(units=units, frailty=frailty)
    return loss_world.loss_rows(loss_world.simulate(truth, 3), list(truth.parts))[0]


def test_pulls_of_units_add_up_to_the_slope() -> None:
    rows = loss_likelihood.with_goodbyes(_company(units=600))
    surface, layout = loss_surface(rows)
    theta = np.array(silent_loss(rows).peak.theta) + 0.05  # away from the top, where all pull
    scores = loss_scores(rows, layout, theta, nodes=loss_likelihood.NODES)
    np.testing.assert_allclose(scores.sum(axis=0), surface(theta)[1], rtol=1e-9, atol=1e-9)
    assert len(scores) == rows.outcome.size


def test_a_unit_told_twice_is_one_witness() -> None:
    """Every unit entered twice: the model believes 1/sqrt(2) of the error, clusters do not."""
    rows = _company()
    lives, n = rows.lives, rows.outcome.size
    assert lives is not None
    twice = replace(
        rows,
        counted={law: table + table for law, table in rows.counted.items()},
        **{name: np.tile(getattr(rows, name), 2)
           for name in ("watched_from", "last_contact", "ends", "outcome", "tail_law", "tail_born")},
        tail_unit=np.concatenate([rows.tail_unit, rows.tail_unit + n]),
        other_contacts=2 * rows.other_contacts,
        other_days=2 * rows.other_days,
        lives=replace(lives, **{name: np.tile(getattr(lives, name), 2)
                                for name in LossLives.__dataclass_fields__}),
    )  # fmt: skip
    once, both = silent_loss(rows), silent_loss(twice)
    plain = np.diag(both.peak.covariance) / np.diag(once.peak.covariance)
    np.testing.assert_allclose(plain, 0.5, rtol=1e-2)
    kept = np.diag(both.clustered().peak.covariance) / np.diag(once.clustered().peak.covariance)
    np.testing.assert_allclose(kept, 1.0, rtol=1e-2)


def test_clustered_errors_are_near_the_models_where_units_are_alike() -> None:
    found = silent_loss(_company(units=4000))
    ratio = np.diag(found.clustered().peak.covariance) / np.diag(found.peak.covariance)
    for part in ("coil", "belt", "switch"):
        # 4,000 units give some 100 failures a part: an error of 1 in 10 on a variance is chance
        assert 0.6 < ratio[found.peak.at(f"{part} scale")] < 1.6
    with pytest.raises(InputError, match="lives one by one"):
        replace(found, rows=replace(found.rows, lives=None)).clustered()
