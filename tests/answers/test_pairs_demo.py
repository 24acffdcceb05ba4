"""Pairs on the demo: what the generator was told comes back, what it was not does not."""

from __future__ import annotations

import tomllib

import pytest

from failstats.answers.pairs_answer import Pairs
from failstats.answers.pairs_rows import Pair
from failstats.demo import Demo, demo_folder
from failstats.errors import InputError
from failstats.records import Records

DERIVED = tomllib.loads((demo_folder() / "derived.toml").read_text("utf-8"))
TOLD = tomllib.loads((demo_folder() / "truth.toml").read_text("utf-8"))


@pytest.fixture
def answer(made: Demo) -> Pairs:
    found = made.answers["pairs"]
    assert isinstance(found, Pairs)
    return found


def pair(answer: Pairs, first: str, second: str) -> Pair:
    return next(p for p in answer.results if (p.first, p.second) == (first, second))


def test_only_the_pair_that_was_linked_is_called(answer: Pairs) -> None:
    assert answer.summary["failed_together_beyond_chance"] == ["cutout + thermostat"]
    assert answer.summary["pairing_spares_returns"] == ["cutout, thermostat"]


def test_three_ways_to_the_difference_hold_the_derived_one(answer: Pairs) -> None:
    truth = DERIVED["cutout_then_thermostat"]["risk_difference"]
    entry = pair(answer, "cutout", "thermostat").difference[-1]
    for low, high in (entry.ci, entry.weighted_ci, entry.habit_ci):
        assert low < truth < high
    assert entry.weighted_ci[0] > 0


def test_the_link_is_seen_as_what_it_is(answer: Pairs) -> None:
    found = pair(answer, "cutout", "thermostat")
    assert found.dependence.verdict in ("hidden_failure", "both")
    assert pair(answer, "thermostat", "cutout").dependence is None  # it does not work backwards
    # what passes cold may be stuck all the same; what passes hot is good (sensitivity .95)
    assert found.test_contrast.ci[0] > 0
    hot = next(m for m in found.missed_by_test if m.test == "hot_cycle")
    assert hot.beyond_ci[0] < 0.01
    cold = next(m for m in found.missed_by_test if m.test == "cold_continuity")
    assert cold.beyond_ci[0] > 0


def test_tau_of_units_that_differ(answer: Pairs) -> None:
    """Gamma frailty of variance 1 / shape on every hazard but the door switch's."""
    variance = 1 / TOLD["frailty"]["shape"]
    told = variance / (variance + 2)
    for first, second in (("belt", "coil"), ("belt", "fuse"), ("coil", "fuse")):
        low, high = pair(answer, first, second).frailty.ci
        assert low <= told <= high, (first, second)
    for second in ("belt", "coil", "fuse"):
        assert pair(answer, "door_switch", second).frailty.ci[0] < 0.02  # told: none
    assert pair(answer, "coil", "thermostat").frailty is None  # discovery dates are no lives
    # hard use breaks both (told: 0.8 and 1.0 on the log hazard), and that alone
    by_use = pair(answer, "coil", "door_switch").frailty
    assert by_use.plain_ci[0] > 0
    assert by_use.ci[0] == 0.0
    assert by_use.tau < by_use.plain_tau


def test_tau_of_cutout_and_thermostat_is_given_plain_and_beyond_what_is_known(
    answer: Pairs,
) -> None:
    found = pair(answer, "cutout", "thermostat").frailty
    assert found.allowed_for == ["loads_per_week", "family", "run_length", "vent_state"]
    assert found.plain_ci[0] < found.plain_tau < found.plain_ci[1]
    assert 0 < found.ci[0] < found.tau < found.plain_tau  # use and vents explain a little of it
    assert pair(answer, "thermostat", "cutout").frailty == found  # symmetric
    said = str(answer)
    line = next(row for row in said.splitlines() if row.startswith("cutout, thermostat  "))
    assert f"{found.plain_tau:.2f} (" in line
    assert f"{found.tau:.2f} (" in line


def test_curves_end_at_the_difference_and_overlap_is_counted(answer: Pairs) -> None:
    found = pair(answer, "cutout", "thermostat")
    last = found.curve[-1]
    assert last.days == 365
    entry = found.difference[-1]
    assert last.alone - last.both == pytest.approx(entry.weighted_difference, abs=1e-12)
    shares = [step.alone for step in found.curve]
    assert shares == sorted(shares)
    jobs = {row.after: row.index_jobs for row in found.follow_on}
    assert sum(band.alone for band in found.overlap_bands) == jobs["first_replaced_alone"]
    assert sum(band.both for band in found.overlap_bands) == jobs["both_replaced"]
    assert found.overlap > 0.95


def test_charts_say_what_they_show(answer: Pairs) -> None:
    assert "replacements of the" in answer.chart().to_dict()["description"]
    assert "failures of the" in answer.failed_chart().to_dict()["description"]
    assert "by day 365" in answer.curve_chart().to_dict()["description"]


def test_a_tests_figures_belong_together(demo_records: Records) -> None:
    with pytest.raises(InputError, match="only one was given"):
        demo_records.pairs(sensitivity=0.9)
    with pytest.raises(InputError, match="must exceed 1"):
        demo_records.pairs(sensitivity=0.5, specificity=0.5)
