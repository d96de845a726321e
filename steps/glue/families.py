"""Adhesive families from steps/data/adhesives.toml: what they bond, how wide a gap, how long they take."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from steps.errors import WrongSettings

PLASTICS = ("pla", "petg", "abs", "asa", "tpu", "nylon")


@dataclass(frozen=True)
class Bond:
    """How well a family bonds one plastic: 0 no, 1 weak, 2 fair, 3 good, 4 best."""

    rating: int
    note: str
    source: str


@dataclass(frozen=True)
class Ingredient:
    """A component and its share of the mass."""

    name: str
    share: float


@dataclass(frozen=True)
class Family:
    """One family. Lengths mm, stresses MPa, times in minutes unless the name says otherwise."""

    name: str
    words: str
    lap_shear_mpa: tuple[float, float]
    best_gap_mm: tuple[float, float]
    greatest_gap_mm: float
    film_mm: float
    open_min: float
    fixture_min: tuple[float, float]
    cure_h: float
    max_c: float
    wicks: bool
    needs_light: bool
    surface: str
    bonds: Mapping[str, Bond]
    components: Mapping[str, tuple[Ingredient, ...]]
    source: Mapping[str, str]

    def bond(self, plastic: str) -> Bond:
        return self.bonds[plastic]

    def ingredients(self, plastic: str) -> tuple[Ingredient, ...]:
        """What is in it when it is meant for the plastic."""
        return self.components.get(plastic, self.components["any"])

    @property
    def wait_min(self) -> float:
        """Time until a joint holds by itself: the longer figure, to be safe."""
        return self.fixture_min[1]

    @property
    def design_mpa(self) -> float:
        """Stress a joint may be designed for: a share of the least lap shear."""
        return self.lap_shear_mpa[0] * glue_book().design_share


@dataclass(frozen=True)
class Refused:
    """A substance that is refused always, or left out unless asked for."""

    name: str
    why: str
    source: str


@dataclass(frozen=True)
class GlueBook:
    """All of the data file."""

    families: Mapping[str, Family]
    refused: Mapping[str, Refused]
    off: Mapping[str, Refused]
    waste: float
    design_share: float


@cache
def glue_book() -> GlueBook:
    """The data file, read once."""
    data = tomllib.loads(files("steps").joinpath("data/adhesives.toml").read_text(encoding="utf-8"))
    return GlueBook(
        families={row["name"]: _family(row) for row in data["family"]},
        refused={row["name"]: Refused(**row) for row in data["refused"]},
        off={row["name"]: Refused(**row) for row in data["off"]},
        waste=data["volume"]["waste"],
        design_share=data["volume"]["design_share"],
    )


def _family(row: Mapping[str, Any]) -> Family:
    return Family(
        name=row["name"],
        words=row["words"],
        lap_shear_mpa=tuple(row["lap_shear_mpa"]),
        best_gap_mm=tuple(row["best_gap_mm"]),
        greatest_gap_mm=row["greatest_gap_mm"],
        film_mm=row["film_mm"],
        open_min=row["open_min"],
        fixture_min=tuple(row["fixture_min"]),
        cure_h=row["cure_h"],
        max_c=row["max_c"],
        wicks=row["wicks"],
        needs_light=row.get("needs_light", False),
        surface=row["surface"],
        bonds={plastic: Bond(**bond) for plastic, bond in row["bonds"].items()},
        components={
            plastic: tuple(Ingredient(one["name"], one["share"]) for one in several)
            for plastic, several in row["components"].items()
        },
        source=dict(row["source"]),
    )


def family(name: str) -> Family:
    """The family of that name. Raises WrongSettings, listing the known ones, or saying why it is refused."""
    book = glue_book()
    if name in book.families:
        return book.families[name]
    if name in book.refused:
        refused = book.refused[name]
        raise WrongSettings(f"adhesive {name!r} is never used here: {refused.why} ({refused.source}).")
    known = ", ".join(["none", *book.families])
    raise WrongSettings(f"adhesive {name!r} is not known; known are {known}.")


def check_plastic(name: str) -> None:
    """Raises WrongSettings, listing the known plastics, for an unknown one."""
    if name not in PLASTICS:
        raise WrongSettings(f"material {name!r} is not known; known are {', '.join(PLASTICS)}.")
