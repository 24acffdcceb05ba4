"""The same on a cluster of two workers, and when one of them is killed in mid-run."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import failstats
from failstats.counts.bootstrap import replicate_counts
from failstats.counts.clusters import Cluster
from failstats.counts.partitions import open_partitions
from failstats.errors import InputError
from failstats.records import Records

pytest.importorskip("distributed")
WORKERS = 2
# Bytes of one step from a partition of 150 units: a table of rows with ids would be more.
MOST_LEFT = 20_000


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """Two workers for all tests here; a session that is closed leaves them running."""
    place = Cluster("local", workers=WORKERS)
    end, place.close = place.close, lambda: None  # type: ignore[method-assign]
    yield place
    end()


def _workers(place: Cluster) -> dict[str, int]:
    """Address -> process."""
    return dict(place.client.run(os.getpid))


def test_answers_are_those_of_one_process(
    whole: Path, parted: Path, cluster: Cluster, differences: Any
) -> None:
    with (
        failstats.open_warehouse(whole, families=["E2"]) as one,
        Records(open_partitions(parted, families=["E2"], place=cluster)) as many,
    ):
        for ask in (
            lambda records: records.causes("no_heat", by="fuel"),
            lambda records: records.lives("belt"),
        ):
            expected, found = (ask(records).to_dict() for records in (one, many))
            assert differences(expected["results"], found["results"]) == []
        moved = many._session.moved
        counted = [one for one in moved if one.name in ("lives_cells", "lives_recurrence")]
        assert counted
        # added up by the workers: what comes back is less than what the partitions gave
        assert all(one.received < one.left for one in counted)
        assert max(one.left for one in moved) / len(many._session.parts) < MOST_LEFT
        assert len({*many._session._place._home.values()}) == WORKERS  # both had their share


def test_a_killed_worker_changes_nothing(
    parted: Path, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: dict[str, Any] = {
        "part": "belt", "births": ["known"], "followed": ["contract", "call_out"],
        "bracket": "stated_end",
    }  # fmt: skip
    with open_partitions(parted) as one:
        kept, rows = one.run("lives_kept"), one.run("lives_rows", **given)
        drawn = replicate_counts(one, replicates=8, **given)
    killed: list[int] = []
    before = _workers(cluster)
    gather = cluster.client.gather

    def kill_first(futures: Any) -> Any:
        """While the tasks of a question are on their way, one of the two is gone for good."""
        if not killed:
            address = cluster._home[0]
            killed.append(before[address])
            os.kill(before[address], signal.SIGKILL)
        return gather(futures)

    with open_partitions(parted, place=cluster) as many:
        many.run("lives_moved")  # every partition is open, with its facts
        monkeypatch.setattr(cluster.client, "gather", kill_first)
        pd.testing.assert_frame_equal(many.run("lives_rows", **given), rows, check_exact=True)
        assert len(killed) == 1
        pd.testing.assert_frame_equal(many.run("lives_kept"), kept, check_exact=True)
        again = replicate_counts(many, replicates=8, **given)
        assert (again.entered == drawn.entered).all()
        assert (again.failed == drawn.failed).all()
    cluster.client.wait_for_workers(WORKERS, timeout=60)
    assert killed[0] not in _workers(cluster).values()


def test_facts_seen_otherwise_travel_along(parted: Path, cluster: Cluster) -> None:
    given = {"part": "coil", "followed": ["contract"], "bracket": "stated_end"}
    facts = ("fact_neglect", "fact_exposure")
    with open_partitions(parted) as one, open_partitions(parted, place=cluster) as many:
        with one.seen_otherwise(facts, neglect_months=[6, 18]):
            expected = one.run("vents_rows", **given)
        with many.seen_otherwise(facts, neglect_months=[6, 18]):
            pd.testing.assert_frame_equal(many.run("vents_rows", **given), expected)
        assert not many.run("vents_rows", **given).equals(expected)


def test_a_closed_session_leaves_nothing_open(parted: Path, cluster: Cluster) -> None:
    def open_there() -> int:
        from failstats.counts import partition_tasks

        return len(partition_tasks._open)

    with open_partitions(parted, place=cluster) as many:
        many.run("lives_kept")
        # a worker may take over a part that another one has opened already
        assert sum(cluster.client.run(open_there).values()) >= len(many.parts)
    assert sum(cluster.client.run(open_there).values()) == 0


def test_no_scheduler_at_the_address_is_said(parted: Path) -> None:
    with pytest.raises(InputError, match="address of a Dask scheduler"):
        failstats.open_warehouse(parted, cluster="tcp://127.0.0.1:9")


def test_units_drawn_of_partitions_are_let_go_before_their_workers(parted: Path) -> None:
    """A cluster of its own, closed with the session and with the one that draws from it."""
    with failstats.open_warehouse(parted, cluster="local", most_units=150) as records:
        assert records._session.some_units() is not records._session
        answer = records.lives("belt")
    assert "units_drawn" in {warning.code for warning in answer.warnings}


def test_a_scheduler_without_a_worker_is_said(
    parted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import LocalCluster

    monkeypatch.setattr("failstats.counts.clusters.WAIT_SECONDS", 0.5)
    with (
        LocalCluster(n_workers=0, dashboard_address=":0", silence_logs=50) as empty,
        pytest.raises(InputError, match="must have a worker"),
    ):
        open_partitions(parted, cluster=empty.scheduler_address)
