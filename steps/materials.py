"""Figures of the printing materials, each with its source, from data/materials.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from steps.errors import WrongSettings


@dataclass(frozen=True)
class Material:
    """One printing material; ``source`` says where each figure comes from."""

    name: str
    density_g_cm3: float
    e_gpa: float  #: elastic modulus along the layers, as published
    e_low_gpa: float  #: the low end of what printed bars come to
    tensile_mpa: float
    poisson: float
    friction: tuple[float, float]  #: static, on itself: 5th and 95th percentile
    relaxation: float  #: share of the grip kept after a month
    source: dict[str, str]


@cache
def materials() -> dict[str, Material]:
    """Every material of the data file by name."""
    text = files("steps").joinpath("data/materials.toml").read_text(encoding="utf-8")
    return {
        name: Material(name=name, **{**row, "friction": tuple(row["friction"])})
        for name, row in tomllib.loads(text).items()
    }


def material(name: str) -> Material:
    """The figures of one material. Raises WrongSettings for a name that has no row."""
    try:
        return materials()[name]
    except KeyError:
        known = ", ".join(sorted(materials()))
        raise WrongSettings(f"material: no figures for {name!r}; known: {known}.") from None
