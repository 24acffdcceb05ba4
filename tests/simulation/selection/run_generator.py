"""Every selection at once: companies of the demo's generator, loaded and fitted as records are.

    python tests/simulation/selection/run_generator.py --companies 15 --seed 1

The truth of a part is what its population would show if everything were seen (derived.toml); of
the part that fails unseen, what the generator was told. Each row: one way of answering.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from failstats.answers.lives import Selection, risk_table
from failstats.counts.frailty_pass import frailty_lives
from failstats.counts.joint_table import joint_table
from failstats.counts.row_pass import hidden_rows, loss_rows
from failstats.errors import FitError
from failstats.estimate.frailty import unit_frailty
from failstats.estimate.hidden_state import hidden_state_fit
from failstats.estimate.intervals import wilson
from failstats.estimate.life_models import FittedLife, fit
from failstats.estimate.renewal_births import renewal_births
from failstats.estimate.silent_loss import silent_loss
from failstats.intake.load import load
from failstats.warehouse.session import Session, open_session

HERE = Path(__file__).resolve().parent
DEMO = HERE.parents[2] / "demo_warehouse"
YEAR = 365.25
PARTS = ("coil", "igniter", "fuse", "door_switch", "belt")
Answered = tuple[str, str, float, tuple[float, float, float] | None]


def _scale(found: object) -> tuple[float, float, float] | None:
    if not isinstance(found, FittedLife):
        return None
    low, high = found.interval(method="normal")["scale"]
    return found.parameters["scale"] / YEAR, low / YEAR, high / YEAR


def _counted(session: Session, part: str, **how: object) -> tuple[float, float, float] | None:
    table = next(iter(risk_table(session, part, Selection(**how)).values()))  # type: ignore[arg-type]
    return _scale(fit(table, cause="failed"))


def company(session: Session, truth: dict[str, dict[str, float]]) -> Iterator[Answered]:
    """(quantity, way of answering, truth, answer with interval or None) of one company."""
    ways = {
        births: silent_loss(loss_rows(session, births=births.split("+")))
        for births in ("known", "known+assumed")
    }
    for part in PARTS:
        told = truth[part]["scale_days"] / YEAR
        name = f"{part}_scale_years"
        yield name, "naive: call-out units followed to the end", told, _counted(session, part)
        yield (
            name,
            "bracket: last contact plus a year",
            told,
            _counted(session, part, bracket="last_contact"),
        )
        yield (
            name,
            "bracket: contract units only",
            told,
            _counted(session, part, followed=("contract",)),
        )
        for births, found in ways.items():
            yield name, f"ours: silent loss, births {births}", told, _scale(found.life(part))
        yield name, "ours: births by renewal, contract units", told, _renewal(session, part)
    rows = hidden_rows(session, "cutout", "thermostat")
    for way, options in {
        "ours: hidden state": {},
        "bracket: untested means passed": {"untested": "passed"},
        "bracket: hot test shows 85 %": {"hot_sensitivity": 0.85},
        "bracket: hot test shows all": {"hot_sensitivity": 1.0},
    }.items():
        found = hidden_state_fit(rows, **options)
        low, high = found.interval("multiplier")
        yield "multiplier", way, truth["pair"]["multiplier"], (found.multiplier, low, high)
        life = _scale(found.hidden)
        yield "thermostat_stuck_closed_scale_years", way, truth["stuck"]["scale"], life
    naive = _counted(session, "thermostat", followed=("contract",))
    yield (
        "thermostat_stuck_closed_scale_years",
        "naive: contract, dates of discovery, all modes",
        truth["stuck"]["scale"],
        naive,
    )


def units_differ(session: Session, truth: dict[str, dict[str, float]]) -> Iterator[Answered]:
    """The pair again, with the frailty that the other parts show, and with the one told."""
    rows = hidden_rows(session, "cutout", "thermostat", from_installation=True)
    lives = frailty_lives(session, PARTS)
    others = unit_frailty(
        lives["unit"], law=lives["law"], entry=0.0, exit=lives["exit"], failed=lives["failed"]
    )
    told = 1 / truth["frailty"]["shape"]
    yield (
        "frailty_variance",
        "other parts, use included",
        told,
        (others.variance, *others.interval()),
    )
    found = None
    for way, variance in (
        ("units alike", 0.0),
        ("ours: variance of the other parts", others.variance),
        ("variance told", told),
    ):
        found = hidden_state_fit(rows, variance=variance, start=found)
        answer = (found.multiplier, *found.interval("multiplier"))
        yield "multiplier", way, truth["pair"]["multiplier"], answer
        life = _scale(found.hidden)
        yield "thermostat_stuck_closed_scale_years", way, truth["stuck"]["scale"], life


def _renewal(session: Session, part: str) -> tuple[float, float, float] | None:
    joint, ends = joint_table(session, part)
    by = ends.set_index("ending")
    known = next(iter(risk_table(session, part, Selection(followed=("contract",))).values()))
    try:
        found = renewal_births(
            joint,
            known=known.only("failed"),
            other_replacements=float(by["lives"].get("other", 0.0)),
            failures=float(by["lives"]["failed"]),
            days=float(by["days"].sum()),
        )
    except FitError:
        return None
    return _scale(found.life)


def run(companies: int, seed: int, ask: Callable[..., Iterator[Answered]]) -> pd.DataFrame:
    """One row per quantity and way of answering."""
    sys.path.insert(0, str(DEMO))
    import generator  # the demo's own, beside its truth

    told = generator.read_truth()
    truth = tomllib.loads((DEMO / "derived.toml").read_text("utf-8"))
    truth |= {"pair": told["pair"], "stuck": told["lives"]["thermostat_stuck_closed"]}
    truth |= {"frailty": told["frailty"]}
    kept: dict[tuple[str, str], list[Answered]] = {}
    for number in range(companies):
        with tempfile.TemporaryDirectory() as folder:
            generator.write_tables(
                generator.simulate(told, seed=seed * 100_000 + number), Path(folder) / "records"
            )
            load(
                Path(folder) / "w.duckdb", [Path(folder) / "records"], mapping=DEMO / "mapping.toml"
            )
            with open_session(Path(folder) / "w.duckdb") as session:
                for one in ask(session, truth):
                    kept.setdefault(one[:2], []).append(one)
    return pd.DataFrame([_row(name, way, ones) for (name, way), ones in kept.items()])


def _row(name: str, way: str, ones: list[Answered]) -> dict[str, object]:
    truth = ones[0][2]
    values = np.array([one[3] for one in ones if one[3] is not None], dtype=float).reshape(-1, 3)
    held = int(((values[:, 1] <= truth) & (truth <= values[:, 2])).sum())
    low, high = wilson(held, of=len(values)) if len(values) else (np.nan, np.nan)
    middle = float(np.median(values[:, 0])) if len(values) else np.nan
    width = float(np.median(np.log(values[:, 2] / values[:, 1]))) if len(values) else np.nan
    numbers = {
        "truth": truth, "median": middle, "off": middle / truth - 1,
        "relative_width": width, "coverage": held / max(len(values), 1),
        "coverage_low": low, "coverage_high": high,
    }  # fmt: skip
    return {
        "quantity": name, "way": way, "companies": len(ones), "refused": len(ones) - len(values),
        **{key: float(f"{value:.4g}") for key, value in numbers.items()},
    }  # fmt: skip


def main() -> None:
    """Run and write the table beside this file."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--companies", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=["all", "units_differ"], default="all")
    options = parser.parse_args()
    began = time.monotonic()
    ask = company if options.only == "all" else units_differ
    table = run(options.companies, options.seed, ask)
    table["seed"] = options.seed
    table["command"] = "python tests/simulation/selection/run_generator.py " + " ".join(
        sys.argv[1:]
    )
    table["date"] = dt.date.today().isoformat()
    name = "generator" if options.only == "all" else "generator_units_differ"
    table.to_csv(HERE / f"{name}.csv", index=False, lineterminator="\n")
    print(
        table.drop(columns=["command", "date"]).to_string(), f"\n{time.monotonic() - began:.0f} s"
    )


if __name__ == "__main__":
    main()
