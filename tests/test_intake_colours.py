"""Names of colours: plain, distinct, and near the colour they stand for."""

from __future__ import annotations

import numpy as np
import pytest
import webcolors
from hypothesis import given, settings
from hypothesis import strategies as st

from steps.intake.colour_words import FROM_CSS, OWN, WORDS
from steps.intake.colours import from_linear, name_colours, parse_colour, to_hex, to_lab

hexes = st.builds(to_hex, st.tuples(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255)))


@settings(max_examples=60, deadline=None)
@given(st.lists(hexes, min_size=1, max_size=60))
def test_one_distinct_name_per_distinct_colour_in_any_order(colours):
    named = name_colours(colours)
    assert set(named) == set(colours)
    assert len(set(map(str, named.values()))) == len(named)
    assert all(str(name) and str(name) == str(name).lower().strip() for name in named.values())
    assert name_colours(colours[::-1]) == named


def test_hundreds_of_neighbouring_greys_stay_distinct():
    greys = [to_hex((v, v, v)) for v in range(256)]
    assert len(set(map(str, name_colours(greys).values()))) == 256


@pytest.mark.parametrize(
    ("colour", "name"),
    [
        ("#5f7d95", "slate blue"),  # the plan format's own example
        ("#000000", "black"),
        ("#ffffff", "white"),
        ("#ff0000", "red"),
        ("#fe0100", "red"),
        ("#808080", "grey"),
        ("#000082", "navy blue"),
    ],
)
def test_plain_words(colour, name):
    assert {key: str(each) for key, each in name_colours([colour]).items()} == {colour: name}


def test_two_near_colours_tell_which_is_darker():
    named = name_colours(["#808080", "#7c7c7c"])
    assert str(named["#808080"]) == "grey"
    assert str(named["#7c7c7c"]) != "grey"
    crowded = name_colours(["#0000ff", "#0000fe", "#0000fd"])
    assert str(crowded["#0000ff"]) == "blue"


def test_words_from_css_are_the_w3c_values():
    """Checked against webcolors, which carries the W3C's table."""
    known = {webcolors.name_to_hex(name) for name in webcolors.names("css3")}
    assert set(FROM_CSS.values()) <= known


def test_no_two_words_for_one_colour_and_no_lookalikes():
    assert len(set(WORDS.values())) == len(WORDS)
    assert not set(FROM_CSS) & set(OWN)
    lab = to_lab(WORDS.values())
    apart = np.linalg.norm(lab[:, None] - lab[None], axis=2) + 100 * np.eye(len(lab))
    assert apart.min() > 1.0


def test_lab_against_published_values():
    """Bruce Lindbloom's calculator, D65, rounded: sRGB red, green, blue and mid grey."""
    np.testing.assert_allclose(
        to_lab(["#ff0000", "#00ff00", "#0000ff", "#777777"]),
        [[53.24, 80.09, 67.20], [87.73, -86.18, 83.18], [32.30, 79.19, -107.86], [50.03, 0, 0]],
        atol=0.06,
    )


def test_linear_light_round_trip():
    """IEC 61966-2-1 backwards, written out here on its own."""
    for value in range(256):
        encoded = value / 255
        linear = encoded / 12.92 if encoded <= 0.04045 else ((encoded + 0.055) / 1.055) ** 2.4
        assert from_linear([linear] * 3) == (value, value, value)


@pytest.mark.parametrize(
    ("text", "colour"),
    [
        ("#102030", (16, 32, 48)),
        ("102030", (16, 32, 48)),
        ("#abc", (170, 187, 204)),
        ("#10203080", (16, 32, 48)),
        (" Red ", (255, 0, 0)),
        ("slate blue", (0x5F, 0x7D, 0x95)),
        ("light-blue", (173, 216, 230)),
        ("lightgoldenrodyellow", (250, 250, 210)),
        ("", None),
        ("#12345", None),
        ("no such hue", None),
    ],
)
def test_written_colours(text, colour):
    assert parse_colour(text) == colour
