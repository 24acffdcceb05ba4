"""Real repair events (Open Repair Alliance and partners, CC BY-SA 4.0), where they lie beside the
checkout: they load through a mapping file, and a life curve of them is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

REAL = Path(__file__).parents[4] / "shared" / "real" / "vacuum_faults.csv"


@pytest.mark.skipif(not REAL.exists(), reason="the real events are not beside the checkout")
def test_events_without_a_population_give_no_life(tmp_path: Path) -> None:
    import pandas as pd

    import failstats

    frame = pd.read_csv(REAL).dropna(subset=["event_date"])
    assert len(frame) > 1000
    folder = tmp_path / "records"
    folder.mkdir()
    days = frame["event_date"]
    ids = [f"v{k}" for k in range(len(frame))]
    pd.DataFrame({"unit_id": ids, "family": "vacuum"}).to_csv(folder / "units.csv", index=False)
    pd.DataFrame({"job_id": ids, "unit_id": ids, "visited_on": days}).to_csv(
        folder / "jobs.csv", index=False
    )
    pd.DataFrame(
        {"job_id": ids, "part": "motor", "finding": "failed", "action": "replaced"}
    ).to_csv(folder / "lines.csv", index=False)
    failstats.load(tmp_path / "w.duckdb", [folder])
    with failstats.open_warehouse(tmp_path / "w.duckdb") as records:
        answer = records.lives("motor")
        life = answer.results[0]
        # ages are unknown and no unit was watched before it failed: nothing to fit
        assert life.parameters is None
        assert life.kept["dropped_birth_unknown"] == len(frame)
