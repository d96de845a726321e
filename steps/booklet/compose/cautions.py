"""The cautions that the plan calls for, from the hazard table; only what the chosen adhesive needs."""

from __future__ import annotations

from steps.booklet.compose.matter import Matter
from steps.booklet.content import Block, Heading, Marked, Notice, SignalWord
from steps.booklet.marks import MARKS
from steps.booklet.words import later
from steps.glue.cautions import GRAVEST_FIRST, AdhesiveCautions, Air, Heavy, cautions_for
from steps.glue.families import glue_book
from steps.glue.hazards import hazard_book

SIGNAL_WORDS: dict[SignalWord, str] = {
    "DANGER": later("DANGER"),
    "WARNING": later("WARNING"),
    "CAUTION": later("CAUTION"),
    "NOTICE": later("NOTICE"),
}
#: What the glue stage says where no component has a row of first aid.
NO_FIRST_AID = "As the supplier's safety data sheet says; call the poison centre."
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
    "M017": later("wear a respirator"),
    "E003": later("first aid"),
    "E011": later("rinse the eyes"),
    "GHS01": later("explosive"),
    "GHS02": later("flammable"),
    "GHS05": later("corrosive"),
    "GHS07": later("irritant"),
    "GHS08": later("health hazard"),
    "GHS09": later("harms the environment"),
}


def caution_blocks(matter: Matter) -> list[Block]:
    """Cautions, the gravest first; the adhesive's begin with the supplier's sheet and local rules."""
    gluing = matter.plan.gluing
    adhesive = cautions_for(gluing.adhesive, matter.settings, gluing)
    notices = _model(matter)
    if adhesive is not None:
        notices.append(_adhesive(matter, adhesive))
    notices.sort(key=lambda each: GRAVEST_FIRST.index(each.signal))
    say, child = matter.words.say, matter.settings.reader == "child"
    blocks: list[Block] = [Heading(say("For the adult") if child else say("Cautions")), *notices]
    return blocks + (_afterwards(matter, adhesive) if adhesive is not None else [])


def _notice(
    matter: Matter, signal: SignalWord, title: str, lines: list[str], signs: tuple[str, ...] = ()
) -> Notice:
    say = matter.words.say
    known = tuple(dict.fromkeys(sign for sign in signs if sign in MARKS))
    alts = tuple(say(SIGN_WORDS[sign]) for sign in known)
    return Notice(signal, say(SIGNAL_WORDS[signal]), title, tuple(lines), known, alts)


def _model(matter: Matter) -> list[Notice]:
    """Small parts, small balls; what is heavy or tips."""
    words, found = matter.words, matter.cautions
    say = words.say
    toy = say("A printed model is not a tested toy.")
    small = [matter.label(shape) for shape in dict.fromkeys((*found.small_parts, *found.small_balls))]
    lines = [say("Broken-off pieces can choke a child under 3 years. Keep them away.")]
    if small:
        labels = ", ".join(small)
        lines = [
            say("These parts can choke a child under 3 years: {labels}. Keep them away.", labels=labels),
            say("From 3 to 6 years only with an adult near."),
        ]
    notices = [_notice(matter, "WARNING", say("Small parts"), [*lines, toy])]
    weights = [_weight(matter, group) for group in (*found.heavy, *found.tips_easily)]
    if weights:
        notices.append(_notice(matter, "CAUTION", say("Heavy or tipping"), list(dict.fromkeys(weights))))
    return notices


def _weight(matter: Matter, group: Heavy) -> str:
    """What a heavy or tipping sub-assembly calls for."""
    words = matter.words
    name, mass = words.place_name(group.name), words.grams(group.grams)
    if group.people > 1:
        return words.say("{name}: {mass}. Two people lift it.", name=name, mass=mass)
    if group.tip_deg < 1.0:
        return words.say("{name}: does not stand by itself. Support it.", name=name)
    if group.tip_deg < hazard_book().limits["tip_deg"]:
        angle = words.number(group.tip_deg)
        return words.say("{name}: falls over when tilted by {angle}°. Support it.", name=name, angle=angle)
    return words.say("{name}: {mass}. Lift it with both hands.", name=name, mass=mass)


def _adhesive(matter: Matter, cautions: AdhesiveCautions) -> Notice:
    """What the chosen adhesive does, and what to wear and open."""
    words, say = matter.words, matter.words.say
    stated = " ".join(f"{words.term(text)} ({code})" for code, text in cautions.statements)
    lines = [
        say("Read the supplier's safety data sheet first; it and your local rules come before this booklet."),
        say("Only an adult glues. Children stay away until the glue is hard."),
        *([stated] if stated else []),
        say("Open a window and keep it open until the glue is hard."),
        *(_air(matter, air) for air in cautions.air),
        *([say("No flames, no sparks, no smoking.")] if "P003" in cautions.signs else []),
        *(say("Gloves: {text}", text=words.term(text)) for text in cautions.gloves),
        say("Keep glue away from joints that must move."),
        *(words.term(text) for text in cautions.training),
    ]
    for missing in cautions.missing:
        name = words.term(missing)
        lines.append(say("Not everything is known of {name}: follow the supplier's sheet.", name=name))
    title = say("Adhesive: {family}", family=words.term(cautions.words))
    return _notice(matter, cautions.signal, title, lines, (*cautions.signs, "air", *cautions.pictograms))


def _air(matter: Matter, air: Air) -> str:
    """What the planned amount would do to a closed room, against the lowest limit."""
    words = matter.words
    text = words.say(
        "{name}: in a closed room of {room} m³ the planned amount gives about {ppm} ppm; "
        "the lowest limit is {limit} ppm ({body}).",
        name=words.term(air.component),
        room=words.number(air.room_m3),
        ppm=words.figures(air.ppm),
        limit=words.figures(air.limit_ppm),
        body=air.body,
    )
    return text[:1].upper() + text[1:]


def _afterwards(matter: Matter, cautions: AdhesiveCautions) -> list[Block]:
    """First aid, storage, disposal."""
    words, say = matter.words, matter.words.say
    blocks: list[Block] = [Heading(say("First aid"))]
    blocks += [Marked("dot", words.term(text)) for text in cautions.first_aid]
    blocks.append(Heading(say("Afterwards")))
    blocks += [Marked("dot", say("Storage: {text}", text=words.term(text))) for text in cautions.storage]
    blocks += [Marked("dot", say("Disposal: {text}", text=words.term(text))) for text in cautions.disposal]
    return blocks


def family_words(matter: Matter) -> str:
    """The adhesive's family in words."""
    family = glue_book().families.get(matter.plan.gluing.adhesive.family)
    return matter.words.term(family.words if family else matter.plan.gluing.adhesive.family)


def hazard_terms() -> tuple[str, ...]:
    """Every sentence of the glue and hazard tables that the booklet can print, for the catalogues."""
    book = hazard_book()
    found = list(book.statements.values())
    for one in book.components.values():
        found += [one.words, one.gloves, *one.first_aid, one.storage, one.disposal, one.training]
    for family in glue_book().families.values():
        found += [family.words, family.surface]
    found.append(NO_FIRST_AID)
    return tuple(dict.fromkeys(text for text in found if text))
