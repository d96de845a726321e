"""Hazards of what is in an adhesive, from steps/data/hazards.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from steps.glue.families import Family

SignalWord = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]

#: Molar volume of a gas at 25 deg C and one atmosphere, L/mol (the references' figure).
MOLAR_VOLUME_L = 24.45
#: A row is complete when all of these are there, each with a source.
NEEDED = (
    "statements",
    "pictograms",
    "signal",
    "molar_g",
    "density_g_ml",
    "evaporating",
    "limits",
    "gloves",
    "first_aid",
    "storage",
    "disposal",
)


@dataclass(frozen=True)
class ExposureLimit:
    """A limit for the air of a workplace, ppm; ``stel`` is short-term or a ceiling."""

    body: str
    twa: float | None
    stel: float | None
    source: str

    @property
    def lowest(self) -> float:
        return min(value for value in (self.twa, self.stel) if value is not None)


@dataclass(frozen=True)
class Component:
    """One hazard row. ``missing`` lists what keeps it from being complete."""

    name: str
    words: str
    statements: tuple[str, ...]
    pictograms: tuple[str, ...]
    signal: str
    flash_c: float | None
    molar_g: float | None
    density_g_ml: float | None
    evaporating: float | None
    limits: tuple[ExposureLimit, ...]
    gloves: str
    first_aid: tuple[str, ...]
    storage: str
    disposal: str
    training: str
    note: str
    signs: tuple[str, ...]
    source: Mapping[str, str]
    missing: tuple[str, ...]

    @property
    def complete(self) -> bool:
        return not self.missing

    def ppm(self, volume_ml: float, room_m3: float) -> float:
        """Concentration if this volume's evaporating share filled a closed room.

        Mass over molar mass times the molar volume of a gas at 25 deg C (references).
        """
        if not (self.evaporating and self.density_g_ml and self.molar_g):
            return 0.0
        litres = volume_ml * self.density_g_ml * self.evaporating / self.molar_g * MOLAR_VOLUME_L
        return litres * 1000.0 / room_m3


@dataclass(frozen=True)
class HazardBook:
    """All of the data file."""

    components: Mapping[str, Component]
    statements: Mapping[str, str]
    grave: frozenset[str]
    serious: frozenset[str]
    softens: Mapping[str, tuple[float, float]]
    limits: Mapping[str, Any]


@cache
def hazard_book() -> HazardBook:
    """The data file, read once."""
    data = tomllib.loads(files("steps").joinpath("data/hazards.toml").read_text(encoding="utf-8"))
    return HazardBook(
        components={row["name"]: _component(row) for row in data["component"]},
        statements=data["statement"],
        grave=frozenset(data["signal_words"]["grave"]),
        serious=frozenset(data["signal_words"]["serious"]),
        softens={row["plastic"]: tuple(row["up_to_c"]) for row in data["softens"]},
        limits=data["limits"],
    )


def _component(row: Mapping[str, Any]) -> Component:
    source = row.get("source", {})
    limits = tuple(
        ExposureLimit(one["body"], one.get("twa"), one.get("stel"), one["source"])
        for one in row.get("limits", ())
    )
    sourced = set(source) | ({"limits"} if limits else set())
    return Component(
        name=row["name"],
        words=row["words"],
        statements=tuple(row.get("statements", ())),
        pictograms=tuple(row.get("pictograms", ())),
        signal=row.get("signal", ""),
        flash_c=row.get("flash_c"),
        molar_g=row.get("molar_g"),
        density_g_ml=row.get("density_g_ml"),
        evaporating=row.get("evaporating"),
        limits=limits,
        gloves=row.get("gloves", ""),
        first_aid=tuple(row.get("first_aid", ())),
        storage=row.get("storage", ""),
        disposal=row.get("disposal", ""),
        training=row.get("training", ""),
        note=row.get("note", ""),
        signs=tuple(row.get("signs", ())),
        source=dict(source),
        missing=tuple(key for key in NEEDED if key not in row or key not in sourced),
    )


def components_of(family: Family, plastic: str) -> tuple[Component, ...]:
    """The hazard rows of what is in the family when it is meant for the plastic."""
    book = hazard_book()
    return tuple(
        book.components.get(one.name, _component({"name": one.name, "words": one.name}))
        for one in family.ingredients(plastic)
    )


def complete(family: Family, plastic: str) -> bool:
    """Whether every component has a complete row; only then may the family be recommended."""
    return all(component.complete for component in components_of(family, plastic))


def signal_word(component: Component) -> SignalWord:
    """The word to print, by ANSI Z535.4/.6 and ISO 3864-2: what could kill or seriously injure is a warning,
    minor or moderate injury a caution. An incomplete row is treated as a warning."""
    book = hazard_book()
    if not component.complete or set(component.statements) & (book.grave | book.serious):
        return "WARNING"
    return "CAUTION" if component.statements or component.signs else "NOTICE"
