"""Hazards of what is in an adhesive, from steps/data/hazards.toml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from steps.cites import Cite, Cites, cites, cites_of, data_file
from steps.glue.families import Family

#: Molar volume of a gas at 25 deg C and 1 atm, L/mol, as the NIOSH Pocket Guide converts (from memory).
MOLAR_VOLUME_L = 24.45
#: Molar mass of an isocyanate group, g/mol: N 14.007 + C 12.011 + O 15.999.
NCO_G = 42.017
#: A row is complete when all of these are there, each with a cite.
NEEDED = (
    "statements",
    "pictograms",
    "signal",
    "molar_g",
    "density_g_ml",
    "evaporating",
    "limits",
    "gloves",
    "storage",
    "disposal",
)
EIGHT_HOURS = "8 h"


@dataclass(frozen=True)
class ExposureLimit:
    """A limit for the air of a workplace, over a shift ("8 h") or for a peak ("15 min", "10 min",
    "ceiling"), in ppm or in micrograms of isocyanate groups a cubic metre; ``until`` is its last year."""

    body: str
    over: str
    value: float
    unit: str
    cites: tuple[Cite, ...]
    until: int | None = None

    @property
    def ppm(self) -> float:
        if self.unit == "ppm":
            return self.value
        return self.value * MOLAR_VOLUME_L / 1000.0 / NCO_G  # of groups; a molecule has several


@dataclass(frozen=True)
class AirSurvey:
    """What was measured where people work with it, ppm: mean over a shift, highest short peak."""

    mean_ppm: float
    peak_ppm: float
    cites: tuple[Cite, ...]


@dataclass(frozen=True)
class Component:
    """One hazard row. ``may_carry``: statements of some products only; ``who``: must not handle it;
    ``missing`` lists what keeps the row from being complete."""

    name: str
    words: str
    statements: tuple[str, ...] = ()
    may_carry: tuple[str, ...] = ()
    pictograms: tuple[str, ...] = ()
    signal: str = ""
    flash_c: float | None = None
    molar_g: float = 0.0
    density_g_ml: float = 0.0
    evaporating: float = 0.0
    nco_groups: int = 1
    limits: tuple[ExposureLimit, ...] = ()
    survey: AirSurvey | None = None
    gloves: str = ""
    storage: str = ""
    disposal: str = ""
    who: str = ""
    training: str = ""
    note: str = ""
    hot: bool = False
    cites: Cites | None = None
    missing: tuple[str, ...] = NEEDED

    @property
    def complete(self) -> bool:
        return not self.missing

    @property
    def mg_m3_per_ppm(self) -> float:
        return self.molar_g / MOLAR_VOLUME_L

    def ppm(self, volume_ml: float, room_m3: float) -> float:
        """Concentration if this volume's evaporating share filled a closed room.

        Mass over molar mass times the molar volume of a gas at 25 deg C.
        """
        if not (self.evaporating and self.density_g_ml and self.molar_g):
            return 0.0
        milligrams = volume_ml * self.density_g_ml * self.evaporating * 1000.0
        return milligrams / room_m3 / self.mg_m3_per_ppm

    def limit_ppm(self, limit: ExposureLimit) -> float:
        """A limit in ppm of the component: several isocyanate groups sit in one molecule."""
        return limit.ppm / (1 if limit.unit == "ppm" else self.nco_groups)

    def strictest(self, shift: bool) -> ExposureLimit | None:
        """The lowest limit for a shift, or for a peak, of those that have no end; None where none is set."""
        lasting = [one for one in self.limits if one.until is None and (one.over == EIGHT_HOURS) == shift]
        return min(lasting, key=lambda one: (self.limit_ppm(one), one.body), default=None)


@dataclass(frozen=True)
class HazardBook:
    """All of the data file. ``grave``: what is grave, in words, and the statements or pictograms of it."""

    components: Mapping[str, Component]
    statements: Mapping[str, str]
    grave: Mapping[str, frozenset[str]]
    softens: Mapping[str, tuple[float, float]]
    softens_cites: Cites
    limits: Mapping[str, Any]
    limits_cites: Cites


@cache
def hazard_book() -> HazardBook:
    """The data file, read once."""
    data = data_file("hazards.toml")
    limits = data["limits"]
    return HazardBook(
        components={row["name"]: _component(row) for row in data["component"]},
        statements=data["statement"],
        grave={words: frozenset(codes) for words, codes in data["grave"].items()},
        softens={row["plastic"]: tuple(row["up_to_c"]) for row in data["softens"]},
        softens_cites={row["plastic"]: cites(row["cite"]) for row in data["softens"]},
        limits={key: value for key, value in limits.items() if key != "cites"},
        limits_cites=cites_of(limits),
    )


def _component(row: Mapping[str, Any]) -> Component:
    cited = cites_of(row)
    limits = tuple(
        ExposureLimit(
            one["body"],
            one["over"],
            one["value"],
            one.get("unit", "ppm"),
            cites(one["cite"]),
            one.get("until"),
        )
        for one in row.get("limits", ())
    )
    known = set(cited) | ({"limits"} if limits else set())
    lists = {key: tuple(row.get(key, ())) for key in ("statements", "may_carry", "pictograms")}
    made = {
        "limits": limits,
        "survey": _survey(row["survey"]) if "survey" in row else None,
        "cites": cited,
        "missing": tuple(key for key in NEEDED if key not in row or key not in known),
    }
    return Component(**{**row, **lists, **made})


def _survey(row: Mapping[str, Any]) -> AirSurvey:
    return AirSurvey(row["mean_ppm"], row["peak_ppm"], cites(row["cite"]))


def components_of(family: Family, plastic: str) -> tuple[Component, ...]:
    """The hazard rows of what is in the family when it is meant for the plastic."""
    book = hazard_book()
    return tuple(
        book.components.get(one.name, Component(one.name, one.name)) for one in family.ingredients(plastic)
    )


def complete(family: Family, plastic: str) -> bool:
    """Whether every component has a complete row; only then may the family be recommended."""
    return all(component.complete for component in components_of(family, plastic))


def grave_of(components: Iterable[Component]) -> tuple[str, ...]:
    """What is grave about the components, in words: flammable, corrosive and so on; empty where nothing is.

    A statement that only some products bear counts too: nobody knows which product is bought.
    """
    codes = {code for one in components for code in (*one.statements, *one.may_carry, *one.pictograms)}
    return tuple(words for words, some in hazard_book().grave.items() if codes & some)
