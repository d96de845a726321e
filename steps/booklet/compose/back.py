"""What comes after building: the finished model, care, the sources of the values."""

from __future__ import annotations

from steps.booklet.compose.matter import Matter
from steps.booklet.compose.small import whole_extent
from steps.booklet.compose.sources import data_rows
from steps.booklet.content import Block, Figure, Heading, Marked, Para, Sheet, Table, Wish
from steps.booklet.words import later
from steps.glue.cautions import people_for
from steps.glue.hazards import hazard_book
from steps.settle.schedule import GLUE_MIN, PART_MIN

SOURCES: tuple[tuple[str, str, str], ...] = (
    (later("Isometric drawing"), later("elevation 35.26°, axes at 30°"), "ISO 5456-3"),
    (later("Line widths"), "0.5 / 0.25 mm", later("ISO 128-20, from memory")),
    (later("Type sizes"), later("18 / 12 / 10 points at least"), later("UKAAF G003; ISO/IEC Guide 37:2012")),
    (later("Signal words and colours"), later("DANGER, WARNING, CAUTION, NOTICE"), "ANSI Z535.4, ISO 3864-2"),
    (later("Safety signs"), later("drawn for this booklet"), later("after ISO 7010 and GHS (from memory)")),
    (later("Printed weight"), later("walls, infill and density"), later("density: Processes 2025 13:2733")),
    (later("Fit classes"), later("by the gap per side"), later("makers' practice, joined into one table")),
)  # fmt: skip


def finished_sheet(matter: Matter) -> Sheet:
    """The finished model from the front and from behind, all sides in both, and how to care for it."""
    words = matter.words
    title = words.say("The finished model")
    front, behind = Wish("finished", index=0), Wish("finished", index=1)
    back = Figure(behind, words.say("{title} from behind.", title=matter.title), words.say("From behind"))
    small = matter.settings.fold or matter.settings.paper == "a5"
    care = [Marked("dot", line) for line in _care(matter)]
    return Sheet(
        "finished",
        title,
        (Heading(title), Heading(words.say("Care and display")), *care),
        Figure(front, words.say("{title} from the front.", title=matter.title)),
        None if small else back,
        extent=whole_extent(matter.plan),
    )


def sources_sheet(matter: Matter) -> Sheet:
    """Where the values come from, for the adult."""
    title = matter.words.say("For the adult: sources of the values")
    return Sheet("last", title, tuple(_sources(matter)), for_adult=True)


def _care(matter: Matter) -> list[str]:
    words = matter.words
    lines = [_lift(matter)]
    softens = matter.cautions.softens_c
    if softens is not None:
        warm = words.say(
            "Keep it out of hot cars and sunny windows: {material} softens at about {limit} °C.",
            material=matter.material,
            limit=words.number(softens[0]),
        )
        lines.append(warm)
    tilt = matter.cautions.stands_to_deg
    if tilt is not None and tilt >= 1.0:
        angle = words.number(tilt)
        easily = any(each.assembly == matter.main.id for each in matter.cautions.tips_easily)
        lines.append(
            words.say("It falls over when tilted by {angle}°: stand it safely.", angle=angle)
            if easily
            else words.say("It falls over only when tilted by more than {angle}°.", angle=angle)
        )
    lines.append(words.say("Dust it with a soft, dry brush."))
    if matter.adhesive is not None and matter.adhesive.family.opens:
        lines.append(
            words.say("Only an adult opens glued joints; the others pull apart: straight, do not bend.")
        )
    elif matter.glued:
        lines.append(
            words.say("Glued joints do not come apart again; the others do: pull straight, do not bend.")
        )
    else:
        lines.append(words.say("Nothing is glued: pull parts apart straight, do not bend."))
    return lines


def _lift(matter: Matter) -> str:
    """Who lifts the finished model, and how."""
    words, grams = matter.words, matter.cautions.total_g
    limits = hazard_book().limits
    if people_for(grams) > 1:
        return words.say("Two adults lift it, from its base.")
    if grams > limits["helper_lifts_g"]:
        return words.say("An adult lifts it, from its base, with both hands.")
    if grams > limits["child_lifts_g"]:
        return words.say("A grown-up helper lifts it, from its base, with both hands.")
    return words.say("Lift the model from below, with both hands.")


def _sources(matter: Matter) -> list[Block]:
    words = matter.words
    a, b = words.number(PART_MIN, 2), words.number(GLUE_MIN)
    guess = words.say("{a} min a part and {b} min a glued joint", a=a, b=b)
    rows = [(words.say(value), words.say(what), words.say(source)) for value, what, source in SOURCES]
    rows += data_rows(matter)
    rows.append((words.say("Building time"), guess, words.say("our guess, no source")))
    header = (words.say("Value"), words.say("What"), words.say("Source"))
    caveat = words.say(
        "Values marked “unchecked” or “makers' practice” have no text behind them that was seen for this "
        "booklet; “only the abstract seen” means that. Limits and laws change: the year stands beside each. "
        "Measure where it matters."
    )
    substitute = words.say("The sign ¤ stands for a character that the typeface lacks.")
    # the table last: it can be divided, and leaves no line alone on a page
    return [Para(caveat), Para(substitute, quiet=True), Table(header, tuple(rows), (0.22, 0.28, 0.5))]
