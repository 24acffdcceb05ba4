"""Plain text: figures as people say them, tables that line up, nothing that steers a terminal."""

import io
import os
import time

import numpy as np
import pandas as pd
import pytest

from failstats.progress import Stages, each
from failstats.show import text
from failstats.show.progress import Progress


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.153, "15 %"),
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.0996, "10 %"),
        (0.0994, "9.9 %"),
        (0.0004, "under 0.1 %"),
        (0.99951, "over 99.9 %"),
        (0.995, "99.5 %"),
        (-0.042, "-4.2 %"),
        (None, "unknown"),
        (float("nan"), "unknown"),
    ],
)
def test_shares(share, said):
    assert text.share_text(share) == said


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (90, "90 days"),
        (730, "730 days"),
        (730.5, "2.0 years"),
        (4492.6, "12.3 years"),
        (float("inf"), "no limit"),
        (None, "unknown"),
    ],
)
def test_durations(days, said):
    assert text.duration_text(days) == said


@pytest.mark.parametrize(
    ("amount", "currency", "said"),
    [
        (95, "USD", "$95.00"),
        (1234.5, "EUR", "€1,234.50"),
        (-3, "GBP", "-£3.00"),
        (-0.001, "USD", "$0.00"),
        (95, "CHF", "95.00 CHF"),
        (None, "USD", "unknown"),
    ],
)
def test_money(amount, currency, said):
    assert text.money(amount, currency) == said


def test_an_interval_says_the_unit_once_and_keeps_it():
    say = text.interval_text
    assert say(4492.6, 4054, 4967, kind="days") == "12.3 years (11.1 to 13.6)"
    assert say(800, 600, 1000, kind="days") == "2.2 years (1.6 to 2.7)"  # ends in years too
    assert say(0.15, 0.12, 0.19, kind="share") == "15 % (12 to 19)"
    assert say(95, 80, 110, kind="money") == "$95.00 ($80.00 to $110.00)"
    assert say(1.9, 1.6, 2.3, kind="ratio") == "1.90 (1.60 to 2.30)"
    assert say(1.9, None, None, kind="ratio") == "1.90 (no interval)"
    assert say(None, None, None) == "unknown"
    with pytest.raises(ValueError, match="kind must be"):
        say(1, 1, 1, kind="furlong")


def test_columns_line_up_and_numbers_stand_right():
    out = text.table(
        [
            {"part": "coil", "failures": 1234, "share": "15 %"},
            {"part": "door_switch", "failures": 7},
        ]
    ).split("\n")
    assert out == [
        "part         failures  share",
        "-----------  --------  -----",
        "coil            1,234  15 %",
        "door_switch         7",
    ]


def test_wide_letters_take_two_cells():
    out = text.table([{"family": "乾燥", "n": 1}, {"family": "ab", "n": 2}]).split("\n")
    assert out[2] == "乾燥    1"
    assert out[3] == "ab      2"


def test_a_table_fits_the_width_without_losing_words():
    rows = [{"part": "coil", "why": "most frequent failure behind no heat in this van's area"}]
    out = text.table(rows, width=40)
    assert max(len(line) for line in out.split("\n")) <= 40
    assert set(rows[0]["why"].split()) <= set(out.split())


def test_a_table_that_cannot_fit_becomes_blocks():
    rows = [{f"column_{i}": 123456.0 + i for i in range(8)}]
    out = text.table(rows, width=40)
    assert "column 7: 123,463" in out
    assert max(map(len, out.split("\n"))) <= 40


def test_frames_empty_tables_and_unknown_columns():
    frame = pd.DataFrame({"a": [1.5, np.nan], "b": [True, False]})
    assert text.table(frame).split("\n")[2:] == ["1.5  yes", "     no"]
    assert text.table(frame.head(0)) == "(no rows)"
    assert text.table(frame, columns={"a": "size"}).split("\n")[0] == "size"
    with pytest.raises(ValueError, match="columns must be among a, b, but c is asked for"):
        text.table(frame, columns=["c"])


def test_records_cannot_steer_the_terminal():
    out = text.table([{"family": "E\x1b[2J\x07-27\u202e"}])
    assert "\x1b" not in out
    assert "\x07" not in out
    assert "\u202e" not in out
    assert "E?[2J?-27?" in out


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_bold_only_on_a_terminal_that_wants_it(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert text.bold("x", stream=Terminal()) == "\x1b[1mx\x1b[0m"
    assert text.bold("x", stream=io.StringIO()) == "x"
    monkeypatch.setenv("NO_COLOR", "1")
    assert text.bold("x", stream=Terminal()) == "x"
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert text.bold("x", stream=Terminal()) == "x"


def test_the_answer_comes_first_and_the_doubt_last():
    out = text.answer_text(
        "Coils last long.", "a  b", ["few failures", ""], width=60, stream=io.StringIO()
    )
    assert out == "Coils last long.\n\na  b\n\nnote: few failures"


def test_progress_says_each_step_and_how_long_it_took():
    out = Terminal()
    with Progress(stream=out).step("building lives"):
        pass
    assert out.getvalue().startswith("\rbuilding lives …\r")  # at once
    assert out.getvalue().endswith("\rbuilding lives … 0.0 s\n")


def test_what_begins_is_said_before_anything_is_imported_and_gives_way_to_the_first_step():
    out = Terminal()
    progress = Progress(stream=out).first("getting ready")
    assert out.getvalue() == "getting ready …"
    with progress.step("loading"):
        pass
    assert out.getvalue().startswith("getting ready …\rloading …" + " " * 6 + "\r")
    for silent in (Progress(stream=io.StringIO()), Progress(quiet=True, stream=out)):
        before = out.getvalue()
        silent.first("getting ready")
        assert silent.stream.getvalue() in ("", before)


def test_progress_is_silent_when_quiet_and_honest_when_it_fails():
    out = Terminal()
    with Progress(quiet=True, stream=out).step("building lives") as step:
        step.done(1)
    assert out.getvalue() == ""
    with pytest.raises(KeyError), Progress(stream=out).step("building lives"):
        raise KeyError
    assert out.getvalue().endswith("\rbuilding lives … stopped after 0.0 s\n")


def test_how_much_is_left_is_said_on_a_terminal_only_after_two_seconds(monkeypatch):
    clock = iter([0.0, 1.0, 4.0, 8.0])  # begun, twice asked, closed
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    out = Terminal()
    with Progress(stream=out).step("bootstrap", total=100) as step:
        step.done(20)  # 1 s: too early
        step.done(50)  # 4 s
    assert "\rbootstrap … 50 %, about 4 s left" in out.getvalue()
    assert out.getvalue().endswith("\rbootstrap … 8.0 s\n")


def test_a_long_answer_says_what_it_is_at_and_how_much_is_left(monkeypatch):
    clock = iter([0.0, 1.0, 4.0, 4.1, 9.0])  # the second one is where the work begins
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    out = Terminal()
    with Progress(stream=out).step("fitting lives") as step:
        for _ in each(step, ["coil", "fuse", "belt"]):  # 1 s: too early; 4 s; 4.1 s: just drawn
            pass
    assert "coil" not in out.getvalue()
    assert "\rfitting lives: fuse … 33 %, about 6 s left" in out.getvalue()
    assert "belt" not in out.getvalue()


def test_what_is_left_runs_down_and_never_below_nothing(monkeypatch):
    clock = iter([0.0, 4.0, 6.0, 9.0, 9.5])
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    out = Terminal()
    with Progress(stream=out).step("bootstrap", total=100) as step:
        step.done(50)  # 4 s for half
        step("resampling")  # 6 s: 2 left
        step("resampling")  # 9 s: it takes longer than thought
    said = out.getvalue()
    assert "50 %, about 4 s left" in said
    assert "50 %, about 2 s left" in said
    assert "resampling … 50 %, a little longer than expected: 9 s" in said


def test_what_has_no_known_end_says_how_long_it_has_taken(monkeypatch):
    clock = iter([0.0, 3.0, 3.5])
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    monkeypatch.setattr(
        "failstats.show.progress.shutil.get_terminal_size", lambda: os.terminal_size((40, 24))
    )
    out = Terminal()
    with Progress(stream=out).step("loading the records") as step:
        step("reading a file with quite a long name.csv")
    assert "\rloading the records: read… 3 s so far" in out.getvalue()


def test_work_within_work_shares_out_its_part_and_never_runs_backwards(monkeypatch):
    now = [0.0]
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: now[0])
    out = Terminal()
    shares = []
    with Progress(stream=out).step("answering policy") as step:
        stage = Stages(step, {"pairs": 6, "cleaning": 4})
        stage("pairs")
        for pair in each(step, ["a", "b", "c"], weigh=lambda pair: 4 if pair == "c" else 1):
            shares.append(step.span)
            now[0] += 3.0
            step(f"{pair} again")
        stage("cleaning")
        shares.append(step.span)
    assert shares == [pytest.approx(s) for s in [(0, 0.1), (0.1, 0.2), (0.2, 0.6), (0.6, 1)]]
    said = out.getvalue()
    assert "answering policy: a again … 1 of 3, 3 s so far" in said  # nothing is finished yet
    # 3 s for a tenth: 27 s for the rest, and 3 s later 24 s
    assert "answering policy: b again … 10 %, about 24 s left" in said
    assert "answering policy: c again … 20 %, about 21 s left" in said  # 6 s for two tenths
    assert "cleaning … 60 %, about 6 s left" not in said  # just drawn


@pytest.mark.parametrize("listens", [None, [].append])
def test_who_does_not_measure_is_told_the_names_alone(listens):
    stage = Stages(listens, {"counting": 1, "fitting": 2})
    stage("fitting")
    assert list(each(listens, [1, 2], weigh=float)) == [1, 2]


def test_what_is_left_is_not_guessed_from_next_to_nothing(monkeypatch):
    clock = iter([0.0, 3.0, 4.0])
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    out = Terminal()
    with Progress(stream=out).step("bootstrap", total=1000) as step:
        step.done(10)
    assert "bootstrap … 1.0 % done, 3 s so far" in out.getvalue()


def test_long_waits_are_said_in_minutes(monkeypatch):
    clock = iter([0.0, 100.0, 200.0])
    monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: next(clock))
    out = Terminal()
    with Progress(stream=out).step("loading", total=10) as step:
        step.done(2)
    assert "loading … 20 %, about 7 min left" in out.getvalue()


def test_nothing_runs_along_when_piped(monkeypatch):
    out = io.StringIO()
    with Progress(stream=out).step("loading") as step:
        monkeypatch.setattr("failstats.show.progress.time.monotonic", lambda: 1e9)
        step("a table")
    assert out.getvalue() == ""


def test_a_calculation_that_tells_nothing_is_drawn_all_the_same(monkeypatch):
    monkeypatch.setattr("failstats.show.progress.BAR_AFTER", 0.0)
    monkeypatch.setattr("failstats.show.progress.REDRAWN_AFTER", 0.0)
    monkeypatch.setattr("failstats.show.progress.BEAT", 0.01)
    out = Terminal()
    with Progress(stream=out).step("answering pairs") as step:
        step("belt and coil")
        told = out.getvalue().count("\r")
        for _ in range(500):
            if out.getvalue().count("\r") > told + 1:
                break
            time.sleep(0.01)
    assert out.getvalue().count("\r") > told + 2  # drawn again, then wiped
