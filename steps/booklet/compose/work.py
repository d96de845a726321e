"""The sheets to build by: openings of sub-assemblies and steps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from steps.booklet.compose.gluing import glue_notes
from steps.booklet.compose.joints import beside_note, joint_notes
from steps.booklet.compose.matter import TURNS, Matter
from steps.booklet.content import Block, Figure, Heading, Marked, Rule, Sheet, Strip, Take, Wish
from steps.booklet.words import NBSP, later
from steps.draw.kinds import Kind, kinds_in_step
from steps.draw.turning import ViewTurn
from steps.model import Assembly, Closer, Rotation, Step, StepWork, View
from steps.progress import ticking
from steps.showing import studs_showing
from steps.strength import strongest_push_n
from steps.wording import Wording, joined

SOON_DONE = 2  # steps of a sub-assembly that needs no opening
TURN_HEIGHT_SHARE = 0.28  # of the column's width, for the little "turn" picture


MOST_NAMED = 2  # more things than this are not named one by one
#: Of the small picture in a drawing: from where it is seen, by quarter turns of the eye anticlockwise.
SEEN_FROM = (
    "",
    later("Small picture: seen from the right"),
    later("Small picture: seen from behind"),
    later("Small picture: seen from the left"),
)
FROM_BELOW = later("Small picture: seen from below")
LEFT_OUT = later("Small picture: without what stands before")
#: A line within some 25 degrees of upright is looked at from above (cosine).
UPRIGHT = 0.9
#: An opening sheet lists its parts up to this many kinds; the drawing and the steps show the rest.
MOST_LISTED = {"child": 6, "helper": 12, "adult": 14}


def work_sheets(matter: Matter) -> Iterator[Sheet]:
    """Every step in order, each sub-assembly opened by a sheet of its own."""
    opened: set[str] = set()
    for step in ticking(matter.plan.order.steps):
        assembly = matter.plan.order.assembly_by_id[step.assembly]
        if assembly.id not in opened:
            opened.add(assembly.id)
            if assembly.id != matter.main.id and _needs_opening(matter, assembly):
                yield opening_sheet(matter, assembly)
        yield step_sheet(matter, step)


def _needs_opening(matter: Matter, assembly: Assembly) -> bool:
    """Two steps that are done once show by themselves what comes of them."""
    return len(assembly.copies) > 1 or len(matter.plan.sequence.by_assembly[assembly.id]) > SOON_DONE


def opening_sheet(matter: Matter, assembly: Assembly) -> Sheet:
    """A sub-assembly: what it will look like, how often to build it, what it takes."""
    words = matter.words
    name = matter.assembly_name(assembly.id)
    steps = [moment.step for moment in matter.plan.sequence.by_assembly[assembly.id]]
    copies = len(assembly.copies)
    first, last = steps[0].number, steps[-1].number
    which = (
        words.say("Step {n}", n=first) if first == last else words.say("Steps {a} to {b}", a=first, b=last)
    )
    blocks: list[Block] = []
    if copies > 1:
        times = words.say_n("Build it {n} time", "Build it {n} times", copies)
        blocks.append(Marked("together", times, strong=True))
    parts = _assembly_parts(matter, assembly)
    if len(parts) > MOST_LISTED[matter.settings.reader]:
        parts = _by_colour(matter, assembly)
    if len(parts) <= MOST_LISTED[matter.settings.reader]:
        blocks += [Heading(words.say("What it takes")), *parts]
    figure = Figure(Wish("assembly", assembly=assembly.id), words.say("{name}, finished", name=name))
    return Sheet(
        "opening",
        name,
        tuple(blocks),
        figure,
        strip=Strip(name=name, begin=which),
        part=matter.place_name(assembly.id),
        level=0,
        share=min(2, matter.settings.steps_per_sheet),
    )


def _assembly_parts(matter: Matter, assembly: Assembly) -> list[Block]:
    counts: dict[tuple[str, Wording | str], int] = {}
    for part_id in assembly.copies[0]:
        part = matter.plan.model.part_by_id[part_id]
        counts[part.shape, part.colour_name] = counts.get((part.shape, part.colour_name), 0) + 1
    rows: list[Block] = []
    for (shape, colour), count in counts.items():
        text = f"{matter.words.number(count)}{NBSP}× {matter.shape_name(shape)}, {matter.words.said(colour)}"
        detail = "" if matter.settings.reader == "child" else matter.label(shape)
        rows.append(Marked("dot", text, detail))
    return rows


def _by_colour(matter: Matter, assembly: Assembly) -> list[Block]:
    """How many parts of each colour, to fetch them from where they were sorted."""
    words = matter.words
    counts: dict[Wording | str, int] = {}
    for part_id in assembly.copies[0]:
        colour = matter.plan.model.part_by_id[part_id].colour_name
        counts[colour] = counts.get(colour, 0) + 1
    rows: list[Block] = []
    for colour, count in counts.items():
        many = words.say_n("{n} part", "{n} parts", count)
        rows.append(Marked("dot", f"{words.said(colour)}: {many}"))
    return rows


def step_sheet(matter: Matter, step: Step) -> Sheet:
    """One step: the drawing, what to take, the joints, and whatever else must be known."""
    words = matter.words
    kinds = kinds_in_step(matter.plan, step)
    joints = (*beside_note(matter, step, kinds), *joint_notes(matter, step, kinds), *glue_notes(matter, step))
    said = [
        tuple(_warnings(matter, step)),
        (*joints, *closer_notes(matter, step)),
        tuple(_also(matter, step, kinds)),
    ]
    blocks: list[Block] = []
    for group in filter(None, said):
        blocks += [Rule(), *group] if blocks else group
    sharing = matter.sharing[step.number]
    return Sheet(
        "step",
        words.say("Step {n}", n=words.number(step.number)),
        tuple(blocks),
        Figure(Wish("step", step=step.number), step_alt(matter, step, kinds)),
        Figure(
            Wish("overview", step=step.number),
            words.say("The whole model; what this step adds stands out."),
            words.say("Where you are") if step.number == 1 else "",
        ),
        strip=_strip(matter, step),
        take=take_rows(matter, kinds),
        take_title=words.say("Glue, put back") if step.reopens else words.say("Take"),
        retakes=bool(step.reopens),
        part=matter.place_name(step.assembly),
        step=step.number,
        level=1,
        share=sharing.most,
        view=sharing.view,
        extent=sharing.extent,
        for_adult=matter.for_child and matter.work(step).by == "adult",
    )


def closer_notes(matter: Matter, step: Step) -> tuple[Marked, ...]:
    """From where the small pictures in a drawing are seen, and that they leave something out."""
    sight = matter.sights.get(step.number)
    if sight is None:
        return ()
    words = [_seen_from(sight.view, look) for look in sight.closer]
    return tuple(Marked("note", matter.words.say(each)) for each in dict.fromkeys(words) if each)


def _seen_from(view: View, look: Closer) -> str:
    """Of a closer look, from where it is seen, else what it leaves out."""
    if look.view.elevation < 0 <= view.elevation:
        return FROM_BELOW
    quarters = round(float(np.degrees(look.view.azimuth - view.azimuth)) / 90) % 4
    return SEEN_FROM[quarters] if quarters else (LEFT_OUT if look.away else "")


def _strip(matter: Matter, step: Step) -> Strip:
    """Number, who, when to begin, what to wait for."""
    words, work = matter.words, matter.work(step)
    wait = work.wait_min
    then = words.say("then {time}", time=words.minutes(wait)) if wait > 0 else ""
    hard = [] if matter.for_child else _must_be_hard(matter, work)
    begin = _cured(matter, work, hard) if hard else ""
    by = matter.done_by(step)
    return Strip(words.number(step.number), "", by, matter.done_by_mark(step), begin, then)


def take_rows(matter: Matter, kinds: Sequence[Kind]) -> tuple[Take, ...]:
    """Of alike things count and letters, thumbnail, name, colour and label."""
    alike: dict[tuple[str, str, str], list[Kind]] = {}
    for kind in kinds:
        alike.setdefault((kind.shape, kind.colour, kind.assembly), []).append(kind)
    return tuple(_take(matter, some) for some in alike.values())


def _take(matter: Matter, alike: Sequence[Kind]) -> Take:
    words, kind = matter.words, alike[0]
    letters = tuple((f"{words.number(one.count)}{NBSP}×", one.letter) for one in alike)
    name, remark = thing_words(matter, kind)
    if kind.assembly:
        wish = Wish("assembly", assembly=kind.assembly)
        return Take(letters, name, remark, "", wish, matter.edition.thumb, name)
    thumb = matter.thumbs[kind.shape]
    wish = Wish("thumbnail", shape=kind.shape, colour=kind.colour, scale=thumb.scale)
    label = "" if matter.for_child else matter.label(kind.shape)
    return Take(letters, name, remark, label, wish, thumb.size_mm, f"{name}, {remark}")


def thing_words(matter: Matter, kind: Kind) -> tuple[str, str]:
    """Name of a kind of thing, and its colour or that it was built before."""
    if kind.assembly:
        return matter.assembly_name(kind.assembly), matter.words.say("built before")
    return matter.shape_name(kind.shape), matter.words.said(kind.colour_name)


def step_alt(matter: Matter, step: Step, kinds: tuple[Kind, ...]) -> str:
    """The drawing of a step in words."""
    words = matter.words
    things = "; ".join(
        f"{kind.letter}: {words.number(kind.count)} × {', '.join(thing_words(matter, kind))}"
        for kind in kinds
    )
    return words.say(
        "Drawing of step {n}: the build so far, and apart from it, on the way in, {things}.",
        n=words.number(step.number),
        things=things,
    )


def _warnings(matter: Matter, step: Step) -> list[Block]:
    """What must be seen before anything else: doubt, a turn."""
    words = matter.words
    arrivals = matter.plan.sequence.by_number[step.number].arrivals
    blocks: list[Block] = []
    first = matter.plan.sequence.by_assembly[step.assembly][0].step
    if step is first and step.assembly == matter.main.id:
        blocks.append(Marked("front", words.say("The pointer is the front: mark it on the part")))
    if step is first and matter.upside_down(step.assembly):
        blocks.append(Marked("turn", words.say("It is built upside down."), strong=True))
    if matter.for_child and (hard := _must_be_hard(matter, matter.work(step))):
        blocks.append(Marked("wait", _cured(matter, matter.work(step), hard)))
    if (dry := _opened_first(matter, step)) is not None:
        blocks.append(Marked("dry", dry, strong=True))
    if step.doubtful:
        text = words.say("Doubtful step, for an adult: {why}", why=joined(*step.doubtful, by="; "))
        blocks.append(Marked("doubt", text, strong=True))
    if step.number in matter.turned:
        blocks.append(Marked("turn", words.say(TURNS[matter.turned[step.number]]), strong=True))
    elif (step.number, "") in matter.spun:
        blocks.append(Marked("turn", _spin_words(matter, matter.spun[step.number, ""].turning), strong=True))
    if (step.number, "") in matter.spun:
        blocks.append(_turn_figure(matter, step, ""))
    if step.number in matter.sights and matter.sights[step.number].view.elevation < 0:
        blocks.append(Marked("note", words.say("Seen from below")))
    if any(problem.step == step.number for problem in matter.plan.gluing.problems):
        text = words.say("An adult turns it: the joints do not bear it. Hold all parts together.")
        blocks += [Marked("doubt", text, strong=True)]
    for assembly in dict.fromkeys(each.assembly for each in arrivals if each.assembly):
        if matter.upside_down(assembly):
            text = words.say("Turn over first: {name}", name=matter.place_name(assembly))
            blocks.append(Marked("turn", text, strong=True))
        elif (step.number, assembly) in matter.spun:
            text = words.say("Turn as it is to go on: {name}", name=matter.place_name(assembly))
            blocks.append(Marked("turn", text, strong=True))
        if (step.number, assembly) in matter.spun:
            blocks.append(_turn_figure(matter, step, assembly))
    return blocks


def _opened_first(matter: Matter, step: Step) -> str | None:
    """At the first step that glues what is closed dry: all that has to come off before it."""
    previous = matter.plan.sequence.by_number[step.number].previous
    if not step.reopens or previous is None or previous.reopens:
        return None
    say, first, last = matter.words.say, min(step.reopens), previous.number
    if first == last:
        return say("First take off again what step {a} put on.", a=matter.words.number(first))
    a, b = matter.words.number(first), matter.words.number(last)
    if first + 1 == last:
        return say("First take off again what steps {a} and {b} put on, the last first.", a=a, b=b)
    return say("First take off again what steps {a} to {b} put on, the last first.", a=a, b=b)


def _spin_words(matter: Matter, turning: ViewTurn) -> str:
    """How the build is turned as it lies."""
    say, n = matter.words.say, matter.words.number(abs(turning.spin_deg))
    if abs(turning.spin_deg) == 180:
        return say("First turn the build half round")
    if turning.spin_deg < 0:
        return say("First turn the build {n}° clockwise", n=n)
    return say("First turn the build {n}° anticlockwise", n=n)


def _turn_figure(matter: Matter, step: Step, assembly: str) -> Figure:
    """As it lay, arrows with their angles, as it lies then."""
    alt = matter.words.say("As it lay, an arrow with its angle, and as it lies now.")
    height = TURN_HEIGHT_SHARE * matter.edition.column
    return Figure(Wish("turn", step=step.number, assembly=assembly), alt, height_mm=height)


def _must_be_hard(matter: Matter, work: StepWork) -> list[int]:
    """Numbers of the steps whose glue must be hard before this one begins: what it loads, and for a child
    all that was glued to this sub-assembly since a child last had it in hand."""
    needed = set(work.needs_cured)
    found = [each.number for each in matter.plan.work.steps if needed & set(each.glues)]
    if not (matter.for_child and work.by == "child"):
        return found
    moments = matter.plan.sequence.by_number
    here = moments[work.number].assembly.id
    earlier = [each for each in matter.plan.work.steps if each.number < work.number]
    for each in reversed([each for each in earlier if moments[each.number].assembly.id == here]):
        if each.by == "child":
            break
        if each.glues:
            found.append(each.number)
    return sorted(set(found))


def _cured(matter: Matter, work: StepWork, steps: Sequence[int]) -> str:
    """Which steps' glue must hold by itself by now, and be hard before a child goes on; where that takes
    longer, after which time."""
    words, fixture = matter.words, matter.plan.gluing.adhesive.fixture_min
    long = {name: lag for name, lag in zip(work.needs_cured, work.lags_min, strict=True) if lag > fixture}
    if long:
        last = max(each.number for each in matter.plan.work.steps if long.keys() & set(each.glues))
        time = words.minutes(max(long.values()))
        return words.say("{time} after step {n}", time=time, n=words.number(last))
    many, named = len(steps) > MOST_NAMED, ", ".join(map(words.number, steps))
    if matter.for_child:
        hard = words.say_n(
            "When step {steps} is hard", "When steps {steps} are hard", len(steps), steps=named
        )
        return words.say("When all glue is hard") if many else hard
    holds = words.say_n("When step {steps} holds", "When steps {steps} hold", len(steps), steps=named)
    return words.say("When all glue holds") if many else holds


def _hold(matter: Matter, step: Step, kinds: Sequence[Kind]) -> str:
    """What to hold: by its letter, or named while it is little, else the build as a whole."""
    letters = {part: kind.letter for kind in kinds for thing in kind.groups for part in thing}
    parts = matter.plan.model.part_by_id
    held = sorted(matter.work(step).hold, key=lambda part: part not in letters)
    names = list(dict.fromkeys(letters.get(part) or matter.shape_name(parts[part].shape) for part in held))
    if len(names) > MOST_NAMED:
        return matter.words.say("Hold what is built with your other hand.")
    return matter.words.say("Hold: {names}", names="; ".join(names))


def _also(matter: Matter, step: Step, kinds: Sequence[Kind]) -> list[Block]:
    """Hold, push, counts and the user's note."""
    words, work = matter.words, matter.work(step)
    blocks: list[Block] = [
        Marked("turn", _turned_home(matter, arrival.move.turn, step), strong=True)
        for arrival in matter.plan.sequence.by_number[step.number].arrivals
        if arrival.move.turn is not None
    ]
    if work.hold:
        blocks.append(Marked("hold", _hold(matter, step, kinds)))
    if step.needs_push_n > strongest_push_n():
        text = words.say("Too hard for hands, some {n} N: press with a clamp.", n=_tens(matter, step))
        blocks.append(Marked("press", text, strong=True))
    elif matter.edition.numbers and step.needs_push_n > 0:
        push = words.say("Press with up to {n} N", n=words.number(step.needs_push_n))
        blocks.append(Marked("press", push))
    copies = len(matter.plan.sequence.by_number[step.number].copies)
    if copies > 1:
        text = words.say_n("Do this {n} time", "Do this {n} times", copies)
        blocks.append(Marked("together", text, strong=True))
    if step.number == matter.plan.sequence.by_assembly[step.assembly][-1].step.number:
        blocks.append(Marked("tick", _counted(matter, step, copies)))
    if matter.ends_turned(step):
        blocks.append(Marked("turn", words.say("Then set the model upright."), strong=True))
    blocks += _coming_off(matter, step)
    if step is matter.plan.order.steps[-1] and matter.plan.work.lift_min > 0:
        time = words.minutes(matter.plan.work.lift_min)
        text = words.say("Leave it standing: lift it only {time} after the last glue.", time=time)
        blocks.append(Marked("wait", text, strong=True))
    if step.note:
        blocks.append(Marked("note", step.note))
    return blocks


def _coming_off(matter: Matter, step: Step) -> Iterator[Block]:
    """Where what meets something here slides off it by itself; at the end, what has to come off before
    lifting."""
    words, told = matter.words, matter.plan.gluing.problems
    for problem in matter.slides_in.get(step.number, ()):
        sides = ", ".join(map(words.term, problem.sides))
        text = words.say("Nothing stops it at its end: keep it level. It comes off: {sides}.", sides=sides)
        yield Marked("doubt", text, strong=True)
    if step is matter.plan.order.steps[-1] and any(problem.code == "comes-off" for problem in told):
        yield Marked("doubt", words.say("Before you lift it, take off what only lies on it."), strong=True)


def _counted(matter: Matter, step: Step, copies: int) -> str:
    """What to count once a sub-assembly is whole: its parts, and the studs that show on each copy."""
    words, plan = matter.words, matter.plan
    parts = plan.order.assembly_by_id[step.assembly].copies[0]
    count = words.number(copies * len(parts))
    studs = studs_showing(plan.model, plan.measures, plan.joints, parts, step.up)
    if not studs:
        return words.say("Count: {n} parts in, none left.", n=count)
    return words.say_n(
        "Count: {parts} parts in, none left; {n} stud shows.",
        "Count: {parts} parts in, none left; {n} studs show.",
        copies * studs,
        parts=count,
    )


def _turned_home(matter: Matter, turn: Rotation, step: Step) -> str:
    """What goes in as it is drawn and is then turned, as seen from above where it turns about an upright."""
    words, upright = matter.words, float(turn.axis @ step.up)
    angle = words.number(round(abs(turn.degrees)))
    if abs(upright) < UPRIGHT:
        return words.say("Put it in as drawn, then turn it home by {n}°.", n=angle)
    if turn.degrees * upright < 0:
        return words.say("Put it in as drawn, then turn it by {n}° clockwise, seen from above.", n=angle)
    return words.say("Put it in as drawn, then turn it by {n}° anticlockwise, seen from above.", n=angle)


def _tens(matter: Matter, step: Step) -> str:
    """An estimated push, rounded up to tens."""
    return matter.words.number(-(-step.needs_push_n // 10) * 10)


__all__ = ["opening_sheet", "step_sheet", "take_rows", "work_sheets"]
