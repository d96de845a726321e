"""Plain names for colours: the nearest of a list of plain words, distinct colours distinctly named."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np
import webcolors
from numpy.typing import ArrayLike

from steps.intake.colour_words import WORDS
from steps.intake.scene import Colour
from steps.model import Array
from steps.wording import Term, Wording, joined, phrase

#: What a part is when its file gives no colour.
DEFAULT_COLOUR = "#9a9a9a"

#: A file's own word for a colour is kept up to this far from the colour that the word stands for (CIE 1976):
#: printed "yellow" is seldom pure, but "red" is no word for a blue. A guess.
OWN_WORD_FAR = 60.0
#: A free name further off than this (CIE 1976 difference) would mislead; about six just-noticed steps.
FAR = 14.0


def parse_colour(text: str) -> Colour | None:
    """sRGB of "#rrggbb", "#rgb", "#rrggbbaa", a CSS name or one of our own names; None if it is none."""
    word = text.strip().lower()
    if re.fullmatch(r"#?[0-9a-f]{6}([0-9a-f]{2})?", word):
        return _from_hex("#" + word.lstrip("#")[:6])
    if re.fullmatch(r"#[0-9a-f]{3}", word):
        return _from_hex("#" + "".join(letter * 2 for letter in word[1:]))
    if word in WORDS:
        return _from_hex(WORDS[word])
    try:
        return _from_hex(webcolors.name_to_hex(word.replace(" ", "").replace("-", "")))
    except ValueError:
        return None


def to_hex(colour: Colour) -> str:
    """ "#rrggbb"."""
    return "#{:02x}{:02x}{:02x}".format(*colour)


def from_linear(values: ArrayLike) -> Colour:
    """sRGB of linear light in 0..1 (IEC 61966-2-1)."""
    linear = np.clip(np.asarray(values, dtype=np.float64), 0.0, 1.0)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    red, green, blue = (round(float(value) * 255) for value in encoded)
    return red, green, blue


def to_lab(colours: Iterable[str]) -> Array:
    """(n, 3) CIELAB of "#rrggbb", D65 (IEC 61966-2-1, CIE 15)."""
    encoded = np.array([_from_hex(colour) for colour in colours], dtype=np.float64).reshape(-1, 3) / 255
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = linear @ to_xyz.T / (to_xyz @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.column_stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])])


def name_colours(colours: Iterable[str], said: Mapping[str, Wording] | None = None) -> Mapping[str, Wording]:
    """A plain name for each "#rrggbb"; no two alike. The order given decides nothing.

    A word that the file itself has for a colour (``said``) stays, and goes first. Colours nearest to their
    word get it first. A colour whose word is taken gets the nearest free one
    if that does not mislead, else "darker" or "lighter" before the word, else a number after it.
    """
    wanted = sorted(set(colours))
    if not wanted:
        return {}
    words, lab = [Term(word) for word in WORDS], to_lab(wanted)
    distance = np.linalg.norm(lab[:, None] - _WORDS_LAB[None], axis=2)
    named: dict[str, Wording] = {}
    holder: dict[Wording, int] = {}
    for row, colour in enumerate(wanted):
        word = (said or {}).get(colour)
        if word and word not in holder:
            holder[word], named[colour] = row, word
    for row in np.lexsort((np.arange(len(wanted)), np.round(distance.min(axis=1), 9))):
        if wanted[row] in named:
            continue
        nearest = np.argsort(distance[row], kind="stable")
        free = next((at for at in nearest if words[at] not in holder and distance[row, at] <= FAR), None)
        if words[nearest[0]] not in holder:
            free = nearest[0]
        if free is not None:
            name: Wording = words[free]
        else:
            first = holder[words[nearest[0]]]
            name = _told_apart(words[nearest[0]], lab[row, 0] < lab[first, 0], holder)
        holder[name] = int(row)
        named[wanted[row]] = name
    return {colour: named[colour] for colour in wanted}


def _told_apart(word: Term, darker: bool, taken: Mapping[Wording, int]) -> Wording:
    tried = phrase("darker {colour}", colour=word) if darker else phrase("lighter {colour}", colour=word)
    number = 2
    name: Wording = tried
    while name in taken:
        name = joined(tried, number, by=" ")
        number += 1
    return name


def _from_hex(text: str) -> Colour:
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


_WORDS_LAB = to_lab(WORDS.values())
