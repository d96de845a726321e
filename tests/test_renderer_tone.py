"""Tints and lines: seen by everybody, in colour and in greys."""

import numpy as np
import pytest
from PIL import ImageColor

from demo_model.beacon import beacon
from demo_model.tug import tug
from renderer.ink import EARLIER_GREY, GHOST_GREY, LIGHT_GREY, NEW_GREY
from renderer.tone import DARK, DARK_FILL, luminance, tints
from steps.draw.pictures import HERE
from tests.vision import SIGHTS, brightness, contrast

#: Those of the demo models, and every named colour of CSS Color Module Level 4.
COLOURS = sorted(
    {part.colour for demo in (tug(), beacon()) for part in demo.placed}
    | {"#{:02x}{:02x}{:02x}".format(*ImageColor.getrgb(name)[:3]) for name in ImageColor.colormap}
)
#: Black on strong reds looks darker to protans: less than WCAG's 3 : 1, on the darkest of three faces.
LEAST_PROTAN = 2.3


def drawn(colour: str, role: str, mono: bool) -> np.ndarray:
    """The tones as pixels have them."""
    return np.round(tints(colour, role, mono) * 255) / 255


def line_on(tones: np.ndarray, role: str) -> np.ndarray:
    """The grey of lines within an item of that role, as the ink stage takes it."""
    new = LIGHT_GREY if luminance(tones[DARK]) < DARK_FILL else NEW_GREY
    return np.full(3, {"new": new, "earlier": EARLIER_GREY}[role])


@pytest.mark.parametrize("sight", SIGHTS)
def test_simulations_leave_greys_as_they_are(sight):
    assert SIGHTS[sight].sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-4)


@pytest.mark.parametrize("mono", [False, True])
@pytest.mark.parametrize("role", ["new", "earlier"])
def test_lines_have_3_to_1_on_every_tone_of_every_colour(role, mono):
    # WCAG 2.2, 1.4.11: graphics need 3 : 1 against what is next to them
    for colour in COLOURS:
        tones = drawn(colour, role, mono)
        found = contrast(luminance(tones), luminance(line_on(tones, role)))
        assert found.min() >= 3.0, colour


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("role", ["new", "earlier"])
def test_lines_are_seen_by_the_colour_blind(role, sight):
    for colour in COLOURS:
        tones = drawn(colour, role, False)
        found = contrast(brightness(tones, sight), brightness(line_on(tones, role), sight)).min()
        assert found >= (LEAST_PROTAN if sight == "protan" else 2.9), colour


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("role", ["new", "earlier", "ghost"])
def test_the_three_tones_of_a_block_differ_for_everybody(role, sight):
    # by 7 in 100 of their brightness, measured on a saturated red as tritans see it; no standard asks for
    # more, since lines tell faces apart, and those alone the darkest
    for colour in COLOURS:
        dark, middle, light = brightness(drawn(colour, role, False), sight)
        assert dark < middle < light, colour
        if light > 0.1:
            assert contrast(dark, middle) >= 1.07 and contrast(middle, light) >= 1.07, colour


@pytest.mark.parametrize("sight", SIGHTS)
def test_earlier_parts_are_never_darker_than_new_ones(sight):
    for colour in COLOURS:
        new, earlier = (brightness(drawn(colour, role, False), sight) for role in ("new", "earlier"))
        assert (earlier >= new - 0.01).all(), colour


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("mono", [False, True])
def test_the_highlight_of_the_overview_stands_out_for_everybody(mono, sight):
    here = brightness(drawn(HERE, "new", mono), sight)
    for colour in COLOURS:
        ghost = brightness(drawn(colour, "ghost", mono), sight)
        assert contrast(here[1], ghost[1]) >= 3.0, colour


def test_what_is_shown_through_has_an_outline_on_paper():
    assert contrast(luminance(np.full(3, GHOST_GREY)), 1.0) >= 3.0


def test_dark_colours_stay_dark_and_light_ones_light():
    # lightened for their lines, a brick red and a charcoal are still taken for what they are
    assert luminance(tints("#000000", "new")[2]) < 0.03
    assert luminance(tints("#34414d", "new")[2]) < 0.15
    assert luminance(tints("#ffffff", "new")[2]) == pytest.approx(1.0)
    red = tints("#a63a2f", "new")[2]
    assert red[0] > 1.5 * red[1] and luminance(red) < 0.2
