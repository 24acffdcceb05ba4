"""How long all curves and fits of part lives take, beside one scan and beside other libraries.

    python tests/bench/run_curves.py                 10^5, 10^6 with peers, 10^7 without
    python tests/bench/run_curves.py --sizes 1e8     on demand: 10^8 lives under a limit of 4 GB
    python tests/bench/run_curves.py --small         tiny, to see that all runs

Lives: 3 parts, 10 families, a third entering late, two causes. Ours reads Parquet, counts by age
in SQL and makes, by part: Kaplan-Meier, Nelson-Aalen, Aalen-Johansen, restricted mean, log-rank
between families, all six fits; and Kaplan-Meier by part and family. A peer gets the lives of one
part as arrays, already read; a ratio against a peer counts part 0 alone on both sides.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import made_records
import numpy as np
from measure import Bench, clocked, installed, parser, rscript

from failstats.counts.life_counts import BATCH, LifeCounts, count_lives
from failstats.counts.risk_table import RiskTable
from failstats.estimate.curves import kaplan_meier, nelson_aalen
from failstats.estimate.incidence import aalen_johansen
from failstats.estimate.life_families import family_named
from failstats.estimate.life_models import fit, fit_all
from failstats.estimate.likelihood import CountLikelihood
from failstats.estimate.log_rank import log_rank
from failstats.estimate.mean_life import restricted_mean

SIZES = (100_000, 1_000_000, 10_000_000)
PEERS_UP_TO = 1_000_000
SLOW_PEERS_UP_TO = {"statsmodels": 1_000_000, "sksurv": 100_000}
FIVE_YEARS = 1826
AGES = 8192  # ages of a key: above the longest exit, a power of two
PARTS = 3
CAUSES = 2
NAMED = ("failed", "other")

Lap = Callable[[str], None]


def _connect() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    connection.execute("set memory_limit = '4GB'")
    return connection


def scan(data: Path, repeats: int) -> dict[str, Any]:
    """The floor that physics sets: add the same columns up."""
    connection = _connect()

    def steps(done: Lap) -> None:
        sums = "select sum(part), sum(family), sum(entry), sum(exit), sum(cause)"
        connection.execute(f"{sums} from read_parquet($data)", {"data": str(data)}).fetchall()
        done("scan")

    return clocked(steps, repeats=repeats)


def rows(
    connection: duckdb.DuckDBPyConnection, data: Path, part: int | None = None
) -> Iterator[list[np.ndarray]]:
    """Batches of (part and family, cause, entry, exit)."""
    chosen = "" if part is None else f" where part = {int(part)}"
    reader = connection.sql(
        f"select part * {made_records.FAMILIES}::utinyint + family as stratum, cause, entry, exit "
        f"from read_parquet($data){chosen}",
        params={"data": str(data)},
    ).to_arrow_reader(BATCH)
    return ([column.to_numpy() for column in batch.columns] for batch in reader)


def count(connection: duckdb.DuckDBPyConnection, data: Path, part: int | None = None) -> LifeCounts:
    """Lives by part and family, cause and age; those that ended as they began are left out."""
    groups = PARTS * made_records.FAMILIES
    return count_lives(rows(connection, data, part), groups=groups, causes=CAUSES, ages=AGES)


def table_of(counts: LifeCounts, part: int, family: int | None = None) -> RiskTable:
    """Counts by age of a part, or of a part in a family."""
    first = part * made_records.FAMILIES
    if family is not None:
        return counts.table(NAMED, group=first + family)
    return counts.table(NAMED, group=slice(first, first + made_records.FAMILIES))


def ours(data: Path, repeats: int) -> dict[str, Any]:
    """All parts and families, every curve and every fit."""
    connection = _connect()

    def steps(done: Lap) -> None:
        counts = count(connection, data)
        done("counts")
        for part in range(PARTS):
            whole = table_of(counts, part)
            curve = kaplan_meier(whole, cause="failed")
            nelson_aalen(whole, cause="failed")
            aalen_johansen(whole)
            restricted_mean(curve, horizon=min(FIVE_YEARS, curve.followed_to))
            families = {
                str(family): table_of(counts, part, family).only("failed")
                for family in range(made_records.FAMILIES)
            }
            for table in families.values():
                kaplan_meier(table)
            log_rank(families)
            done("curves")
            fit_all(whole, cause="failed")
            done("fits")

    return clocked(steps, repeats=repeats)


def alone(data: Path, repeats: int) -> dict[str, Any]:
    """What no way from lives to curves and fits can do without here, each alone.

    Reading the lives that are counted, without counting; counting them, already read; and three
    evaluations of each family's likelihood with its derivatives, without which nobody knows that
    a fit has arrived.
    """
    connection = _connect()
    counts = count(connection, data)
    fitted = []
    for part in range(PARTS):
        whole = table_of(counts, part).only("failed")
        for name, found in fit_all(whole).items():
            fitted.append((CountLikelihood.of(whole, family_named(name)), found.theta))

    def steps(done: Lap) -> None:
        held = list(rows(connection, data))
        done("lives read")
        count_lives(held, groups=PARTS * made_records.FAMILIES, causes=CAUSES, ages=AGES)
        done("lives counted")
        for likelihood, theta in fitted:
            for _ in range(3):
                likelihood(theta)
        done("likelihoods, three times each")

    return clocked(steps, repeats=repeats)


def ours_one_part(data: Path, repeats: int) -> dict[str, Any]:
    """Part 0 alone, step by step: what is compared with the peers, and its results."""
    connection = _connect()

    def steps(done: Lap) -> dict[str, Any]:
        whole = table_of(count(connection, data, part=0), 0)
        done("counts")
        curve = kaplan_meier(whole, cause="failed")
        done("kaplan_meier")
        hazard = nelson_aalen(whole, cause="failed")
        done("nelson_aalen")
        share = aalen_johansen(whole)
        done("aalen_johansen")
        weibull = fit(whole, model="weibull", cause="failed")
        done("weibull")
        lognormal = fit(whole, model="lognormal", cause="failed")
        done("lognormal")
        at = int(np.searchsorted(hazard.age, FIVE_YEARS, side="right")) - 1
        return {
            "kaplan_meier": float(curve.survival_at(FIVE_YEARS)),
            "nelson_aalen": float(hazard.cumulative_hazard[at]),
            "aalen_johansen": float(share.share_at(FIVE_YEARS, cause="failed")),
            "weibull": [*weibull.parameters.values()],
            "lognormal": [*lognormal.parameters.values()],
        }

    return clocked(steps, repeats=repeats)


def _part_zero(data: Path) -> dict[str, np.ndarray]:
    rows = duckdb.execute(
        "select entry, exit, cause from read_parquet($data) "
        "where part = 0 and (exit > entry or exit = 0)",
        {"data": str(data)},
    ).fetchnumpy()
    return {name: np.asarray(values).astype(float) for name, values in rows.items()}


def lifelines(data: Path, repeats: int) -> dict[str, Any]:
    """Its curves without smoothing or jitter, and its left-truncated fits."""
    from lifelines import (
        KaplanMeierFitter,
        LogNormalFitter,
        NelsonAalenFitter,
        WeibullFitter,
    )

    lives = _part_zero(data)
    exits = np.where(lives["exit"] == 0, 0.5, lives["exit"])
    given: dict[str, Any] = {"event_observed": lives["cause"] == 1, "entry": lives["entry"]}

    def steps(done: Lap) -> dict[str, Any]:
        curve = KaplanMeierFitter().fit(exits, **given)
        done("kaplan_meier")
        hazard = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(exits, **given)
        done("nelson_aalen")
        weibull = WeibullFitter().fit(exits, **given)
        done("weibull")
        lognormal = LogNormalFitter().fit(exits, **given)
        done("lognormal")
        return {
            "kaplan_meier": float(curve.predict(FIVE_YEARS)),
            "nelson_aalen": float(hazard.predict(FIVE_YEARS)),
            "weibull": [float(weibull.rho_), float(weibull.lambda_)],
            "lognormal": [float(lognormal.mu_), float(lognormal.sigma_)],
        }

    return clocked(steps, repeats=repeats)


def statsmodels(data: Path, repeats: int) -> dict[str, Any]:
    """Its product-limit curve with late entry."""
    from statsmodels.duration.survfunc import SurvfuncRight

    lives = _part_zero(data)

    def steps(done: Lap) -> dict[str, Any]:
        exits = np.where(lives["exit"] == 0, 0.5, lives["exit"])
        curve = SurvfuncRight(exits, (lives["cause"] == 1).astype(int), entry=lives["entry"])
        done("kaplan_meier")
        at = int(np.searchsorted(curve.surv_times, FIVE_YEARS, side="right")) - 1
        return {"kaplan_meier": float(curve.surv_prob[at])}

    return clocked(steps, repeats=repeats)


def sksurv(data: Path, repeats: int) -> dict[str, Any]:
    """Its product-limit curve with late entry."""
    from sksurv.nonparametric import kaplan_meier_estimator

    lives = _part_zero(data)

    def steps(done: Lap) -> dict[str, Any]:
        exits = np.where(lives["exit"] == 0, 0.5, lives["exit"])
        age, survival = kaplan_meier_estimator(
            lives["cause"] == 1, exits, time_enter=lives["entry"]
        )[:2]
        done("kaplan_meier")
        at = int(np.searchsorted(age, FIVE_YEARS, side="right")) - 1
        return {"kaplan_meier": float(survival[at])}

    return clocked(steps, repeats=repeats)


def in_r(data: Path, repeats: int) -> dict[str, Any]:
    """The survival package of R: product limit and cumulative incidence."""
    table = data.with_suffix(".csv")
    duckdb.execute(
        f"copy (select entry, greatest(exit, 0.5) as exit, cause from read_parquet('{data}') "
        f"where part = 0 and (exit > entry or exit = 0)) to '{table}' (header)"
    )
    program = [rscript() or "Rscript", str(Path(__file__).with_name("peers.R"))]
    done = subprocess.run(
        [*program, "curves", str(table), str(repeats)], capture_output=True, text=True, check=True
    )
    table.unlink()
    result = json.loads(done.stdout)
    result["found"] = dict(zip(("kaplan_meier", "aalen_johansen"), result["found"], strict=True))
    return result


CONTESTANTS = {
    "scan": scan, "ours": ours, "alone": alone, "ours_one_part": ours_one_part,
    "lifelines": lifelines, "statsmodels": statsmodels, "sksurv": sksurv, "in_r": in_r,
}  # fmt: skip
NAMES = {
    "lifelines": "lifelines", "statsmodels": "statsmodels", "sksurv": "scikit-survival",
    "in_r": "R",
}  # fmt: skip
STEPS = {
    "kaplan_meier": "Kaplan-Meier", "nelson_aalen": "Nelson-Aalen",
    "aalen_johansen": "Aalen-Johansen", "weibull": "Weibull", "lognormal": "lognormal",
}  # fmt: skip
FITS = ("weibull", "lognormal")


def one_size(bench: Bench, data: Path, size: int) -> None:
    """Scan, ours, and the peers on one data set."""
    made_records.lives(data, rows=size, seed=bench.options.seed)
    floor, all_of_it = bench.ask("scan", data), bench.ask("ours", data)
    if floor is None or all_of_it is None:
        raise SystemExit("scan and ours must run")
    bench.note(size, "scan", floor.seconds["total"], "s", peak_mb=floor.peak_mb)
    for step in ("counts", "curves", "fits"):
        bench.note(size, f"ours, {step}", all_of_it.seconds[step], "s")
    total = all_of_it.seconds["total"]
    bench.note(size, "ours, counts + curves + fits", total, "s", peak_mb=all_of_it.peak_mb)
    bench.note(size, "ours, peak memory", all_of_it.peak_mb, "MB")
    bench.note(size, "ours, counts + curves + fits / scan", total / floor.seconds["total"], "x")
    least = bench.ask("alone", data) if size >= 1_000_000 else None
    if least is not None:
        for step, took in least.seconds.items():
            if step != "total":
                bench.note(size, f"alone: {step}", took, "s")
        bench.note(
            size, "those three alone / scan", least.seconds["total"] / floor.seconds["total"], "x"
        )
    if bench.options.no_peers or size > PEERS_UP_TO:
        return
    mine = bench.ask("ours_one_part", data)
    if mine is None:
        raise SystemExit("ours must run")
    for peer, name in NAMES.items():
        present = rscript() is not None if peer == "in_r" else installed(name)
        if not present:
            print(f"  {name}: not installed, left out")
            continue
        if size > SLOW_PEERS_UP_TO.get(peer, PEERS_UP_TO):
            print(f"  {name}: left out at this size (minutes)")
            continue
        once = peer == "in_r" and size > 100_000  # minutes
        theirs = bench.ask(peer, data, repeats=1 if once else None)
        if theirs is None:
            continue
        for step, words in STEPS.items():
            if step not in theirs.seconds:
                continue
            took, counted = theirs.seconds[step], mine.seconds["counts"]
            bench.note(size, f"{name} {words}", took, "s", peak_mb=theirs.peak_mb)
            against = counted + mine.seconds[step]
            bench.note(size, f"{name} {words} / ours with the counts", took / against, "x")
            if step in FITS:
                ratio = took / mine.seconds[step]
                bench.note(size, f"{name} {words} / ours after the counts", ratio, "x")
            bench.note(
                size, f"{name} {words}: largest difference, relative",
                _apart(mine.found[step], theirs.found[step]), "",
            )  # fmt: skip


def _apart(mine: Any, theirs: Any) -> float:
    one, two = np.atleast_1d(mine).astype(float), np.atleast_1d(theirs).astype(float)
    return float(np.max(np.abs(one - two) / np.abs(one)))


def main() -> None:
    """Run all sizes asked for."""
    options = parser(__doc__).parse_args()
    bench = Bench("curves", Path(__file__).resolve(), options, CONTESTANTS)
    if options.worker:
        bench.work()
        return
    sizes = [round(s) for s in options.sizes or ((20_000,) if options.small else SIZES)]
    with tempfile.TemporaryDirectory() as made:
        for size in sizes:
            one_size(bench, (options.folder or Path(made)) / f"lives_{size}.parquet", size)
    bench.finish()


if __name__ == "__main__":
    main()
