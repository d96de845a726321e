"""Flat tints: three tones by which way a face looks, paler for what is earlier, greys in mono."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.table import Item, Role

#: Where the light comes from, as the camera sees it (right, up, toward): over the left shoulder. In an
#: isometric view the three faces of a block get one tone each, from above and from below.
LIGHT = np.array([-0.45, 0.75, 0.50]) / np.linalg.norm([-0.45, 0.75, 0.50])
#: A face is light, middle or dark by the cosine between its normal and the light; the bounds lie
#: half-way between the tones of an isometric block's faces (0.92, 0.30, -0.34).
TONE_BOUNDS = (0.0, 0.6)
#: The number of the dark tone.
DARK = 0
#: What the colour is multiplied by: dark, middle, light. Taken by eye, no darker than lines allow.
NEW_TONES = (0.75, 0.87, 1.0)
EARLIER_TONES = (0.87, 0.935, 1.0)
#: Share of white mixed into what is earlier.
EARLIER_WHITE, EARLIER_WHITE_MONO = 0.60, 0.72
GHOST_WHITE = 0.85
#: The darkest value a channel is drawn with (0 to 1), so that lines show on black parts.
DARKEST = 0.16
#: WCAG 2.2 asks 3 : 1 between graphics and what is next to them. Black lines have it on a relative luminance
#: of 0.10 and more; an item whose dark tone is below gets light lines within.
DARK_FILL = 0.10
#: A colour whose dark tone is less than that, but not less than this, is made lighter instead: a brick red
#: keeps its black lines.
NEARLY_DARK = 0.075
#: Aimed at when made lighter: above DARK_FILL by more than the rounding to 256 values.
LIGHTENED = 0.1015


def rgb(colour: str) -> NDArray[np.float64]:
    """(3,) 0 to 1 of "#rrggbb"; mid grey for what is not a colour."""
    try:
        return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    except ValueError:
        return np.full(3, 0.5)


def luminance(colours: NDArray) -> NDArray[np.float64]:
    """Relative luminance of (..., 3) sRGB values 0 to 1 (WCAG 2.2)."""
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def tones(normals: NDArray) -> NDArray[np.int64]:
    """(n,) 0 dark, 1 middle, 2 light, of normals in camera coordinates."""
    return np.digitize(normals @ LIGHT, TONE_BOUNDS)


def tints(colour: str, role: Role, mono: bool = False) -> NDArray[np.float64]:
    """(3 tones, 3) sRGB 0 to 1: dark, middle, light."""
    base = rgb(colour)
    if mono:
        base = np.full(3, luminance(base) ** (1 / 2.2))
    base = DARKEST + (1 - DARKEST) * base
    if role == "new":
        return _lined(base)
    earlier = EARLIER_WHITE_MONO if mono else EARLIER_WHITE
    white = {"earlier": earlier, "ghost": GHOST_WHITE}[role]
    return np.clip((base + (1 - base) * white) * np.array(EARLIER_TONES)[:, None], 0, 1)


def _lined(base: NDArray[np.float64]) -> NDArray[np.float64]:
    """(3, 3) the tones of a new part's colour, as light as its black lines need where little is missing."""
    steps = np.array(NEW_TONES)[:, None]
    if not NEARLY_DARK <= luminance(base * steps[DARK]) < DARK_FILL:
        return np.clip(base * steps, 0, 1)
    low, high = 0.0, 1.0  # share of white, halved down to a thousandth
    for _ in range(10):
        share = (low + high) / 2
        enough = luminance((base + (1 - base) * share) * steps[DARK]) >= LIGHTENED
        low, high = (low, share) if enough else (share, high)
    return np.clip((base + (1 - base) * high) * steps, 0, 1)


def palette(items: Sequence[Item], mono: bool = False) -> tuple[NDArray[np.uint8], NDArray[np.int32]]:
    """(k, 3) colours, white first, and (items,) where each item's three tones begin in it."""
    known: dict[tuple[str, Role], int] = {}
    colours = [np.ones((1, 3))]
    starts = []
    for item in items:
        key = (item.colour, item.role)
        if key not in known:
            known[key] = 1 + 3 * len(known)
            colours.append(tints(item.colour, item.role, mono))
        starts.append(known[key])
    return np.round(np.concatenate(colours) * 255).astype(np.uint8), np.array(starts, np.int32)
