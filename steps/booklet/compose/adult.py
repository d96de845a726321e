"""The leaf for the adult, to be cut out and kept beside the glue: tools, protection, first aid."""

from __future__ import annotations

from collections.abc import Iterator

from steps.booklet.compose.matter import Matter
from steps.booklet.compose.sittings import sitting_table
from steps.booklet.content import Block, Heading, Marked, Notice, Para, Sheet, SignalWord, SignNote, Titled
from steps.booklet.marks import MARKS
from steps.booklet.words import later
from steps.cites import sources
from steps.glue.cautions import (
    AdhesiveCautions,
    Air,
    Caution,
    FirstAid,
    Heavy,
    caution_rows,
    first_aid_rows,
    pull_n,
    rows_for,
)
from steps.glue.families import glue_book
from steps.glue.hazards import EIGHT_HOURS, ExposureLimit, hazard_book

#: The label's own words, in the panel of the same gravity.
LABEL_WORDS: dict[str, tuple[SignalWord, str]] = {
    "Danger": ("DANGER", later("Danger")),
    "Warning": ("WARNING", later("Warning")),
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
    "E011": later("rinse the eyes"),
    "GHS01": later("explosive"),
    "GHS02": later("flammable"),
    "GHS05": later("corrosive"),
    "GHS07": later("irritant"),
    "GHS08": later("health hazard"),
    "GHS09": later("harms the environment"),
}
PERIODS = {
    EIGHT_HOURS: later("over eight hours"),
    "15 min": later("over 15 minutes"),
    "10 min": later("over 10 minutes"),
    "ceiling": later("at any moment"),
}
UNITS = {"ppm": later("{n} ppm"), "ug NCO/m3": later("{n} µg NCO/m³")}
#: Year in which the limits were looked up: those that ended before are told to nobody.
LOOKED_UP = sources()["memory"].year
#: What can still be done, by how far the glue is.
WRONG = {
    "open": later("While the glue is open"),
    "holds": later("Once it holds"),
    "hard": later("Once it is hard"),
}
#: What the plan warns of about the glue as a whole, by the problem's code.
OF_THE_GLUE = {
    "adhesive-unfit": later(
        "This glue is not recommended here: read the supplier's sheet before you decide."
    ),
    "adhesive-no-best-gap": later("No face is as near to another as this glue likes best: it holds less."),
    "adhesive-temperature": later(
        "At your room's temperature no time of this glue is known. Below the least temperature on the label "
        "do not glue."
    ),
    "adhesive-gap": later("At some joints only part of the faces will hold: their steps say so."),
    "too-much-at-once": later("Some pushes close several joints at once: their steps say so."),
    "cannot-hold": later("In some ways of handling the model does not hold even with glue: see the plan."),
}
LISTED = 6  #: shapes named in one row before it says how many more there are
#: More sittings than this get a sheet of their own.
MOST_SITTINGS = 6


def adult_sheets(matter: Matter) -> tuple[Sheet, ...]:
    """The front of the leaf, and where something is glued its back."""
    say, cautions = matter.words.say, matter.adhesive
    title = say("For the adult")
    front = Sheet("adult", title, tuple(_front(matter)), for_adult=True, leaf=cautions is not None)
    if cautions is None:
        return (front,)
    table = sitting_table(matter)
    many = len(table.rows) > MOST_SITTINGS
    back_title = say("For the adult: if something happens")
    centre = Para(say("Poison centre: {line} Emergency: {line}", line="_" * 24), strong=True)
    band = (Heading(say("Sittings: mark them in the calendar")), table, centre)
    back = Sheet(
        "adult",
        back_title,
        tuple(_back(matter, cautions)),
        for_adult=True,
        leaf=True,
        band=(centre,) if many else band,
    )
    if not many:
        return (front, back)
    return (front, back, Sheet("adult", say("For the adult: sittings"), (table,), for_adult=True))


# ---------------------------------------------------------------------------------------- front


def _front(matter: Matter) -> Iterator[Block]:
    say, cautions = matter.words.say, matter.adhesive
    if cautions is not None:
        yield Para(say("Cut this leaf out along the dashed line and keep it beside the glue."))
    yield Heading(say("Have ready"))
    yield from (Marked("tick", text) for text in _ready(matter))
    yield Heading(say("Prepare the parts"))
    yield from (Marked("dot", text) for text in _section(matter, "prepare"))
    if cautions is not None:
        yield from (Marked("dot", text) for text in _family_words(matter, cautions))
    yield Heading(say("While you glue") if cautions is not None else say("While you build"))
    told = {problem.code for problem in matter.plan.gluing.problems}
    yield from (Marked("doubt", say(text)) for code, text in OF_THE_GLUE.items() if code in told)
    for row in rows_for("gluing", _tags(matter)):
        yield SignNote(row.sign, _filled(matter, row), say(SIGN_WORDS[row.sign]))
    yield SignNote("W001", _small_parts(matter), say(SIGN_WORDS["W001"]))


def _ready(matter: Matter) -> Iterator[str]:
    words, cautions = matter.words, matter.adhesive
    if cautions is not None:
        yield words.say(
            "{family}: uses {ml} ml, spills counted",
            family=_start(words.term(cautions.family.words)),
            ml=words.figures(max(matter.plan.gluing.adhesive.volume_ml, 0.01)),
        )
    yield from _section(matter, "ready")


def _family_words(matter: Matter, cautions: AdhesiveCautions) -> Iterator[str]:
    """What this glue asks of faces, air and mixing, and up to what heat it holds."""
    words, family = matter.words, cautions.family
    yield from (words.term(text) for text in (family.surface, family.weather, family.mixing) if text)
    softens = matter.cautions.softens_c
    if softens is not None:
        yield words.say(
            "The glue holds up to about {glue} °C, {material} keeps its shape up to about {plastic} °C; what "
            "years of warmth do to both is not reckoned.",
            glue=words.number(family.max_c),
            material=matter.material,
            plastic=words.number(softens[0]),
        )


def _small_parts(matter: Matter) -> str:
    """What can choke a child, broken pieces whatever the parts' size; and what a toy would have to bear."""
    say, found = matter.words.say, matter.cautions
    small = [matter.label(shape) for shape in dict.fromkeys((*found.small_parts, *found.small_balls))]
    text = say("WARNING. Broken-off pieces can choke a child under 3 years: keep them away.")
    if small:
        more = f", +{len(small) - LISTED}" if len(small) > LISTED else ""
        text = say(
            "WARNING. These parts can choke a child under 3 years: {labels}. Keep them away; from 3 to 6 "
            "years only with an adult near.",
            labels=", ".join(small[:LISTED]) + more,
        )
    pulls = sorted({pull_n(float(max(matter.measure(one.id).size_mm))) for one in matter.plan.model.shapes})
    pull = " / ".join(matter.words.number(each) for each in pulls)
    toy = say(
        "By EN 71-1 the parts of a toy bear a pull of {n} N; a printed model is not a tested toy.", n=pull
    )
    return f"{text} {toy}"


def _notice(
    matter: Matter, signal: SignalWord, word: str, title: str, lines: list[str], signs: tuple[str, ...] = ()
) -> Notice:
    known = tuple(sign for sign in signs if sign in MARKS)
    return Notice(
        signal, word, title, tuple(lines), known, tuple(matter.words.say(SIGN_WORDS[sign]) for sign in known)
    )


# ---------------------------------------------------------------------------------------- back


def _back(matter: Matter, cautions: AdhesiveCautions) -> Iterator[Block]:
    """First aid first; the label's panel last, since it cannot be divided."""
    say, term = matter.words.say, matter.words.term
    yield Heading(say("First aid"))
    yield from (Titled(*_aid(matter, case)) for case in cautions.first_aid)
    yield Heading(say("If a joint goes wrong"))
    yield from (Titled(say(WRONG[key]), term(text)) for key, text in cautions.family.wrong.items())
    yield Heading(say("Afterwards"))
    yield from (Marked("dot", text) for text in _section(matter, "after"))
    yield from (Marked("dot", term(text)) for text in cautions.training)
    if cautions.air:
        yield Heading(say("In the air"))
        yield from (Para(text) for air in cautions.air for text in _air(matter, air))
    yield from (Para(text) for text in _unsure(matter, cautions))
    if cautions.label:
        yield _label(matter, cautions)


def _aid(matter: Matter, case: FirstAid) -> tuple[str, str]:
    words = matter.words
    text = words.term(case.words)
    if case.minutes is not None:
        text = text.replace("{minutes}", words.number(case.minutes))
    return words.term(case.title), " ".join(filter(None, (text, words.term(case.avoid))))


def _label(matter: Matter, cautions: AdhesiveCautions) -> Notice:
    """What the label bears: its own signal word, pictograms, statements."""
    words = matter.words
    signal, word = LABEL_WORDS[cautions.label]
    lines = [f"{words.term(text)} ({code})" for code, text in cautions.statements]
    if cautions.may_carry:
        codes = ", ".join(code for code, _ in cautions.may_carry)
        lines.append(words.say("Some products also bear {codes}: read the label.", codes=codes))
    title = words.say("On the label: {family}", family=words.term(cautions.family.words))
    return _notice(matter, signal, words.say(word), title, lines, cautions.pictograms)


def _unsure(matter: Matter, cautions: AdhesiveCautions) -> Iterator[str]:
    """What is not known of the glue."""
    words = matter.words
    for missing in cautions.missing:
        yield words.say(
            "Not everything is known of {name}: follow the supplier's sheet.", name=words.term(missing)
        )
    yield from (_start(words.term(note)) + "." for note in cautions.notes)


def _air(matter: Matter, air: Air) -> Iterator[str]:
    """What a survey measured, else an estimate, beside the limits by name; what to do above them."""
    words = matter.words
    name = _start(words.term(air.component.words))
    if air.survey is not None:
        yield words.say(
            "{name}: measured where it is made and filled, {mean} ppm over a shift, peaks up to {peak} ppm.",
            name=name,
            mean=words.figures(air.survey.mean_ppm),
            peak=words.figures(air.survey.peak_ppm),
        )
    else:
        yield words.say(
            "{name}: an estimate. {share} % of it as vapour in a closed room of {room} m³ gives {shift} ppm "
            "for all glue, {peak} ppm for the largest sitting.",
            name=name,
            share=words.figures(100.0 * air.component.evaporating),
            room=words.number(air.room_m3),
            shift=words.figures(air.shift_ppm),
            peak=words.figures(air.peak_ppm),
        )
    strictest = [limit for limit in (air.shift_limit, air.peak_limit) if limit is not None]
    ending = [
        limit
        for limit in air.component.limits
        if limit.until is not None
        and limit.until >= LOOKED_UP
        and any((limit.body, limit.over) == (one.body, one.over) for one in strictest)
    ]
    limits = "; ".join(_limit(matter, limit) for limit in (*strictest, *ending))
    yield words.say("Limits: {limits}.", limits=limits)
    if air.over:
        yield words.say(
            "A limit may be passed: glue outdoors, or few joints a sitting with two windows open, or take "
            "another glue. A mask does not make up for it."
        )


def _limit(matter: Matter, limit: ExposureLimit) -> str:
    """ "0.2 ppm over eight hours (ACGIH, 2014)"."""
    words = matter.words
    value = limit_words(matter, limit)
    period, year = words.say(PERIODS[limit.over]), str(limit.cites[0].source.year)
    told = {"limit": value, "period": period, "body": limit.body, "year": year}
    if limit.until is None:
        return words.say("{limit} {period} ({body}, {year})", **told)
    return words.say("{limit} {period} until the end of {until} ({body}, {year})", until=limit.until, **told)


def limit_words(matter: Matter, limit: ExposureLimit) -> str:
    """ "0.2 ppm", "6 µg NCO/m³"."""
    decimals = len(f"{limit.value:f}".rstrip("0").partition(".")[2])
    number = matter.words.number(limit.value, decimals)
    return matter.words.say(UNITS[limit.unit], n=number)


# -------------------------------------------------------------------------------------- rows


def _tags(matter: Matter) -> frozenset[str]:
    cautions = matter.adhesive
    return matter.cautions.tags | (cautions.tags if cautions is not None else frozenset())


def _section(matter: Matter, section: str) -> Iterator[str]:
    yield from (_filled(matter, row) for row in rows_for(section, _tags(matter)))


def _filled(matter: Matter, row: Caution) -> str:
    """A row's words with its places filled from the plan."""
    words, cautions = matter.words, matter.adhesive
    text = words.term(row.words)
    if cautions is not None:
        for place in cautions.terms:
            text = text.replace("{" + place + "}", _terms(matter, cautions, place))
    text = text.replace("{batch}", words.number(glue_book().process["batch_g"]))
    return text.replace("{heavy}", " ".join(_heavy(matter))).strip()


def _terms(matter: Matter, cautions: AdhesiveCautions, place: str) -> str:
    words = matter.words
    texts = [words.term(text) for text in cautions.terms[place]]
    return (words.say(" or ") if place == "who" else " ").join(texts)


def _heavy(matter: Matter) -> list[str]:
    """What each heavy or tipping sub-assembly calls for."""
    groups = (*matter.cautions.heavy, *matter.cautions.tips_easily)
    return list(dict.fromkeys(_weight(matter, group) for group in groups))


def _weight(matter: Matter, group: Heavy) -> str:
    words = matter.words
    name, mass = _start(words.said(group.name)), words.grams(group.grams)
    if group.people > 1:
        return words.say("{name}: {mass}. Two people lift it.", name=name, mass=mass)
    if group.tip_deg < 1.0:
        return words.say("{name}: does not stand by itself. Support it.", name=name)
    if group.tip_deg < hazard_book().limits["tip_deg"]:
        angle = words.number(group.tip_deg)
        return words.say("{name}: falls over when tilted by {angle}°. Support it.", name=name, angle=angle)
    return words.say("{name}: {mass}.", name=name, mass=mass)


def _start(words: str) -> str:
    """The words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def family_words(matter: Matter) -> str:
    """The adhesive's family in words."""
    family = glue_book().families.get(matter.plan.gluing.adhesive.family)
    return matter.words.term(family.words if family else matter.plan.gluing.adhesive.family)


def hazard_terms() -> tuple[str, ...]:
    """Every sentence of the glue and hazard tables that the booklet can print, for the catalogues."""
    book = hazard_book()
    found = list(book.statements.values())
    for one in book.components.values():
        found += [one.words, one.gloves, one.storage, one.disposal, one.who, one.training, one.note]
    for family in glue_book().families.values():
        found += [family.words, family.surface, family.weather, family.mixing, *family.wrong.values()]
    found += [each.words for each in glue_book().preparations.values()]
    found += [row.words for row in caution_rows() if not _bare(row.words)]
    for case in first_aid_rows():
        found += [case.title, case.words, case.avoid]
    return tuple(dict.fromkeys(text for text in found if text))


def _bare(words: str) -> bool:
    """Whether a row is nothing but a place to fill."""
    return words.startswith("{") and words.endswith("}") and words.count("{") == 1
