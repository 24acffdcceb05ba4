"""What a person writes and which number it is."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from failstats import cli
from failstats.answers import vents_words
from failstats.answers.wording import quantity
from failstats.errors import InputError
from failstats.report.tables import page_table
from failstats.show import quantities as units
from failstats.units import KINDS, parse_number, parse_quantity, unit_dimension

OPEN = "open"
EXACT = 1e-12  # relative; values are kept to twelve digits


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        ("reading", "9.9 ohm", (9.9, None)),
        ("reading", "9,9 Ω", (9.9, None)),
        ("reading", "9.9 \u2126", (9.9, None)),  # the sign OHM, not the Greek letter
        ("reading", "1.2 kΩ", (1200.0, None)),
        ("reading", "2k2", (2200.0, None)),
        ("reading", "4R7", (4.7, None)),
        ("reading", "12 mΩ", (0.012, None)),
        ("reading", "12 MΩ", (12e6, None)),
        ("reading", "OL", OPEN),
        ("reading", "O.L.", OPEN),
        ("reading", " open ", OPEN),
        ("reading", "∞", OPEN),
        ("reading", "160 °C", (None, 160.0)),
        ("reading", "160 C", (None, 160.0)),
        ("reading", "320F", (None, 160.0)),  # (320 - 32) / 1.8
        ("reading", "-40 °F", (None, -40.0)),
        ("reading", "n/a", None),
        ("length", "12'6\"", (3.81,)),  # 150 in of 25.4 mm
        ("length", "12 ft 6 in", (3.81,)),
        ("length", "12′6″", (3.81,)),
        ("length", "12 ft", (3.6576,)),
        ("length", "3,6 m", (3.6,)),
        ("length", "3.6", (3.6,)),
        ("length", "4 in", (0.1016,)),
        ("duration", "45 min", (45.0,)),
        ("duration", "0.75 h", (45.0,)),
        ("duration", "1 h 30 min", (90.0,)),
        ("duration", "45", (45.0,)),
        ("span", "2 weeks", (14.0,)),
        ("volume", "0.8 L", (0.8,)),
        ("volume", "1 ft3", (28.316846592,)),  # 0.3048 m cubed
        ("lint", "0.8 L", (None, 0.8)),
        ("lint", "60 g", (0.06, None)),
        ("airflow", "100 cfm", (None, 100 * 0.3048**3 / 60)),
        ("airflow", "1500 fpm", (7.62, None)),  # 1500 * 0.3048 / 60
    ],
)
def test_quantities(kind, text, expected):
    found = parse_quantity(text, kind=kind)
    if expected is None:
        assert found is None
    elif expected == OPEN:
        assert found.is_open
        assert found.values == (None, None)
    else:
        assert not found.is_open
        for value, wanted in zip(found.values, expected, strict=True):
            assert (value is None) == (wanted is None)
            assert wanted is None or math.isclose(value, wanted, rel_tol=EXACT)


@pytest.mark.parametrize(
    ("kind", "text", "says"),
    [
        ("reading", "230 V", "but it is written as a voltage"),
        ("reading", "0.4", "must say its unit"),
        ("reading", ">10", "must be a resistance or a temperature"),
        ("reading", "inf", "must be a finite number"),
        ("reading", "nan ohm", "must be a resistance or a temperature"),
        ("reading", "1e400 ohm", "must be a finite number"),
        ("reading", "-5 ohm", "must not be negative"),
        ("reading", "10 MOHM", "in a known unit"),  # milliohm or megohm
        ("reading", "9**9**9**9", "in a known unit"),
        ("reading", "1,234 ohm", "is its comma a decimal mark or thousands?"),
        ("reading", "9" * 41, "at most 40 characters"),
        ("length", "160 °C", "must be a length, but it is written as a temperature"),
        ("length", "twelve", "must be a length"),
        ("duration", "3 m", "must be a time, but it is written as a length"),
        ("lint", "0.8", "must say its unit"),
        ("volume", "2 gal", "in a known unit"),  # which gallon?
    ],
)
def test_refused_quantities(kind, text, says):
    with pytest.raises(InputError) as refusal:
        parse_quantity(text, kind=kind)
    assert says in refusal.value.what


@pytest.mark.parametrize(
    ("text", "mark", "expected"),
    [
        ("9,9", None, 9.9), ("9,9", ",", 9.9), ("9.9", ",", None), ("9,9", ".", None),
        ("1,234", None, None), ("1,234", ".", 1234.0), ("1,234", ",", 1.234),
        ("1.234", None, 1.234), ("1.234", ",", 1234.0), ("0,400", None, 0.4),
        ("1,234.5", None, 1234.5), ("1.234,5", None, 1234.5), ("1.234,5", ".", None),
        ("1,234,567", None, 1234567.0), ("1,23,4", None, None), ("12,34.5", None, None),
        ("-3", None, -3.0), ("\u22123", None, -3.0), (".5", None, 0.5), ("1e3", None, 1000.0),
        ("", None, None), ("1 2", None, None), ("0x10", None, None), ("1_000", None, None),
    ],
)  # fmt: skip
def test_numbers(text, mark, expected):
    if expected is None:
        with pytest.raises(InputError):
            parse_number(text, decimal_mark=mark)
    else:
        assert parse_number(text, decimal_mark=mark) == expected


@given(st.text(max_size=60), st.sampled_from(sorted(KINDS)))
def test_any_text_is_a_quantity_nothing_or_a_refusal(text, kind):
    try:
        found = parse_quantity(text, kind=kind)
    except InputError:
        return
    assert found is None or all(v is None or math.isfinite(v) for v in found.values)


@given(st.floats(min_value=0, max_value=1e9, allow_subnormal=False))
def test_what_is_stored_reads_back(value):
    (stored,) = parse_quantity(f"{value!r} m", kind="length").values
    assert parse_quantity(f"{stored!r} m", kind="length").values == (stored,)


def test_dimensions():
    assert unit_dimension("kΩ") == "resistance"
    assert unit_dimension("Feet") == "length"
    assert unit_dimension("furlong") is None


def test_quantities_are_shown_in_the_readers_units() -> None:
    """35 ft is 10.668 m and a cubic foot 28.316846592 L, both exact; 160 °C is 320 °F."""
    assert [units.as_shown(10.668, "m"), units.shown_unit("m")] == [10.668, "m"]
    with units.shown_units("us"):
        assert units.as_shown(10.668, "m") == pytest.approx(35.0, rel=1e-12)
        assert units.as_shown(28.316846592, "l") == pytest.approx(1.0, rel=1e-12)
        assert units.as_shown(160.0, "celsius") == pytest.approx(320.0, rel=1e-12)
        assert [units.shown_unit(k) for k in ("m", "l", "celsius")] == ["ft", "cu ft", "°F"]
        assert quantity(10.668, "m") == "35 ft"
        page = page_table(pd.DataFrame({"van": ["v1"], "volume_l": [28.316846592]}))
        assert page.heads == ("van", "volume (cu ft)")
        assert page.rows == (("v1", "1"),)
    assert units.shown_unit("m") == "m"
    with pytest.raises(InputError, match="shown as metric or us"), units.shown_units("imperial"):
        pass


@pytest.mark.parametrize(("file", "sign"), [("us", "ft"), ("metric", "m"), (None, "m")])
def test_failstats_toml_says_how_quantities_are_shown(
    file: str | None, sign: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    if file is not None:
        (tmp_path / "failstats.toml").write_text(f'[show]\nunits = "{file}"\n')
    seen: list[str] = []
    monkeypatch.setattr(cli.cli, "main", lambda **_: seen.append(units.shown_unit("m")))
    assert cli.main(["lives"]) == 0
    assert seen == [sign]


def test_the_limit_of_a_run_is_said_in_the_readers_units() -> None:
    runs = {"known": 9, "over_limit": 2, "by_makers_limit": 1, "edition": "2021",
            "code_limit_m": 10.668, "caution": ""}  # fmt: skip
    assert "10.7 m less elbows" in vents_words._length({"runs": runs})
    with units.shown_units("us"):
        assert "35 ft less elbows" in vents_words._length({"runs": runs})
