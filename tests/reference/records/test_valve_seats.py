"""The 41 engines of valveSeat as job records: load -> lives; see SOURCE.md."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import failstats
from failstats.errors import InputError

DATA = Path(__file__).parents[1] / "lives" / "data" / "survival_valveSeat.csv"
START = dt.date(2000, 1, 1)
EXACT = 1e-12  # products of fractions: only rounding separates the two

# R 4.2.2, survival 3.5-3
MEAN = {98: 0.146341463414634, 200: 0.268292682926829, 300: 0.463414634146342, 400: 0.658536585365854,
        500: 0.808536585365854, 600: 1.01426413954542, 653: 1.54268751355703}  # fmt: skip
STANDARD_ERROR = {
    98: 0.0551993371072554,
    300: 0.109607275665324,
    600: 0.173844328450389,
    653: 0.311656074750563,
}


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> failstats.Records:
    """The engines as a company would hold them."""
    folder = tmp_path_factory.mktemp("engines")
    frame = pd.read_csv(DATA)
    units, jobs, lines = [], [], []
    for engine, rows in frame.groupby("id"):
        last = START + dt.timedelta(days=int(rows["time"].max()))
        units.append(f"e{engine},engine,{START},{START},{last},contract_ended")
        for day, repairs in rows[rows["status"] == 1].groupby("time"):
            jobs.append(f"e{engine}-{day},e{engine},{START + dt.timedelta(days=int(day))}")
            lines += [
                f"e{engine}-{day},valve_seat,{k + 1},failed,replaced" for k in range(len(repairs))
            ]
    (folder / "units.csv").write_text(
        "unit_id,family,installed_on,enrolled_on,left_on,left_because\n" + "\n".join(units) + "\n"
    )
    (folder / "jobs.csv").write_text("job_id,unit_id,visited_on\n" + "\n".join(jobs) + "\n")
    (folder / "lines.csv").write_text(
        "job_id,part,position,finding,action\n" + "\n".join(lines) + "\n"
    )
    words = folder.parent / "words.toml"
    words.write_text("[parts.valve_seat]\nsynonyms = ['seat']\n")
    mapping = folder.parent / "map.toml"
    mapping.write_text(f"records_from = {START}\nrecords_to = {START + dt.timedelta(days=761)}\n")
    from failstats.vocabulary import load_vocabulary

    loaded = failstats.load(
        folder.parent / "w.duckdb", [folder], mapping=mapping, vocabulary=load_vocabulary(words)
    )
    assert loaded.quarantined == 0
    assert {b["table"]: b["good"] for b in loaded.batches}["lines"] == 48
    return failstats.open_warehouse(folder.parent / "w.duckdb", vocabulary=words)


def curve(records: failstats.Records) -> pd.DataFrame:
    life = records.lives("valve_seat").results[0]
    return pd.DataFrame(
        [
            {"age": p.age_days, "mean": p.mean_count, "low": p.ci[0], "high": p.ci[1]}
            for p in life.recurrence
        ]
    )


def test_mean_cumulative_number_of_repairs(records: failstats.Records) -> None:
    found = curve(records)
    for age, expected in MEAN.items():
        at = found[found["age"] <= age].iloc[-1]
        assert at["mean"] == pytest.approx(expected, rel=EXACT)


def test_its_robust_standard_error(records: failstats.Records) -> None:
    found = curve(records)
    z = 1.959963984540054
    for age, expected in STANDARD_ERROR.items():
        at = found[found["age"] <= age].iloc[-1]
        error = (
            np.log(at["high"] / at["low"]) / (2 * z) * at["mean"]
        )  # the interval is made on the log scale
        assert error == pytest.approx(expected, rel=1e-9)


def test_engines_without_and_with_one_repair(records: failstats.Records) -> None:
    rows = records.query("lives_recurrence", part="valve_seat")
    counts = rows.groupby("unit_id")["event_days"].count()
    assert (len(counts), (counts == 0).sum(), (counts == 1).sum()) == (41, 17, 9)


def test_unknown_part_is_refused_without_the_companys_words(
    records: failstats.Records, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="--part must name a part"):
        records.lives("valve_stem")
