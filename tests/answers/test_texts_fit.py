"""What a command prints fits the terminal: no line is longer than it is wide."""

from __future__ import annotations

import pytest

from failstats.demo import Demo


@pytest.mark.parametrize("width", [72, 100])
def test_no_line_of_an_answer_is_longer_than_the_terminal(
    made: Demo, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    long = [
        (command, line)
        for command, answer in made.answers.items()
        for line in str(answer).splitlines()
        if len(line) > width
    ]
    assert long == []
