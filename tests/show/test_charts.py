"""Charts by their structure: marks, axes, titles, words for those who cannot see them."""

import json

import numpy as np
import pandas as pd
import pytest

from failstats.errors import FailstatsError
from failstats.show import charts
from failstats.show.frames import POINTS_PER_SERIES, spread_labels, thin_steps

YEAR = 365.25


def curve(names=("coil", "cutout"), steps=20):
    ages = np.linspace(0, 4 * YEAR, steps)
    rows = []
    for k, name in enumerate(names):
        survival = np.exp(-ages / (6 * YEAR) * (1 + 0.3 * k))
        rows.append(
            pd.DataFrame(
                {
                    "series": name,
                    "age_days": ages,
                    "survival": survival,
                    "low": survival - 0.02,
                    "high": survival + 0.02,
                    "at_risk": np.arange(steps, 0, -1) * 10,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)


SHARES = pd.DataFrame(
    {"label": ["fuse", "coil"], "share": [0.2, 0.5], "low": [0.1, 0.4], "high": [0.3, 0.6]}
)
RATIOS = pd.DataFrame(
    {
        "label": ["coil", "door_switch"],
        "role": ["outcome", "negative_control"],
        "ratio": [1.9, 1.02],
        "low": [1.6, 0.8],
        "high": [2.3, 1.3],
    }
)
COSTS = pd.DataFrame(
    {
        "when": ["cutout failed", "cutout failed", "coil failed"],
        "action": ["keep", "always", "keep"],
        "cost": [31.2, 28.9, 12.0],
        "low": [28.0, 26.0, 10.0],
        "high": [35.0, 33.0, 14.0],
    }
)
SPENDING = pd.DataFrame(
    {
        "van": ["V1"] * 3,
        "spend": [0.0, 100.0, 150.0],
        "completion": [0.4, 0.8, 0.7],
        "chosen": [False, False, True],
    }
)
DIFFERENCES = pd.DataFrame(
    {
        "pair": ["cutout, thermostat"] * 2,
        "window_days": [365, 90],
        "difference": [0.06, 0.031],
        "low": [0.04, 0.01],
        "high": [0.08, 0.05],
    }
)
PAIRS = pd.DataFrame(
    {
        "first": ["coil", "cutout"],
        "second": ["cutout", "coil"],
        "share": [0.1, 0.4],
        "episodes": [400, 120],
    }
)
ROWS = pd.DataFrame({"table": ["units", "jobs"], "good": [6400, 31230], "quarantined": [3, 41]})

ALL = {
    "life": lambda: charts.life_curve(curve(), title="How long parts last"),
    "panels": lambda: charts.life_curve(curve([f"p{i}" for i in range(8)]), title="Many"),
    "incidence": lambda: charts.incidence_curve(curve().rename(columns={"survival": "share"})),
    "shares": lambda: charts.shares(SHARES, label="part", title="Behind no heat"),
    "pairs": lambda: charts.pair_heat_map(PAIRS),
    "forest": lambda: charts.forest(RATIOS),
    "frontier": lambda: charts.frontier(SPENDING, currency="EUR"),
    "costs": lambda: charts.cost_bars(COSTS, currency="EUR", per="per job"),
    "differences": lambda: charts.differences(DIFFERENCES),
    "rows": lambda: charts.rows_bar(ROWS),
}


def units_of(spec):
    """Every single view in a chart, whatever it is nested in."""
    for key in ("layer", "vconcat", "hconcat"):
        for inner in spec.get(key, []):
            yield from units_of(inner)
    if "spec" in spec:
        yield from units_of(spec["spec"])
    if "mark" in spec:
        yield spec


def marks_of(spec):
    return [u["mark"] if isinstance(u["mark"], str) else u["mark"]["type"] for u in units_of(spec)]


def values_of(spec):
    return [row for rows in spec["datasets"].values() for row in rows]


def axis_titles(spec, channel):
    return {u["encoding"][channel].get("title") for u in units_of(spec) if channel in u["encoding"]}


@pytest.mark.parametrize("name", ALL)
def test_every_chart_has_title_words_and_valid_numbers(name):
    spec = ALL[name]().to_dict()  # altair checks it against the Vega-Lite schema
    title = spec["title"]
    assert (title if isinstance(title, str) else title["text"]).strip()
    assert len(spec["description"]) > 20
    assert "NaN" not in json.dumps(spec, allow_nan=False)
    assert "config" in spec
    assert "system-ui" in spec["config"]["font"]


@pytest.mark.parametrize("name", ALL)
def test_every_chart_names_its_horizontal_axis(name):
    spec = ALL[name]().to_dict()
    assert any(axis_titles(spec, "x") - {None})


@pytest.mark.parametrize(
    ("name", "channel", "unit"),
    [
        ("life", "x", "age (years)"),
        ("incidence", "x", "age (years)"),
        ("frontier", "x", "spend on stock (EUR)"),
        ("costs", "x", "cost per job (EUR)"),
        ("rows", "x", "rows"),
        ("forest", "x", "ratio of failure rates (log scale)"),
    ],
)
def test_units_stand_on_the_axes(name, channel, unit):
    assert unit in axis_titles(ALL[name]().to_dict(), channel)


def test_life_curve_steps_after_with_band_names_and_risk_table():
    spec = ALL["life"]().to_dict()
    top, below = spec["vconcat"]
    lines = [u for u in units_of(top) if u["mark"]["type"] in ("line", "area")]
    assert [u["mark"]["interpolate"] for u in lines] == ["step-after", "step-after"]
    assert marks_of(top) == ["area", "line", "text"]
    assert all(u["encoding"].get("color", {}).get("legend", "no") is None for u in lines)
    assert marks_of(below) == ["text", "text"]


def test_ages_are_shown_in_years():
    spec = ALL["life"]().to_dict()
    assert max(row.get("age_years", 0) for row in values_of(spec)) == pytest.approx(4.0)


def test_risk_table_takes_the_count_at_the_last_step_up_to_each_age():
    frame = pd.DataFrame(
        {
            "series": "coil",
            "age_days": [0.5 * YEAR, 1.5 * YEAR, 2.0 * YEAR],
            "survival": [0.9, 0.8, 0.7],
            "low": [0.8, 0.7, 0.6],
            "high": [1.0, 0.9, 0.8],
            "at_risk": [1500, 80, 60],
        }
    )
    spec = charts.life_curve(frame, title="t").to_dict()
    rows = [r for r in values_of(spec) if "at_risk" in r and "survival" not in r]
    found = {r["age_years"]: r["at_risk"] for r in rows}
    # before the first step the table does not know the count, so none is shown
    assert found == {1: 1500, 2: 60}


def test_a_curve_that_begins_late_is_drawn_from_age_zero():
    late = curve(["coil"]).iloc[5:]
    drawn = values_of(charts.life_curve(late, title="t").to_dict())
    assert {
        "series": "coil",
        "age_years": 0.0,
        "survival": 1.0,
        "low": 1.0,
        "high": 1.0,
        "at_risk": None,
    } in drawn


def test_fitted_life_is_dashed_and_explained():
    fitted = curve()[["series", "age_days", "survival"]]
    spec = charts.life_curve(curve(), title="t", fitted=fitted).to_dict()
    assert [u["mark"].get("style") for u in units_of(spec)].count("fitted") == 1
    assert "Dashed" in " ".join(spec["title"]["subtitle"])


def test_long_curves_are_thinned_and_say_so():
    spec = charts.life_curve(curve(["coil"], steps=20_000), title="t").to_dict()
    drawn = [row for row in values_of(spec) if "survival" in row and "low" in row]
    assert len(drawn) <= POINTS_PER_SERIES + 2
    assert "of 20,000 points" in " ".join(spec["title"]["subtitle"])


def test_thinning_keeps_the_height_at_the_end_of_each_slot():
    frame = pd.DataFrame({"s": "a", "x": np.arange(100_000.0), "y": np.arange(100_000.0)})
    kept, said = thin_steps(frame, by="s", along="x")
    assert kept["x"].iloc[0] == 0
    assert kept["x"].iloc[-1] == 99_999
    assert kept["x"].iloc[1] == 249  # the last point of the first slot, 250 points wide
    assert kept["x"].diff().max() <= 100_000 / POINTS_PER_SERIES + 1
    assert said.startswith(f"Drawn at {len(kept):,} of 100,000 points")
    same, nothing = thin_steps(frame.head(10), by="s", along="x")
    assert len(same) == 10
    assert nothing == ""


def test_more_rows_than_altair_allows_are_no_error():
    many = curve([f"p{i}" for i in range(6)], steps=2_000)  # 12,000 rows
    assert charts.life_curve(many, title="t").to_dict()["vconcat"]


def test_shares_are_sorted_and_written_out():
    spec = ALL["shares"]().to_dict()
    assert [r["label"] for r in values_of(spec)] == ["coil", "fuse"]
    assert [r["words"] for r in values_of(spec)] == ["50 %", "20 %"]
    first = next(units_of(spec))
    assert first["encoding"]["y"]["sort"] == ["coil", "fuse"]


def test_forest_is_on_a_log_axis_with_a_line_at_one_and_marks_controls():
    spec = ALL["forest"]().to_dict()
    scales = [u["encoding"]["x"].get("scale", {}).get("type") for u in units_of(spec)]
    assert "log" in scales
    guide = next(u for u in units_of(spec) if u["mark"].get("style") == "guide")
    assert spec["datasets"][guide["data"]["name"]] == [{"one": 1}]
    kinds = {r["label"]: r["kind"] for r in values_of(spec) if "kind" in r}
    assert kinds["door_switch"].startswith("control")
    assert kinds["coil"] == "part in question"
    assert any("shape" in u["encoding"] for u in units_of(spec))


def test_forest_with_an_unknown_end_of_its_interval():
    open_ended = RATIOS.assign(low=[0.0, np.nan])
    json.dumps(charts.forest(open_ended).to_dict(), allow_nan=False)


def test_heat_map_writes_dark_on_pale_and_pale_on_dark():
    spec = ALL["pairs"]().to_dict()
    assert marks_of(spec) == ["rect", "text", "text"]
    styles = [u["mark"].get("style") for u in units_of(spec)]
    assert styles[1:] == ["on_low", "on_high"]
    assert {(r["first"], r["strong"]) for r in values_of(spec)} == {
        ("coil", False),
        ("cutout", True),
    }


def test_cells_of_a_heat_map_hold_few_characters():
    """A cell on a telephone is 27 pixels wide; the sign is said once."""
    shares = pd.DataFrame({"first": "coil", "second": ["a", "b", "c", "d", "e"],
                           "share": [1.0, 0.9999, 0.23, 0.035, 0.0002], "episodes": 400})  # fmt: skip
    spec = charts.pair_heat_map(shares).to_dict()
    assert [r["cell"] for r in values_of(spec)] == ["100", ">99.9", "23", "3.5", "<0.1"]
    assert spec["title"]["subtitle"] in ("In %.", ["In %."])
    assert "a in 100 % of 400" in spec["description"]


def test_frontier_draws_the_plan_as_a_dot_off_the_line():
    spec = ALL["frontier"]().to_dict()
    assert marks_of(spec) == ["line", "text", "point"]
    line = next(units_of(spec))
    drawn = spec["datasets"][line["data"]["name"]]
    assert [row["spend"] for row in drawn] == [0, 100]


def test_cost_panels_put_the_cheapest_first():
    spec = ALL["costs"]().to_dict()
    assert len(spec["vconcat"]) == 2
    panel = spec["vconcat"][0]
    rows = spec["datasets"][panel["data"]["name"]]
    assert [(r["action"], r["cheapest"]) for r in rows] == [("always", True), ("keep", False)]
    assert "always at €28.90" in spec["description"]


def test_differences_have_a_line_at_zero_and_windows_in_order():
    spec = ALL["differences"]().to_dict()
    assert "guide" in [u["mark"].get("style") for u in units_of(spec)]
    point = next(u for u in units_of(spec) if u["mark"]["type"] == "point")
    assert point["encoding"]["y"]["sort"] == ["90 days", "365 days"]


def test_rows_bar_says_both_counts():
    assert {r["words"] for r in values_of(ALL["rows"]().to_dict())} == {
        "6,400 good, 3 set aside",
        "31,230 good, 41 set aside",
    }


@pytest.mark.parametrize(
    ("draw", "frame"),
    [
        (lambda f: charts.life_curve(f, title="t"), curve()),
        (lambda f: charts.shares(f, label="part", title="t"), SHARES),
        (charts.pair_heat_map, PAIRS),
        (charts.forest, RATIOS),
        (charts.frontier, SPENDING),
        (charts.cost_bars, COSTS),
        (charts.differences, DIFFERENCES),
        (charts.rows_bar, ROWS),
    ],
)
def test_an_empty_table_is_refused_and_a_missing_column_named(draw, frame):
    with pytest.raises(charts.NothingToDraw, match="needs at least one row") as refusal:
        draw(frame.head(0))
    assert isinstance(refusal.value, FailstatsError)
    assert refusal.value.do
    gone = frame.columns[1]
    with pytest.raises(ValueError, match=rf"\b{gone}\b.* is missing"):
        draw(frame.drop(columns=gone))


def test_a_table_of_unknown_figures_is_refused():
    with pytest.raises(charts.NothingToDraw):
        charts.shares(SHARES.assign(share=np.nan), label="part", title="t")


def test_labels_are_moved_apart_and_keep_their_order():
    placed = spread_labels([0.50, 0.51, 0.52, 0.95], gap=0.05)
    assert placed[3] == 0.95
    assert np.diff(placed[:3]).min() == pytest.approx(0.05)
    assert np.mean(placed[:3]) == pytest.approx(0.51)


def test_no_label_is_moved_above_the_picture():
    placed = spread_labels([0.97, 0.98, 0.99], gap=0.05, top=1.0)
    assert placed == pytest.approx([0.90, 0.95, 1.0])


def test_names_stand_where_the_curve_still_rests_on_ten_lives():
    frame = curve(["coil"], steps=20)  # 200, 190, ... 10 at risk: the last step counts
    frame.loc[frame.index[-1], "at_risk"] = 9
    spec = charts.life_curve(frame, title="t").to_dict()
    label = [r for r in values_of(spec) if "survival" in r and "low" not in r]
    assert label == [
        {
            "series": "coil",
            "age_years": 4.0,
            "survival": pytest.approx(frame["survival"].iloc[-2], abs=1e-5),
        }
    ]
