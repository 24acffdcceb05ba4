"""Random small kits and vans against full enumeration, written the plain way."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from failstats.estimate.kits import (
    kit_for_job_types,
    kit_for_service,
    kit_of_parts,
    kit_of_several,
)
from failstats.estimate.stocking import Scenarios, completed_per_cycle, plan
from failstats.estimate.stocking_scenarios import Engine

INSTANCES = 600
RELATIVE = 1e-9  # both sides are short sums of doubles
# The van search is not exact. Here it found every optimum; another machine may round otherwise and
# take another way, so a few small misses are let pass.
VAN_INSTANCES = 120
VAN_MISSES = 3  # of 120; observed none
VAN_WORST = 0.05  # share of the optimum given away in the worst instance; observed 0


def subsets(parts):
    return [np.array(kit) for kit in product((0, 1), repeat=parts)]


def random_parts(rng):
    parts = int(rng.integers(1, 8))
    # many instances with dear parts and likely needs, where the cost is not unimodal
    chance = rng.uniform(0, rng.choice([0.3, 0.95]), parts)
    hold = rng.uniform(0.1, 10, parts)
    return chance, hold, float(rng.uniform(1, 120))


def test_cost_model_equals_full_enumeration():
    rng = np.random.default_rng(20_800)
    early = 0
    for _ in range(INSTANCES):
        chance, hold, loss = random_parts(rng)
        costs = [
            float(kit @ hold + loss * (1 - np.prod([1 - p for p, k in zip(chance, kit) if not k])))
            for kit in subsets(chance.size)
        ]
        found = kit_of_parts(chance, holding=hold, return_cost=loss)
        assert found.cost == pytest.approx(min(costs), rel=RELATIVE)
        assert found.cost == pytest.approx(
            found.holding + loss * (1 - found.completion), rel=RELATIVE
        )
        assert found.quantity @ hold == pytest.approx(found.holding, rel=RELATIVE)
        early += stops_too_early(chance, hold, loss, min(costs))
    assert early > 0  # the instances do contain the trap of stopping early


def stops_too_early(chance, hold, loss, best):
    outside, spent, last = float(np.prod(1 - chance)), 0.0, np.inf
    for part in np.argsort(np.log1p(-chance) / hold):
        cost = spent + loss * (1 - outside)
        if cost > last:
            break
        last = cost
        spent, outside = spent + hold[part], outside / (1 - chance[part])
    else:
        last = min(last, spent + loss * (1 - outside))
    return last > best * (1 + 1e-6)


def test_service_model_equals_full_enumeration():
    rng = np.random.default_rng(20_801)
    for _ in range(INSTANCES):
        chance, hold, _ = random_parts(rng)
        share = float(rng.uniform(np.prod(1 - chance), 1))
        least = min(
            float(kit @ hold)
            for kit in subsets(chance.size)
            if np.prod([1 - p for p, k in zip(chance, kit) if not k]) >= share
        )
        found = kit_for_service(chance, holding=hold, completion=share)
        assert found.holding == pytest.approx(least, rel=RELATIVE)
        assert found.completion >= share - RELATIVE


def test_several_per_job_equals_full_enumeration():
    rng = np.random.default_rng(20_802)
    for _ in range(INSTANCES):
        parts = int(rng.integers(1, 5))
        demand = [rng.dirichlet(np.full(rng.integers(1, 5), 0.5)) for _ in range(parts)]
        hold, loss = rng.uniform(0.1, 10, parts), float(rng.uniform(1, 80))
        costs = []
        for kit in product(*(range(len(row)) for row in demand)):
            met = np.prod([row[: units + 1].sum() for row, units in zip(demand, kit)])
            costs.append(float(np.dot(kit, hold) + loss * (1 - met)))
        found = kit_of_several(demand, holding=hold, return_cost=loss)
        assert found.cost == pytest.approx(min(costs), rel=1e-7)


@pytest.mark.parametrize("program", [False, True])
def test_job_types_equal_full_enumeration_under_both_aims(program):
    rng = np.random.default_rng(20_803)
    count = 60 if program else INSTANCES
    for _ in range(count):
        items, types = int(rng.integers(1, 6)), int(rng.integers(1, 9))
        need = (rng.random((types, items)) < 0.4) * rng.integers(1, 3, (types, items))
        chance = rng.dirichlet(np.ones(types + 1))[:types]  # the rest no kit can finish
        hold, loss = rng.uniform(0.1, 10, items), float(rng.uniform(1, 80))
        share = float(rng.uniform(0, chance.sum()))
        costs, spends = [], []
        for kit in product(range(3), repeat=items):
            met = sum(p for p, row in zip(chance, need) if all(k >= n for k, n in zip(kit, row)))
            costs.append(float(np.dot(kit, hold) + loss * (1 - met)))
            if met >= share:
                spends.append(float(np.dot(kit, hold)))
        options = {"probability": chance, "holding": hold}
        if program:
            options["enumerate_up_to"] = 0
        cheapest = kit_for_job_types(need, **options, return_cost=loss)
        assert cheapest.cost == pytest.approx(min(costs), rel=1e-6)
        least = kit_for_job_types(need, **options, completion=share)
        assert least.holding == pytest.approx(min(spends), rel=1e-6, abs=1e-6)


def test_a_van_of_one_job_cycles_plans_the_single_job_kit():
    # cycles of one job: the van under least cost is the kit for job types
    rng = np.random.default_rng(20_804)
    for _ in range(30):
        items, types = int(rng.integers(2, 6)), int(rng.integers(2, 7))
        need = (rng.random((types, items)) < 0.4).astype(int)
        weight = rng.integers(1, 6, types)
        jobs = np.repeat(np.arange(types), weight)[:, None]
        cycles = Scenarios(need=need, jobs=jobs)
        hold, loss = rng.uniform(0.1, 6, items), float(rng.uniform(5, 40))
        kit = kit_for_job_types(
            need, probability=weight / weight.sum(), holding=hold, return_cost=loss
        )
        van = plan(cycles, price=hold, holding=1.0, return_cost=loss, evaluate=cycles)
        assert van.cost_per_cycle >= kit.cost * (1 - RELATIVE)
        assert van.cost_per_cycle <= kit.cost * (1 + VAN_WORST)


def test_van_plans_against_full_enumeration_under_all_aims():
    rng = np.random.default_rng(20_805)
    given_away = []
    for row in range(VAN_INSTANCES):
        items, types = int(rng.integers(2, 5)), int(rng.integers(2, 6))
        need = (rng.random((types, items)) < 0.5).astype(int)
        jobs = rng.integers(-1, types, (8, 4))
        cycles = Scenarios(need=need, jobs=jobs)
        if not (jobs >= 0).any() or not need.any():
            continue
        price = rng.integers(2, 30, items).astype(float)
        total = int(cycles.jobs_per_cycle.sum())
        most = Engine(cycles).most_needed()
        stocks = np.array(list(product(*(range(int(top) + 1) for top in most))))
        done = np.array([completed_per_cycle(s, scenarios=cycles).sum() for s in stocks])
        if row % 3 == 0:
            budget = float(rng.uniform(price.min(), 3 * price.sum()))
            best = done[stocks @ price <= budget].max()
            found = plan(cycles, price=price, budget=budget, evaluate=cycles)
            ours = round(found.completion * total)
            assert ours <= best and ours >= best * (1 - found.optimum_gap) - 1e-6
            given_away.append(1 - ours / best if best else 0.0)
        elif row % 3 == 1:
            wanted = float(rng.uniform(0.3, 1)) * done.max() / total
            least = (stocks @ price)[done >= np.ceil(wanted * total - 1e-9)].min()
            twice = cycles.part(np.repeat(np.arange(8), 2))
            found = plan(cycles, price=price, target=wanted, evaluate=twice)
            assert found.completion >= wanted - RELATIVE
            assert found.spend * (1 - found.optimum_gap) <= least + 1e-6
            given_away.append(found.spend / least - 1 if least else found.spend)
        else:
            cost = 0.1 * (stocks @ price) + 12 * (total - done) / 8
            found = plan(cycles, price=price, holding=0.1, return_cost=12.0, evaluate=cycles)
            assert found.cost_per_cycle >= cost.min() - 1e-9
            given_away.append(found.cost_per_cycle / cost.min() - 1)
    missed = np.array(given_away)
    assert (missed > 1e-9).sum() <= VAN_MISSES
    assert missed.max() <= VAN_WORST
