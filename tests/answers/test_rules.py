"""Rules of thumb: what is graded, and what is left at "cannot tell"."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from failstats.answers.rules import Rules
from failstats.answers.rules_file import read_rules
from failstats.errors import InputError
from failstats.records import Records

UNITS = 40  # of each family
FOLLOW_ON = """
[[rule]]
name = "returns"
statement = "A cutout that went goes again when the thermostat stays."
estimator = "follow_on"
first = "cutout"
second = "thermostat"
window_days = {days}
threshold = 0.0
direction = "above"
"""


def _company(company: Callable[..., Records], paired: Callable[[int], bool]) -> Records:
    """Two families of 40 dryers; each loses its cutout in 2018. `paired` says of which dryers the
    thermostat goes too; half of the others are back after 200 days with the thermostat gone."""
    units, jobs, lines = [], [], []
    for k in range(2 * UNITS):
        name = f"u{k}"
        units.append(f"{name},{'E1' if k < UNITS else 'E2'},2016-01-01,2016-01-01")
        first = dt.date(2018, 1, 1) + dt.timedelta(days=k)
        jobs.append(f"a{k},{name},{first},no_heat")
        lines.append(f"a{k},cutout,failed,replaced,open_circuit,visual")
        both = paired(k)
        done = "replaced" if both else "kept"
        lines.append(f"a{k},thermostat,working,{done},,hot_cycle")
        if not both and k % 4 < 2:
            jobs.append(f"b{k},{name},{first + dt.timedelta(days=200)},no_heat")
            lines.append(f"b{k},thermostat,failed,replaced,stuck_open,visual")
    return company(
        units="unit_id,family,installed_on,enrolled_on\n" + "\n".join(units),
        jobs="job_id,unit_id,visited_on,complaint\n" + "\n".join(jobs),
        lines="job_id,part,finding,action,mode,test\n" + "\n".join(lines),
        span=("2016-01-01", "2019-12-31"),
    )


def _graded(records: Records, folder: Path, days: int = 365) -> Rules:
    file = folder / "rules.toml"
    file.write_text(FOLLOW_ON.format(days=days))
    return records.rules(file)


def test_a_crude_difference_is_not_graded(company: Callable[..., Records], tmp_path: Path) -> None:
    """All of one family paired, none of the other: the family may be behind the difference."""
    records = _company(company, lambda k: k < UNITS)
    pair = next(
        p for p in records.pairs().results if (p.first, p.second) == ("cutout", "thermostat")
    )
    entry = pair.difference[-1]
    assert entry.weighted_difference is None
    assert entry.ci[0] > 0  # the crude one would have passed for support
    row = _graded(records, tmp_path).results[0]
    assert (row.verdict, row.figure, row.ci) == ("cannot_tell", None, None)
    assert row.episodes == sum(a.index_jobs for a in pair.follow_on if a.window_days == 365)
    assert "too unlike to compare" in row.reason
    assert f"{100 * entry.risk_difference:.1f} points" in row.reason
    said = str(_graded(records, tmp_path)).replace("\n", " ")
    assert "Cannot tell: A cutout that went" in said
    assert "may come from what led to pairing" in said


def test_a_weighted_difference_is(company: Callable[..., Records], tmp_path: Path) -> None:
    """Half of each family paired: 1 in 2 back against none."""
    records = _company(company, lambda k: k % 2 == 0)
    row = _graded(records, tmp_path).results[0]
    assert row.verdict == "supported"
    assert row.figure == pytest.approx(0.5, abs=0.05)
    early = _graded(records, tmp_path, days=150).results[0]  # a window `pairs` does not show
    assert early.figure == pytest.approx(0.0, abs=1e-9)
    assert early.verdict == "cannot_tell"
    assert "both sides of the threshold" in early.reason


def test_windows_beyond_the_records_are_said(
    company: Callable[..., Records], tmp_path: Path
) -> None:
    row = _graded(_company(company, lambda k: k % 2 == 0), tmp_path, days=3000).results[0]
    assert row.verdict == "cannot_tell"
    assert row.reason == "the records reach over 1460 days, fewer than 3000"


@pytest.mark.parametrize("days", [0, -30, "365", 36.5, True])
def test_a_window_is_a_whole_number_of_days(days: object, tmp_path: Path) -> None:
    file = tmp_path / "rules.toml"
    written = f'"{days}"' if isinstance(days, str) else str(days).lower()
    file.write_text(FOLLOW_ON.format(days=written))
    with pytest.raises(InputError, match="window_days must be a whole number of days above 0"):
        read_rules(file)
