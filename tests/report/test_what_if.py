"""Sliders of the page: their positions are points of the answer, and nothing is left out."""

from failstats.report.what_if import (
    MARK,
    TARGET_MARK,
    least_for,
    most_for,
    pair_panel,
    spend_panel,
    target_panel,
    with_mark,
)  # fmt: skip

CURVE = [(0.0, 0.1), (100.0, 0.4), (250.0, 0.7), (400.0, 0.85)]
ROWS = [
    {
        "van": "north", "budget": 250.0, "spend": 250.0,
        "spend_curve": [{"spend": s, "completion": c} for s, c in CURVE],
    }
]  # fmt: skip


def test_every_position_of_the_budget_is_a_list_it_pays_for():
    panel = spend_panel(ROWS, currency="USD")
    budgets = panel["mark"]["values"]
    assert len(budgets) == len(panel["sliders"][0]["texts"]) == len(panel["cells"])
    assert budgets[-1] >= CURVE[-1][0]
    for budget in budgets:
        spend, _ = most_for(CURVE, budget)
        assert spend <= budget
        assert not [point for point in CURVE if spend < point[0] <= budget]


def test_the_slider_starts_at_the_plan():
    panel = spend_panel(ROWS, currency="USD")
    start = panel["sliders"][0]["start"]
    assert abs(panel["mark"]["values"][start] - 250) <= 5
    assert panel["cells"][start] == [["$250", "70 %"]]


def test_a_target_out_of_reach_says_so():
    panel = target_panel(ROWS, currency="USD")
    assert least_for(CURVE, 0.9) is None
    texts = panel["sliders"][0]["texts"]
    assert panel["cells"][texts.index("90 %")] == [["no such list", ""]]
    assert panel["cells"][texts.index("80 %")] == [["$400", "85 %"]]


def test_pairs_follow_price_and_return_cost():
    choices = [
        {
            "when": "cutout", "also": "thermostat", "price_times": times, "return_cost": visit,
            "recommend": "always" if visit > 100 * times else "keep",
            "saving_per_100_jobs": visit - 100 * times, "saving_ci": (-50.0, 90.0),
            "today": (times, visit) == (1.0, 120.0),
        }
        for times in (0.5, 1.0, 2.0) for visit in (60.0, 120.0)
    ]  # fmt: skip
    panel = pair_panel(choices, currency="USD", prices={"thermostat": 18.0})
    assert [slider["start"] for slider in panel["sliders"]] == [1, 1]
    assert len(panel["cells"]) == 6
    assert panel["cells"][0] == [["$9", "replace it too", "$10 (-$50 to $90)"]]
    assert panel["cells"][5][0][:2] == ["$36", "leave it in"]
    assert panel["said"][3] == "At today's prices and costs."
    assert panel["said"][5] == (
        "Not today's costs: the other part at 2 times its price, a return visit at $120."
    )
    aged = [{**row, "recommend": "if_older", "threshold_days": 365.25} for row in choices]
    panel = pair_panel(aged, currency="USD", prices={"thermostat": 18.0})
    assert panel["cells"][0][0][1] == "replace it when older than 365 days"
    assert pair_panel([], currency="USD", prices={}) is None


def test_only_layered_charts_get_a_line():
    assert with_mark({"mark": "bar"}) == {"mark": "bar"}
    marked = with_mark({"layer": [{"mark": "line"}]})
    assert [param["name"] for param in marked["params"]] == [MARK, TARGET_MARK]
    lines = [layer["encoding"] for layer in marked["layer"][1:]]
    assert [(side, one[side]["datum"]["expr"]) for one in lines for side in one] == [
        ("y", TARGET_MARK), ("x", MARK),
    ]  # fmt: skip
