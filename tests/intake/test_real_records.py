"""121,692 repair events that nobody here invented, through a mapping.

Data: Open Repair Alliance and partners, Open Repair Data (snapshot of 2025), CC BY-SA 4.0. The file
lies beside the checkout and is not copied into it; where it is absent these tests are skipped.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from failstats.answers.lives import lives
from failstats.errors import InputError
from failstats.intake.load import load
from failstats.warehouse.session import open_session

EVENTS = Path(__file__).resolve().parents[3] / "shared" / "real" / "repair_events.csv.gz"
RECORDS = 121_692  # rows of the file, as its README says
MAP = """
[tables.units]
file = "repair_events.csv.gz"
drop = ["country", "year_of_manufacture", "product_age", "repair_barrier_if_end_of_life"]
[tables.units.columns]
unit_id = "record"
family = "product_category"

[tables.jobs]
file = "repair_events.csv.gz"
[tables.jobs.columns]
job_id = "record"
unit_id = "record"
visited_on = "event_date"
completed = "repair_status"
[tables.jobs.codes.completed]
"Fixed" = "yes"
"Repairable" = "no"
"End of life" = "no"
"Unknown" = ""
"""

pytestmark = pytest.mark.skipif(
    not EVENTS.is_file(), reason="the real records do not lie beside the checkout"
)


@pytest.fixture
def mapping(tmp_path):
    path = tmp_path / "map.toml"
    path.write_text(MAP)
    return path


def test_real_events_load_and_every_row_is_accounted_for(tmp_path, warehouse, ask, mapping):
    result = load(warehouse, [EVENTS], mapping=mapping)
    told = pd.read_csv(EVENTS, dtype=str, keep_default_na=False)
    assert len(told) == RECORDS
    for row in result.batches:
        assert row["rows_in"] == RECORDS
        assert row["rows_in"] == row["good"] + row["quarantined"] + row["duplicates"]
    # counted again by another reader
    dates = pd.to_datetime(told["event_date"], format="%Y-%m-%d", errors="coerce")
    usable = told[dates.notna() & (dates >= "1970-01-01") & (told["record"] != "")]
    family = told["product_category"].str.strip()
    usable = usable[family.loc[usable.index] != ""]
    expected = usable.drop_duplicates("record")
    assert ask("select count(*) from raw.jobs") == [(len(expected),)]
    completed = int((expected["repair_status"] == "Fixed").sum())
    assert ask("select count(*) from raw.jobs where completed") == [(completed,)]
    blank = (expected["repair_status"] == "Unknown").sum()
    assert ask("select count(*) from raw.jobs where completed is null") == [(int(blank),)]
    by_year = ask("select year(visited_on), count(*) from raw.jobs group by 1 order by 1")
    years = pd.to_datetime(expected["event_date"]).dt.year.value_counts().sort_index()
    assert by_year == list(years.items())
    # ages at the event, no survivors, no parts: no life may come out of them
    with open_session(warehouse) as session:
        refused = lives(session)
    assert not refused.results
    assert refused.headline().startswith("No life can be stated: no part line of these records")


def test_what_the_mapping_does_not_name_is_refused(tmp_path, warehouse, mapping):
    mapping.write_text(MAP.replace('"product_age", ', ""))
    with pytest.raises(InputError, match="1 is not: 'product_age'"):
        load(warehouse, [EVENTS], mapping=mapping)


@pytest.mark.slow
def test_a_year_is_no_date(tmp_path, warehouse, ask, mapping):
    text = MAP.replace('"year_of_manufacture", ', "")
    mapping.write_text(text.replace(
        'family = "product_category"',
        'family = "product_category"\ninstalled_on = "year_of_manufacture"',
    ))  # fmt: skip
    result = load(warehouse, [EVENTS], mapping=mapping)
    told = pd.read_csv(EVENTS, dtype=str, keep_default_na=False)
    with_year = int((told["year_of_manufacture"] != "").sum())
    assert with_year > 0
    assert result.reasons["installed_on must be a date like 2023-04-03"] == with_year
