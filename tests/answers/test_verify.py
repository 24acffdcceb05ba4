"""`verify`: ours against other libraries from raw rows; a mistake of ours must show."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

import jsonschema
import pandas as pd
import pytest

import failstats
from failstats.answers import verify as verify_module
from failstats.answers.result import envelope_schema
from failstats.answers.verify import Verified
from failstats.answers.verify_figures import checked
from failstats.answers.verify_lives import lives_again
from failstats.answers.verify_rows import raw_records, sampled
from failstats.demo import Demo
from failstats.records import Records

TOPICS = ["lives", "causes", "pairs", "vents", "stock", "policy"]


@pytest.fixture(scope="module")
def found(made: Demo) -> Iterator[tuple[Verified, Records]]:
    with failstats.open_warehouse(made.warehouse) as records:
        yield records.verify(), records


def test_every_headline_agrees_on_the_demo(found: tuple[Verified, Records], made: Demo) -> None:
    answer, _ = found
    jsonschema.validate(
        json.loads(json.dumps(answer.to_dict(), allow_nan=False)), envelope_schema(Verified)
    )
    assert [row for row in answer.results if row.agrees is False] == []
    assert list(dict.fromkeys(row.topic for row in answer.results)) == TOPICS
    assert answer.summary["agree"] == answer.summary["figures"] >= 100
    libraries = {word for row in answer.results for word in row.library.split(", ")}
    assert {"lifelines", "statsmodels", "SciPy", "scikit-survival"} <= libraries
    figures = {row.figure: row for row in answer.results}
    # what is compared is what the other commands print
    life = made.answers["lives"].results[0]
    assert figures["coil (contract units): Weibull scale in days"].ours == pytest.approx(
        life.parameters["scale_days"], rel=1e-12
    )
    ratio = next(r for r in made.answers["vents"].results if r.contrast == "over_24_vs_under_12")
    name = f"{ratio.part}: hazard ratio, last cleaned over 24 months ago"
    assert figures[name].ours == ratio.hazard_ratio
    share = made.answers["pairs"].results[0].share
    assert figures["cutout replaced: share with the thermostat too"].ours == share
    assert not [f for f in figures if "Weibull" in f and f.startswith(("thermostat", "cutout"))]


def test_what_differs_by_convention_says_how(found: tuple[Verified, Records]) -> None:
    answer, _ = found
    apart = [row for row in answer.results if row.agrees is None]
    assert apart
    assert all(row.why and row.difference is not None for row in apart)
    said = str(answer)
    assert "differ by convention" in answer.headline()
    assert "Not compared: lives of parts that fail unseen" in said
    assert f"(1) {next(row.why for row in answer.results if row.why)}." in said


@pytest.mark.parametrize(
    ("ours", "theirs", "agrees"),
    [(1.0, 1.0, True), (1.0, 1.01, False), (1.0, None, False), (float("nan"), None, True)],
)
def test_only_the_same_number_agrees(
    ours: float | None, theirs: float | None, agrees: bool
) -> None:
    assert checked("lives", "x", ours, theirs, "lifelines").agrees is agrees


def test_what_neither_side_can_compute_is_not_counted(company: Callable[..., Records]) -> None:
    """The odds ratio of two parts never replaced together has no lower end."""
    records = company(
        units="unit_id,family\na,X\nb,X\n",
        jobs="job_id,unit_id,visited_on\n1,a,2020-01-05\n2,b,2020-03-05\n3,a,2021-03-05\n",
        lines="job_id,part,finding,action\n1,coil,failed,replaced\n2,cutout,failed,replaced\n"
        "3,coil,failed,replaced\n",
    )
    answer = records.verify()
    assert answer.summary["agree"] == answer.summary["figures"] == len(answer.results)
    figures = {row.figure for row in answer.results}
    assert "coil and cutout: odds ratio of being replaced together" in figures
    assert "coil and cutout: odds ratio, lower end" not in figures
    assert all(row.ours is not None and row.theirs is not None for row in answer.results)


def test_a_fact_gone_wrong_is_found_out(made: Demo) -> None:
    """Our lives end a day late where nobody told the raw rows."""
    with (
        failstats.open_warehouse(made.warehouse) as records,
        sampled(records._session, 0.2)[0] as session,
    ):
        session.build("fact_lives")
        connection = session.connection
        connection.execute('create temp table wrong as select * from "fact_lives"')
        connection.execute("update wrong set exit_days = exit_days + 20 where part = 'belt'")
        connection.execute('drop view "fact_lives"')
        connection.execute("create temp view fact_lives as select * from wrong")
        rows = lives_again(session, raw_records(session, f"{int(0.2 * 16**8):08x}"))
    wrong = {row.figure.split(" ")[0].rstrip(":") for row in rows if row.agrees is False}
    assert wrong == {"belt"}


def test_above_the_limit_both_sides_are_a_sample(
    made: Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verify_module, "MOST_LIVES", 5_000)
    monkeypatch.setattr(
        verify_module,
        "_questions",
        lambda session, raw, *_: [("lives", lambda: lives_again(session, raw))],
    )
    with failstats.open_warehouse(made.warehouse) as records:
        answer = records.verify()
    share = answer.summary["sampled_share"]
    assert 0.05 < share < 0.15
    assert abs(answer.summary["units"] / 7070 - share) < 0.02
    assert answer.summary["agree"] == answer.summary["figures"] > 30
    assert f"looked at {share:.1%} of the units" in answer.headline()


@pytest.mark.parametrize(
    "options",
    [{"as_of": "2021-06-30"}, {"since": "2019-01-01", "families": ["E1"]}, {"contract_only": True}],
    ids=lambda options: ", ".join(options),
)
def test_filters_hold_on_both_sides(made: Demo, options: dict[str, object]) -> None:
    """A tenth of the units, for speed: the same filters and the same units on both sides."""
    with (
        failstats.open_warehouse(made.warehouse, **options) as records,  # type: ignore[arg-type]
        sampled(records._session, 0.1)[0] as session,
    ):
        raw = raw_records(session, f"{int(0.1 * 16**8):08x}")
        ours = session.run("stg_units")
        assert len(ours) > 0
        assert set(ours["unit_id"]) == {unit["unit_id"] for unit in raw.units}
        rows = lives_again(session, raw)
    assert rows
    assert all(row.agrees is not False for row in rows)


def test_states_of_the_vent_are_those_of_the_facts(made: Demo) -> None:
    with (
        failstats.open_warehouse(made.warehouse) as records,
        sampled(records._session, 0.05)[0] as session,
    ):
        raw = raw_records(session, f"{int(0.05 * 16**8):08x}")
        session.build("fact_exposure")
        ours = session.connection.execute("select * from fact_exposure").df()
    key = ["unit_id", "part", "position", "ordinal", "span", "start_days"]
    theirs = raw.exposures.rename(columns={"state": "band"})
    columns = [*key, "band", "stop_days", "failed"]
    both = [
        frame[columns].sort_values(key).reset_index(drop=True).astype(str)
        for frame in (ours, theirs)
    ]
    assert len(both[0]) > 1000
    pd.testing.assert_frame_equal(*both)
