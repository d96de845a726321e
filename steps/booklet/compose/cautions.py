"""The cautions that the plan calls for, from the hazard table; only what the chosen adhesive needs."""

from __future__ import annotations

from steps.booklet.compose.matter import Matter
from steps.booklet.content import Block, Heading, Notice, SignalWord
from steps.booklet.marks import MARKS
from steps.booklet.words import later
from steps.glue.families import glue_book
from steps.glue.hazards import Component, components_of, hazard_book, signal_word

SIGNAL_WORDS: dict[SignalWord, str] = {
    "DANGER": later("DANGER"),
    "WARNING": later("WARNING"),
    "CAUTION": later("CAUTION"),
    "NOTICE": later("NOTICE"),
}
#: What each safety sign says, for those who cannot see it.
SIGN_WORDS = {
    "W001": later("warning sign"),
    "W017": later("warning: hot"),
    "W021": later("warning: flammable"),
    "W023": later("warning: corrosive"),
    "W024": later("warning: hands may be crushed"),
    "M002": later("read the instructions"),
    "M004": later("wear goggles"),
    "M009": later("wear gloves"),
    "M011": later("wash your hands"),
    "air": later("air the room"),
    "P003": later("no open flame"),
    "E003": later("first aid"),
    "GHS01": later("explosive"),
    "GHS02": later("flammable"),
    "GHS05": later("corrosive"),
    "GHS07": later("irritant"),
    "GHS08": later("health hazard"),
    "GHS09": later("harms the environment"),
}
FLAMMABLE = {"H225", "H241"}


def caution_blocks(matter: Matter) -> list[Block]:
    """Cautions, the gravest first; the adhesive's begin with the supplier's sheet and local rules."""
    components = _components(matter)
    notices = [_small_parts(matter)]
    if components:
        notices += [_adhesive(matter, components), *(_component(matter, one) for one in components)]
    notices.sort(key=lambda each: list(SIGNAL_WORDS).index(each.signal))
    return [Heading(matter.words.say("Cautions")), *notices]


def _components(matter: Matter) -> tuple[Component, ...]:
    """What is in the adhesive that the plan uses."""
    family = glue_book().families.get(matter.plan.gluing.adhesive.family)
    return components_of(family, matter.settings.material) if family and matter.glued else ()


def _notice(
    matter: Matter, signal: SignalWord, title: str, lines: list[str], signs: tuple[str, ...] = ()
) -> Notice:
    say = matter.words.say
    known = tuple(dict.fromkeys(sign for sign in signs if sign in MARKS))
    alts = tuple(say(SIGN_WORDS[sign]) for sign in known)
    return Notice(signal, say(SIGNAL_WORDS[signal]), title, tuple(lines), known, alts)


def _small_parts(matter: Matter) -> Notice:
    say = matter.words.say
    lines = [
        say("Small printed parts and broken-off pieces can choke a child under 3 years. Keep them away."),
        say("A printed model is not a tested toy."),
    ]
    return _notice(matter, "WARNING", say("Small parts"), lines)


def _adhesive(matter: Matter, components: tuple[Component, ...]) -> Notice:
    """What holds for the adhesive as a whole."""
    say = matter.words.say
    gravest = min((signal_word(one) for one in components), key=list(SIGNAL_WORDS).index)
    lines = [
        say("Read the supplier's safety data sheet first; it and your local rules come before this booklet."),
        say("Only an adult glues. Children stay away until the glue is hard."),
        say("Open a window and keep it open until the glue is hard."),
        say("Keep glue away from joints that must move."),
        *(line for one in components if (line := _air(matter, one))),
    ]
    signs = ["M002", "M004", "M009", "air", "M011"]
    if any(FLAMMABLE & set(one.statements) for one in components):
        lines.insert(3, say("No flames, no sparks, no smoking."))
        signs.append("P003")
    title = say("Adhesive: {family}", family=family_words(matter))
    return _notice(matter, gravest, title, lines, tuple(signs))


def _air(matter: Matter, component: Component) -> str:
    """What the planned amount would do to a closed room, against the lowest limit."""
    words, settings = matter.words, matter.settings.glue
    family = glue_book().families[matter.plan.gluing.adhesive.family]
    share = next(
        one.share for one in family.ingredients(matter.settings.material) if one.name == component.name
    )
    ppm = component.ppm(matter.plan.gluing.adhesive.volume_ml * share, settings.room_m3)
    if ppm <= 0 or not component.limits:
        return ""
    least = min(component.limits, key=lambda limit: limit.lowest)
    return words.say(
        "{name}: in a closed room of {room} m³ the planned amount gives about {ppm} ppm; "
        "the lowest limit is {limit} ppm ({body}).",
        name=words.term(component.words),
        room=words.number(settings.room_m3),
        ppm=words.figures(ppm),
        limit=words.figures(least.lowest),
        body=least.body,
    )


def _component(matter: Matter, component: Component) -> Notice:
    """One component's hazards and what to do about them."""
    words, book = matter.words, hazard_book()
    stated = [f"{words.term(book.statements[code])} ({code})" for code in component.statements]
    lines = [" ".join(stated)] if stated else []
    for title, text in (
        (later("Gloves: {text}"), component.gloves),
        (later("Storage: {text}"), component.storage),
        (later("Disposal: {text}"), component.disposal),
    ):
        if text:
            lines.append(words.say(title, text=words.term(text)))
    lines[2:2] = [words.term(text) for text in component.first_aid]
    lines += [words.term(text) for text in (component.training, component.note) if text]
    if not component.complete:
        lines.append(words.say("Not everything is known of it: follow the supplier's sheet."))
    name = words.term(component.words)
    signs = (*component.signs, *component.pictograms)
    return _notice(matter, signal_word(component), name[:1].upper() + name[1:], lines, signs)


def family_words(matter: Matter) -> str:
    """The adhesive's family in words."""
    family = glue_book().families.get(matter.plan.gluing.adhesive.family)
    return matter.words.term(family.words if family else matter.plan.gluing.adhesive.family)


def hazard_terms() -> tuple[str, ...]:
    """Every sentence of the glue and hazard tables that the booklet can print, for the catalogues."""
    book = hazard_book()
    found = list(book.statements.values())
    for one in book.components.values():
        found += [one.words, one.gloves, *one.first_aid, one.storage, one.disposal, one.training, one.note]
    for family in glue_book().families.values():
        found += [family.words, family.surface]
    return tuple(dict.fromkeys(text for text in found if text))
