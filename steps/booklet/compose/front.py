"""What comes before building: cover, how to read, cautions, parts list."""

from __future__ import annotations

from collections.abc import Container

from steps.booklet.compose.matter import READERS, Matter
from steps.booklet.compose.sittings import in_beads
from steps.booklet.compose.times import timeline
from steps.booklet.content import Block, Facts, Figure, Heading, Marked, Para, PartLine, Rule, Sheet, Wish
from steps.booklet.words import NBSP, later
from steps.features.naming import told_by_hand
from steps.order.names import says_a_side

#: The marks that a sheet may carry, in the order they are explained, with their words per reader.
LEGEND: tuple[tuple[str, str], ...] = (
    ("press", later("Press the part home by hand, all the way down.")),
    ("glue", later("Glue this joint: the hatched faces, a ring for each drop. Only an adult glues.")),
    ("dry", later("No glue yet: only put it on. Later an adult takes it off and glues it.")),
    ("free", later("This joint moves or opens: never put glue on it.")),
    ("rest", later("The part only rests here; a later part holds it.")),
    ("turn", later("Turn it before you go on.")),
    ("hold", later("Hold these parts with your other hand.")),
    ("wait", later("Glue must harden.")),
    ("together", later("Build it by itself, as often as said.")),
    ("people", later("Two people are needed.")),
    ("child", later("A child can do this step.")),
    ("helper", later("A child and a helper do this step together.")),
    ("adult", later("An adult does this step.")),
    ("doubt", later("Not sure: an adult tries it first.")),
    ("note", later("A note by the maker of the model.")),
)

#: The mark of glue where it is laid in beads.
WITH_BEADS = later("Glue this joint: the hatched faces, a double line for each bead. Only an adult glues.")

#: How a step sheet is read; a child gets the first three.
HOW_TO_READ = (
    later("Pale: what is built. Wide outlines: what you add, held apart; dash-dot lines lead to its place."),
    later("A letter in a circle ties a part of the drawing to the list “Take”, which says how many."),
    later("“Where you are” is the small picture in each step: its place in the whole model."),
    later("A label such as S07 is the printed part: in the parts list, on its print file and its sticker."),
    later("Over the drawing: the step, who does it, when to begin, how long to wait before the next."),
)
#: What left and right mean in the names of sub-assemblies.
SIDES = later("The pointer on the table marks the front; left and right are as seen from there.")
#: What the names of mirror images mean.
HANDS = later(
    "Left and right parts are mirror images. Seen from above, its slighter end pointing away from you, the "
    "left one is cut away on its left."
)


def cover_sheet(matter: Matter) -> Sheet:
    """The finished model and the facts by which to decide when, where and with whom to build it."""
    words = matter.words
    parts, shapes = len(matter.plan.model.parts), len(matter.plan.model.shapes)
    facts = [
        (words.say("Size"), words.size(matter.size_mm) + " (" + words.inches(matter.size_mm) + ")"),
        (words.say("Parts"), words.say("{n} of {kinds} shapes", n=words.number(parts), kinds=shapes)),
        (words.say("Weight"), words.say("about {mass}", mass=words.grams(matter.printed_g))),
        (words.say("Scale"), words.scale(matter.plan.model.scale)),
        (words.say("Steps"), words.number(len(matter.plan.order.steps))),
        (words.say("Building"), words.say("about {time}", time=words.minutes(matter.building_min))),
        (words.say("Waiting"), _waiting(matter)),
        (words.say("People"), _people(matter)),
    ]
    if matter.settings.reader == "child":
        facts = [facts[1], (words.say("You put in place"), _own_share(matter)), facts[5], facts[6], facts[7]]
    edition = words.say("For: {reader}", reader=words.say(READERS[matter.settings.reader]))
    toy = words.say("Not for children under 3 years. A printed model is not a tested toy.")
    blocks: list[Block] = [Heading(matter.title, 1), Para(edition, strong=True), Para(toy), Rule()]
    blocks.append(Facts(tuple(facts)))
    figure = Figure(Wish("cover"), words.say("The finished model: {title}.", title=matter.title))
    return Sheet("cover", matter.title, tuple(blocks), figure, part=words.say("Building booklet"))


def _waiting(matter: Matter) -> str:
    if matter.waiting_min <= 0:
        return matter.words.say("none")
    words = matter.words
    time, each = words.minutes(matter.waiting_min), words.minutes(matter.waiting_each_min)
    if time == each:
        return words.say("about {time}", time=time)
    return words.say("about {time}; {each} if nothing were built meanwhile", time=time, each=each)


def _own_share(matter: Matter) -> str:
    """How many of the parts a child puts in place."""
    parts = len(matter.plan.model.parts)
    own = round(parts * matter.plan.work.facts.get("child_share", 0.0))
    return matter.words.say("{n} of {all}", n=matter.words.number(own), all=matter.words.number(parts))


def _people(matter: Matter) -> str:
    words = matter.words
    if any(step.by == "adult" for step in matter.plan.work.steps):
        if matter.people > 1:
            return words.say("{n}, an adult among them", n=words.number(matter.people))
        return words.say("1, an adult for some steps")
    return words.number(matter.people)


def reading_sheet(matter: Matter, used: Container[str]) -> Sheet:
    """What to lay out, the fit check, when who is busy; how a step is read, with every mark in use."""
    words, child = matter.words, matter.settings.reader == "child"
    fit = (
        words.say("Press two parts together and pull them apart again. Too hard, or too loose? Ask an adult.")
        if child
        else words.say(
            "Press two printed parts together and pull them apart again. If they fall apart or will not go "
            "together, print the fit card before all other parts."
        )
    )
    blocks: list[Block] = [Heading(words.say("You need"))]
    blocks += [Marked("tick", text) for text in _tools(matter)]
    blocks += [Heading(words.say("First check the fit")), Para(fit)]
    times = timeline(matter)
    if times is not None and not child:
        blocks += [Heading(words.say("Building and waiting")), times]
        blocks.append(Para(words.say("Above: numbers of the steps. Below: the time."), quiet=True))
    blocks.append(Heading(words.say("How to read a step")))
    blocks += [Para(words.say(line)) for line in (HOW_TO_READ[:3] if child else HOW_TO_READ)]
    if any(says_a_side(assembly.short_name) for assembly in matter.plan.order.assemblies):
        blocks.append(
            Para(
                words.say("The pointer on the table marks the front; left and right are as seen from there.")
            )
        )
    blocks.append(Heading(words.say("Marks")))
    legend = dict(LEGEND) | ({"glue": WITH_BEADS} if in_beads(matter) else {})
    blocks += [Marked(mark, words.say(text)) for mark, text in legend.items() if mark in used]
    return Sheet("reading", words.say("Before you begin"), tuple(blocks))


def _tools(matter: Matter) -> list[str]:
    words = matter.words
    low, high = sorted(matter.size_mm)[-2:]
    tools = [
        words.say(
            "A firm table with {a} × {b} mm free", a=words.number(1.5 * high), b=words.number(1.5 * low)
        )
    ]
    tools.append(words.say("All printed parts, sorted by colour"))
    tools.append(
        words.say("An adult who has read the page “For the adult”")
        if matter.settings.reader == "child"
        else words.say("What the page “For the adult” lists")
    )
    return tools


def parts_sheet(matter: Matter) -> Sheet:
    """Every print file with its count and a box to tick, by colour."""
    words = matter.words
    blocks: list[Block] = []
    if matter.settings.mono:
        blocks.append(
            Para(words.say("Each colour has a grey and a hatching of its own: this list is their key."))
        )
    colour, again = "", ""
    for lot in matter.lots:
        if lot.colour != colour:
            colour = lot.colour
            total = sum(each.count for each in matter.lots if each.colour == colour)
            count = words.say_n("{n} part", "{n} parts", total)
            blocks.append(Heading(f"{words.said(lot.colour_name)}: {count}"))
            again = words.say("{title}, continued", title=words.said(lot.colour_name))
        name = matter.print_name(lot)
        lines = [matter.label(lot.shape)]
        if matter.edition.numbers:
            each = words.say("{mass} each", mass=words.grams(matter.measure(lot.shape).printed_g))
            size = words.size(tuple(float(extent) for extent in matter.measure(lot.shape).size_mm))
            lines = [matter.file_stem(lot), f"{size}; {each}"]
        thumb = matter.thumbs[lot.shape]
        wish = Wish("thumbnail", shape=lot.shape, colour=lot.colour, scale=thumb.scale)
        alt, count = f"{name}, {words.said(lot.colour_name)}", f"{words.number(lot.count)}{NBSP}×"
        blocks.append(PartLine(wish, thumb.size_mm, count, name, tuple(lines), alt, again))
    if any(told_by_hand(matter.measure(lot.shape).name) for lot in matter.lots):
        blocks.insert(0, Para(words.say(HANDS), quiet=True))
    return Sheet("parts", words.say("Parts list"), tuple(blocks))
