"""A dose-response, a map of ratios and a stack: what is drawn, said and cut."""

from __future__ import annotations

import pandas as pd
import pytest
import vl_convert

from failstats.show.charts import NothingToDraw, dose_response, forest, ratio_map, stacked

DOSE = pd.DataFrame(
    {
        "series": ["coil"] * 3 + ["door switch"] * 3, "months": [0, 6, 48] * 2,
        "ratio": [0.7, 1.0, 2.2, 1.0, 1.0, 0.9], "low": [0.5, 1.0, 1.4, 0.8, 1.0, 0.05],
        "high": [0.9, 1.0, 3.4, 1.2, 1.0, 20.0],
    }
)  # fmt: skip
MAP = pd.DataFrame(
    {
        "row": ["within", "within", "over", "over"], "column": ["clean", "neglected"] * 2,
        "ratio": [1.0, 1.9, 1.2, None], "low": [None, 1.3, 0.9, None],
        "high": [None, 2.7, 1.6, None], "failures": [80, 50, 40, 3],
    }
)  # fmt: skip


def test_dose_response_names_its_curves_and_says_what_it_cut() -> None:
    spec = dose_response(DOSE, title="Rate by months", against="six months").to_dict()
    assert spec["title"]["subtitle"] == [
        "Above 1: fails sooner than six months.", "Bands are cut at 0.2 and 8.",
    ]  # fmt: skip
    assert "coil 2.20 (1.40 to 3.40) at the end" in spec["description"]
    drawn = [row for rows in spec["datasets"].values() for row in rows]
    lows = [row["low"] for row in drawn if "low" in row]
    assert min(lows) == 0.2
    assert max(row["high"] for row in drawn if "high" in row) == 8.0
    assert spec["layer"][2]["encoding"]["y"]["scale"]["type"] == "log"


def test_map_writes_too_few_where_there_is_no_ratio() -> None:
    spec = ratio_map(MAP, title="Length against neglect").to_dict()
    assert "over, neglected: too few (3 failures)" in spec["description"]
    assert "within, neglected: 1.90 (1.30 to 2.70; 50 failures)" in spec["description"]


def test_stack_keeps_each_panel_and_can_be_drawn() -> None:
    table = pd.DataFrame(
        {"label": ["coil", "door switch"], "role": ["outcome", "negative_control"],
         "ratio": [2.0, 1.0], "low": [1.4, 0.8], "high": [2.9, 1.2]}
    )  # fmt: skip
    panels = [
        forest(table, title="Forest"), dose_response(DOSE, title="Dose"), ratio_map(MAP, title="Map"),
    ]  # fmt: skip
    spec = stacked(panels, title="All").to_dict()
    assert [part["title"]["text"] for part in spec["vconcat"]] == ["Forest", "Dose", "Map"]
    assert "config" in spec
    assert spec["usermeta"]["narrowest"] >= 300  # a telephone scrolls it, words do not overlap
    assert not any("config" in part for part in spec["vconcat"])
    assert vl_convert.vegalite_to_svg(spec).count(">part in question<") == 1  # one legend, not two
    assert stacked(panels[:1], title="One") is panels[0]


def test_nothing_to_draw() -> None:
    for draw, table in ((dose_response, DOSE), (ratio_map, MAP)):
        with pytest.raises(NothingToDraw):
            draw(table.iloc[:0], title="none")
