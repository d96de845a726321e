"""Words that earlier stages use in names, for the catalogues (context "term").

Colour words are those of :mod:`steps.intake.colour_words`. A word that is not here is printed as it is.
"""

from __future__ import annotations

TERMS = (
    # kinds of shape
    "block",
    "slab",
    "part",
    "wedge",
    "smooth block",
    "smooth slab",
    "round block",
    "round slab",
    "round part",
    "smooth round block",
    "smooth round slab",
    "tapered block",
    "tapered slab",
    "tapered part",
    "smooth tapered block",
    "smooth tapered slab",
    # what tells a shape from the plain one
    "arched",
    "with ball",
    "with cup",
    # sub-assemblies: what they are and where they sit
    "whole model",
    "body",
    "section",
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
)
