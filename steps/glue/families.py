"""Adhesive families from steps/data/adhesives.toml: what they bond, how wide a gap, how long they take."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

from steps.cites import Cite, Cites, cites, cites_of, data_file
from steps.errors import WrongSettings

PLASTICS = ("pla", "petg", "abs", "asa", "tpu", "nylon")


@dataclass(frozen=True)
class Bond:
    """How well a family bonds one plastic: 0 no, 1 weak, 2 fair, 3 good, 4 best."""

    rating: int
    note: str
    cites: tuple[Cite, ...]


@dataclass(frozen=True)
class Ingredient:
    """A component and its share of the mass."""

    name: str
    share: float


@dataclass(frozen=True)
class Family:
    """One family. Lengths mm, stresses MPa; times by the name's unit, at the temperature of the data.

    ``wrong`` says what can be done while it is "open", once it "holds" and once it is "hard".
    """

    name: str
    words: str
    lap_shear_mpa: tuple[float, float]
    best_gap_mm: tuple[float, float]
    greatest_gap_mm: float
    film_mm: float
    open_s: float
    fixture_min: tuple[float, float]
    cure_h: float
    max_c: float
    drop_ml: float
    wicks: bool
    surface: str
    wrong: Mapping[str, str]
    bonds: Mapping[str, Bond]
    components: Mapping[str, tuple[Ingredient, ...]]
    cites: Cites
    by_gap: tuple[tuple[float, float], ...] = ()  #: gap, seconds to handling strength
    per_10_k: float | None = None
    bead: bool = False  #: laid as a line, not set as drops
    needs_light: bool = False
    mixed: bool = False
    no_load: bool = False
    opens: bool = False  #: comes off the parts even when it is hard
    weather: str = ""
    mixing: str = ""
    unfit: str = ""  #: why it is never chosen by itself

    def bond(self, plastic: str) -> Bond:
        return self.bonds[plastic]

    def ingredients(self, plastic: str) -> tuple[Ingredient, ...]:
        """What is in it when it is meant for the plastic."""
        return self.components.get(plastic, self.components["any"])

    @property
    def open_min(self) -> float:
        return self.open_s / 60.0

    @property
    def wait_min(self) -> float:
        """Time until a joint holds by itself: the longer figure, to be safe."""
        return self.fixture_min[1]

    @property
    def design_mpa(self) -> float:
        """Stress a joint may be designed for: a share of the least lap shear."""
        return self.lap_shear_mpa[0] * glue_book().process["design_share"]

    def hold_s(self, gap_mm: float) -> float:
        """Seconds from closing a joint to handling strength, by its gap where that is known.

        Between the published gaps the time grows by equal factors for equal steps; a film is never thinner
        than ``film_mm``. Raises ValueError for a gap that no kind of the family fills.
        """
        if not self.by_gap:
            return 60.0 * self.wait_min
        gap, last = max(gap_mm, self.film_mm), self.by_gap[-1][0]
        if gap > glue_book().process["by_gap_to_mm"]:
            raise ValueError(f"{self.name}: a gap of {gap_mm:g} mm is too wide to set")
        for (low, low_s), (high, high_s) in pairwise(self.by_gap):
            if gap <= high or high == last:
                share = max(0.0, (gap - low) / (high - low))
                return low_s * math.exp(share * math.log(high_s / low_s))
        raise AssertionError("by_gap has two rows at least")

    def slower(self, celsius: float) -> float | None:
        """By what factor all times grow at a temperature; None where no figure is known."""
        process = glue_book().process
        low, high = process["range_c"]
        if self.per_10_k is None or not low <= celsius <= high:
            return None
        return float(self.per_10_k ** ((process["at_c"] - celsius) / 10.0))


@dataclass(frozen=True)
class Refused:
    """A substance that is refused always."""

    name: str
    why: str
    cites: tuple[Cite, ...]


@dataclass(frozen=True)
class Preparation:
    """How the faces of one plastic are made ready; pull-off strength by way, MPa, where it was compared."""

    words: str
    pull_off_mpa: Mapping[str, float]
    cites: tuple[Cite, ...]


@dataclass(frozen=True)
class GlueBook:
    """All of the data file."""

    families: Mapping[str, Family]
    refused: Mapping[str, Refused]
    process: Mapping[str, Any]
    process_cites: Cites
    preparations: Mapping[str, Preparation]

    def preparation(self, plastic: str) -> Preparation:
        return self.preparations.get(plastic, self.preparations["any"])


@cache
def glue_book() -> GlueBook:
    """The data file, read once."""
    data = data_file("adhesives.toml")
    process = data["process"]
    return GlueBook(
        families={row["name"]: _family(row) for row in data["family"]},
        refused={
            row["name"]: Refused(row["name"], row["why"], cites(row["cite"])) for row in data["refused"]
        },
        process={key: value for key, value in process.items() if key != "cites"},
        process_cites=cites_of(process),
        preparations={
            row["plastic"]: Preparation(row["words"], row.get("pull_off_mpa", {}), cites(row["cite"]))
            for row in data["preparation"]
        },
    )


def _family(row: Mapping[str, Any]) -> Family:
    pairs = {key: tuple(row[key]) for key in ("lap_shear_mpa", "best_gap_mm", "fixture_min")}
    made = {
        "bonds": {
            plastic: Bond(each["rating"], each["note"], cites(each["cite"]))
            for plastic, each in row["bonds"].items()
        },
        "components": {
            plastic: tuple(Ingredient(**each) for each in several)
            for plastic, several in row["components"].items()
        },
        "cites": cites_of(row),
        "by_gap": tuple((gap, seconds) for gap, seconds in row.get("by_gap", ())),
    }
    return Family(**{**row, **pairs, **made})


def family(name: str) -> Family:
    """The family of that name. Raises WrongSettings, listing the known ones, or saying why it is refused."""
    book = glue_book()
    if name in book.families:
        return book.families[name]
    if name in book.refused:
        refused = book.refused[name]
        raise WrongSettings(
            f"adhesive {name!r} is never used here: {refused.why} ({refused.cites[0].source.name})."
        )
    known = ", ".join(["none", *book.families])
    raise WrongSettings(f"adhesive {name!r} is not known; known are {known}.")


def check_plastic(name: str) -> None:
    """Raises WrongSettings, listing the known plastics, for an unknown one."""
    if name not in PLASTICS:
        raise WrongSettings(f"material {name!r} is not known; known are {', '.join(PLASTICS)}.")
