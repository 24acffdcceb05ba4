"""The cautions say everything they must, and a safety part is never advised without its own."""

import itertools

import pytest

from failstats.show.cautions import caution_for_pair, cautions


@pytest.mark.parametrize(
    "words",
    [
        "240 V",
        "Disconnect the power",
        "Gas",
        "carbon monoxide",
        "never bypassed, bridged or exchanged",
        "find the cause",
        "ladder",
        "Lint burns",
        "clears nobody to wait longer",
        "do not diagnose",
        "Local code",
        "burning or smoke",
        "interval",
    ],
)
def test_every_danger_is_named(words):
    assert words in " ".join(cautions())


def test_a_safety_part_never_goes_without_its_caution():
    for first, second in itertools.product(["cutout", "thermostat", "fuse"], ["coil", "belt"]):
        for pair in ((first, second), (second, first)):
            said = caution_for_pair(*pair)
            assert "same rating" in said
            assert "never bypass" in said
            assert first in said
    assert "Gas" in caution_for_pair("coil", "igniter")
    assert caution_for_pair("belt", "roller").startswith("Disconnect")
