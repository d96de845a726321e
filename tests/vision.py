"""How colours look to people with a colour vision deficiency, for tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Linear-RGB matrices. Protan and deutan: Vienot, Brettel and Mollon 1999; tritan: Machado, Oliveira and
#: Fernandes 2009, severity 1.0. From memory; each keeps greys as they are, which is tested.
SIGHTS = {
    "normal": np.eye(3),
    "protan": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deutan": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(colours: NDArray) -> NDArray:
    """Of sRGB values 0 to 1 (IEC 61966-2-1)."""
    colours = np.asarray(colours, dtype=float)
    return np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)


def as_seen(colours: NDArray, sight: str) -> NDArray:
    """(..., 3) linear RGB as someone with that sight sees sRGB colours."""
    return np.clip(linear(colours) @ SIGHTS[sight].T, 0, 1)


def brightness(colours: NDArray, sight: str = "normal") -> NDArray:
    """Relative luminance (WCAG 2.2) as seen."""
    return as_seen(colours, sight) @ [0.2126, 0.7152, 0.0722]


def contrast(one: NDArray, two: NDArray) -> NDArray:
    """Contrast ratio (WCAG 2.2) of relative luminances."""
    return (np.maximum(one, two) + 0.05) / (np.minimum(one, two) + 0.05)
