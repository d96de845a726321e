"""Where the values come from: what the data files say of each value that this booklet prints."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from steps.booklet.compose.matter import Matter
from steps.booklet.words import later
from steps.glue.cautions import cautions_for
from steps.glue.families import glue_book
from steps.glue.hazards import components_of, hazard_book

#: How the data files begin a source that is no publication -> what the booklet says.
UNPUBLISHED = {
    "from memory": later("from memory"),
    "references": later("from memory"),
    "proposal": later("our proposal"),
    "common practice": later("common practice, no source"),
    "safety data sheets": later("safety data sheets"),
}
Row = tuple[str, str, str]


def data_rows(matter: Matter) -> Iterator[Row]:
    """Value, what it is here, source: child safety, weights, and what the adhesive needs."""
    words, limits = matter.words, hazard_book().limits
    low, high = limits["small_cylinder_depth_mm"]
    cylinder = words.say(
        "cylinder {d} mm wide, {low} to {high} mm deep",
        d=words.number(limits["small_cylinder_diameter_mm"], 1),
        low=words.number(low, 1),
        high=words.number(high, 1),
    )
    yield words.say("Small parts"), cylinder, sources(matter, [limits["small_cylinder_source"]])
    heavy = words.say(
        "from {a}; two people from {b}; {angle}°",
        a=words.grams(limits["heavy_g"]),
        b=words.grams(limits["two_adults_g"]),
        angle=words.number(limits["tip_deg"]),
    )
    named = [limits["heavy_source"], limits["two_adults_source"], limits["tip_source"]]
    yield words.say("Heavy or tipping"), heavy, sources(matter, named)
    if matter.glued:
        yield from _adhesive_rows(matter)


def _adhesive_rows(matter: Matter) -> Iterator[Row]:
    """Times, hazards and exposure limit of the chosen family."""
    words, glue = matter.words, matter.plan.gluing.adhesive
    family = glue_book().families[glue.family]
    times = " / ".join(words.minutes(each) for each in (glue.open_min, glue.fixture_min, glue.cure_min))
    of_times = [family.source.get(key, "") for key in ("open_min", "fixture_min", "cure_h")]
    yield words.say("Times of the adhesive"), times, sources(matter, of_times)
    components = components_of(family, matter.settings.material)
    codes = ", ".join(dict.fromkeys(code for one in components for code in one.statements))
    if codes:
        of_hazards = [one.source.get("statements", "") for one in components]
        yield words.say("Hazards of the adhesive"), codes, sources(matter, of_hazards)
    cautions = cautions_for(glue, matter.settings, matter.plan.gluing)
    for air in cautions.air if cautions is not None else ():
        limit = words.say("{limit} ppm ({body})", limit=words.figures(air.limit_ppm), body=air.body)
        named = [
            each.source
            for one in components
            if one.words == air.component
            for each in one.limits
            if each.body == air.body
        ]
        yield words.say("Exposure limit"), limit, sources(matter, named)


def sources(matter: Matter, named: Iterable[str]) -> str:
    """Sources as the data files give them, each once; remarks behind them are left out."""
    found = [_source(matter, text) for text in named if text]
    return "; ".join(dict.fromkeys(found))


def _source(matter: Matter, text: str) -> str:
    for start, words in UNPUBLISHED.items():
        if text.startswith(start):
            return matter.words.say(words)
    return publication(text)


def publication(text: str) -> str:
    """The name of a publication without the remarks behind it."""
    return re.split(r": |; | \(", text)[0]
