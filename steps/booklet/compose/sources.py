"""Where the values come from: what the data files say of each value that this booklet prints."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from steps.booklet.compose.adult import limit_words
from steps.booklet.compose.matter import Matter
from steps.booklet.words import later
from steps.cites import Cite, Mark, Source, sources
from steps.glue.cautions import AdhesiveCautions, rows_for
from steps.glue.families import glue_book
from steps.glue.hazards import hazard_book

#: What a mark adds to the name and the year of a source.
SEEN: dict[Mark, str] = {
    "S": "",
    "A": later("only the abstract seen"),
    "M": later("unchecked"),
    "C": later("computed"),
    "P": "",
}
SECTIONS = {
    "ready": later("Have ready"),
    "prepare": later("Prepare the parts"),
    "gluing": later("While you glue"),
    "after": later("Afterwards"),
}
Row = tuple[str, str, str]


def data_rows(matter: Matter) -> Iterator[Row]:
    """Value, what it is here, source: child safety, weights, and what the adhesive needs."""
    words, book = matter.words, hazard_book()
    limits, cites = book.limits, book.limits_cites
    low, high = limits["small_cylinder_depth_mm"]
    cylinder = words.say(
        "cylinder {d} mm wide, {low} to {high} mm deep",
        d=words.number(limits["small_cylinder_diameter_mm"], 1),
        low=words.number(low, 1),
        high=words.number(high, 1),
    )
    yield words.say("Small parts"), cylinder, named(matter, cites["small_cylinder_diameter_mm"])
    heavy = words.say(
        "from {a}; two people from {b}; {angle}°",
        a=words.grams(limits["heavy_g"]),
        b=words.grams(limits["two_adults_g"]),
        angle=words.number(limits["tip_deg"]),
    )
    both = (*cites["heavy_g"], *cites["two_adults_g"], *cites["tip_deg"])
    yield words.say("Heavy or tipping"), heavy, named(matter, both)
    if matter.cautions.softens_c is not None:
        limit = words.say("{n} °C", n=words.number(matter.cautions.softens_c[0]))
        softens = book.softens_cites[matter.settings.material]
        yield words.say("Heat limit of the plastic"), limit, named(matter, softens)
    if matter.adhesive is not None:
        yield from _adhesive_rows(matter, matter.adhesive)


def _adhesive_rows(matter: Matter, cautions: AdhesiveCautions) -> Iterator[Row]:
    """Times, amounts, hazards, first aid and limits of the chosen family."""
    words, family, glue = matter.words, cautions.family, matter.plan.gluing.adhesive
    process = glue_book().process_cites
    times = " / ".join(
        (words.within(glue.open_min), words.minutes(glue.fixture_min), words.minutes(glue.cure_min))
    )
    of_times = [
        cite for key in ("open_s", "by_gap", "fixture_min", "cure_h") for cite in family.cites.get(key, ())
    ]
    yield words.say("Times of the adhesive"), times, named(matter, of_times)
    work = words.say(
        "{a} s a drop, {b} s to press", a=words.number(_process("drop_s"), 1), b=_process("press_s")
    )
    yield words.say("Time to close a joint"), work, named(matter, (*process["drop_s"], *process["press_s"]))
    drop = words.say("{n} ml", n=words.number(family.drop_ml, 4))
    yield words.say("One drop"), drop, named(matter, family.cites["drop_ml"])
    bonds = words.say("bond to {material}", material=matter.material)
    yield (
        words.say("Choice of the adhesive"),
        bonds,
        named(matter, family.bond(matter.settings.material).cites),
    )
    codes = ", ".join(dict.fromkeys(code for one in cautions.components for code in one.statements))
    if codes:
        of_hazards = [cite for one in cautions.components for cite in (one.cites or {}).get("statements", ())]
        yield words.say("Hazards of the adhesive"), codes, named(matter, of_hazards)
    for air in cautions.air:
        for limit in filter(None, (air.shift_limit, air.peak_limit)):
            value = f"{limit_words(matter, limit)} ({limit.body})"
            yield words.say("Exposure limit"), value, named(matter, limit.cites)
        if air.survey is not None:
            measured = words.say("{n} ppm", n=words.figures(air.survey.mean_ppm))
            yield words.say("Measured at workplaces"), measured, named(matter, air.survey.cites)
    for case in cautions.first_aid:
        yield words.say("First aid"), words.term(case.title), named(matter, case.cites)
    tags = matter.cautions.tags | cautions.tags
    for section, title in SECTIONS.items():
        of_rows = [cite for row in rows_for(section, tags) for cite in row.cites]
        yield words.say("Cautions"), words.say(title), named(matter, of_rows)


def _process(key: str) -> float:
    return float(glue_book().process[key])


def named(matter: Matter, cites: Iterable[Cite]) -> str:
    """Sources by name and year, each once, with how well each was seen."""
    return "; ".join(dict.fromkeys(_named(matter, cite) for cite in cites))


def _named(matter: Matter, cite: Cite) -> str:
    words, source = matter.words, cite.source
    name = words.term(source.name) if source.said else source.name
    year = "" if _of_no_text(source) else str(source.year)
    seen = words.say(SEEN[cite.mark]) if SEEN[cite.mark] and cite.source is not sources()["computed"] else ""
    return ", ".join(filter(None, (name, year, seen)))


def _of_no_text(source: Source) -> bool:
    """Whether it stands in for a text: memory, practice, our own proposal or sum."""
    return source in (sources()[key] for key in ("memory", "practice", "own", "computed"))


def source_terms() -> tuple[str, ...]:
    """Descriptions that stand in for a publication's name, for the catalogues."""
    return tuple(dict.fromkeys(source.name for source in sources().values() if source.said))
