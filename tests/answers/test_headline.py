"""The life that stands for a part: the same in every answer."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from failstats.answers.headline import headline_life
from failstats.demo import Demo
from failstats.estimate.life_models import FittedLife, NoFit
from failstats.records import Records

TRUTH = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "demo_warehouse" / "truth.toml").read_text("utf-8")
)


def test_it_is_what_lives_states(made: Demo, demo_records: Records) -> None:
    for row in made.answers["lives"].results:
        found = headline_life(demo_records._session, row.part)
        assert found.label == row.label
        assert isinstance(found.found, FittedLife)
        assert found.found.parameters["scale"] == pytest.approx(row.parameters["scale_days"])
        hidden = row.part in ("thermostat", "cutout")
        assert (found.seen is found.found) is not hidden


def test_a_family_with_weaker_coils_has_a_shorter_life(demo_records: Records) -> None:
    weak = min(TRUTH["families"], key=lambda name: TRUTH["families"][name]["coil"])
    whole, one = (headline_life(demo_records._session, "coil", f) for f in (None, weak))
    assert isinstance(whole.found, FittedLife)
    assert isinstance(one.found, FittedLife)
    assert one.ratio > 1
    shape = whole.found.parameters["shape"]
    assert one.found.parameters["shape"] == pytest.approx(shape)
    moved = one.found.parameters["scale"] / whole.found.parameters["scale"]
    assert moved == pytest.approx(one.ratio ** (-1 / shape))
    assert one.found.std_errors["scale"] > whole.found.std_errors["scale"]
    # a family nobody has seen is the whole
    assert headline_life(demo_records._session, "coil", "no-such").ratio == 1


def test_the_chance_of_a_failure_is_of_parts_that_reached_their_age(demo_records: Records) -> None:
    coil = headline_life(demo_records._session, "coil")
    assert isinstance(coil.found, FittedLife)
    ages = np.array([0.0, 1000.0, 3000.0])
    hand = 1 - coil.found.survival(ages + 90) / coil.found.survival(ages)
    np.testing.assert_allclose(coil.chance(ages, days=90), hand, rtol=1e-9)


def test_thin_records_give_a_bound_and_no_chance(company: Callable[..., Records]) -> None:
    records = company(
        units="unit_id,family,installed_on,enrolled_on\nu1,E1,2015-01-01,2015-01-01",
        jobs="job_id,unit_id,visited_on\nj1,u1,2018-01-01",
        lines="job_id,part,finding,action\nj1,coil,failed,replaced",
    )
    coil = headline_life(records._session, "coil", "E1")
    assert isinstance(coil.found, NoFit)
    assert coil.chance([100.0], days=30) is None
