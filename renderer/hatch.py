"""Hatches for black-and-white pictures, so that two colours of like grey can be told apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.tone import luminance, rgb

#: Lines of a hatch: distance and width on paper (mm). ISO 128 asks 0.7 mm between lines at least.
SPACING_MM, LINE_MM = 1.5, 0.2
#: What a hatch line does to the tint below: darkens it to this share, or lightens a dark one.
LINE_SHADE, DARK_BELOW, LINE_LIGHT = 0.62, 0.42, 0.45
#: Directions of the lines of each hatch, degrees; the first hatch is plain.
HATCHES: tuple[tuple[float, ...], ...] = ((), (45,), (135,), (45, 135), (0,), (90,), (0, 90))
#: Greys (0 to 1) nearer than this are alike.
ALIKE = 0.12


def mono_grey(colour: str) -> float:
    """The grey (0 to 1) that stands for a colour."""
    return float(luminance(rgb(colour)) ** (1 / 2.2))


def choose_hatches(colours: Sequence[str]) -> Mapping[str, int]:
    """A hatch number for each colour, in the order given: plain where its grey is clear of those before,
    else the first hatch that none of its like has; when all are taken, the one whose like is farthest."""
    chosen: dict[str, int] = {}
    for colour in dict.fromkeys(colours):
        grey = mono_grey(colour)
        nearest = [
            min((abs(grey - mono_grey(other)) for other, at in chosen.items() if at == number), default=1.0)
            for number in range(len(HATCHES))
        ]
        free = [number for number, distance in enumerate(nearest) if distance >= ALIKE]
        chosen[colour] = free[0] if free else int(np.argmax(nearest))
    return chosen


def hatched(
    tints: NDArray[np.uint8],
    number: NDArray[np.integer],
    row: NDArray[np.integer],
    column: NDArray[np.integer],
    mm_per_pixel: float,
) -> NDArray[np.uint8]:
    """Hatch ``number`` (k,) over ``tints`` (k, 3), which are greys, of pixels at ``row`` and ``column`` of
    the whole picture, through which the lines run on."""
    ink = np.zeros(len(number))
    for hatch, directions in enumerate(HATCHES):
        of = np.flatnonzero(number == hatch)
        for direction in directions:
            turn = np.radians(direction)
            across = (column[of] * np.sin(turn) + row[of] * np.cos(turn)) * mm_per_pixel
            distance = np.abs((across + SPACING_MM / 2) % SPACING_MM - SPACING_MM / 2)
            cover = np.clip((LINE_MM / 2 - distance) / mm_per_pixel + 0.5, 0.0, 1.0)
            ink[of] = np.maximum(ink[of], cover)
    at = np.flatnonzero(ink)
    drawn = tints.copy()
    tint = tints[at] / 255.0
    line = np.where(tint < DARK_BELOW, tint + LINE_LIGHT * (1 - tint), tint * LINE_SHADE)
    drawn[at] = np.round((tint + (line - tint) * ink[at, None]) * 255)
    return drawn
