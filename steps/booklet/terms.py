"""Words that earlier stages use in names, for the catalogues (context "term").

Colour words are those of :mod:`steps.intake.colour_words`. A word that is not here is printed as it is.
"""

from __future__ import annotations

TERMS = (
    # kinds of shape
    "block",
    "slab",
    "part",
    # sub-assemblies: what they are and where they sit
    "whole model",
    "tower",
    "deck",
    "arm",
    "front",
    "back",
    "left",
    "right",
    "middle",
    "front left",
    "front right",
    "back left",
    "back right",
    # colours told apart
    "darker {colour}",
    "lighter {colour}",
)
