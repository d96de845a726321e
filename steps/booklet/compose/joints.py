"""Joints of one step in words: one note per kind of thing, mark and kind of joint."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from steps.booklet.compose.matter import Matter
from steps.booklet.compose.sittings import amount_words
from steps.booklet.content import Marked
from steps.draw.kinds import Kind
from steps.model import Joint, Mark, Step, TouchKind

LEAST_HOLD_N = 0.05  #: less prints as 0.0 N
#: What is done to a joint: as it is marked, or closed without glue for now.
Deed = Mark | Literal["dry"]
MARK_ORDER: tuple[Deed, ...] = ("press", "dry", "glue", "free", "rest")


@dataclass(frozen=True)
class JointGroup:
    """Joints of a step that one note tells of."""

    letters: str  #: "a", "a + b"; empty when no new part is in it
    things: tuple[tuple[str, ...], ...]  #: parts of each thing of that letter; none where it has several
    mark: Deed
    kind: TouchKind
    joints: tuple[Joint, ...]

    @property
    def each(self) -> int | None:
        """How many contacts each thing has, or all together where the letters are several; None where
        alike things differ."""
        ends = [(joint.contacts, {joint.a, joint.b}) for joint in self.joints]
        things = self.things or (tuple(part for _, both in ends for part in both),)
        counts = {sum(count for count, both in ends if both & set(thing)) for thing in things}
        return counts.pop() if len(counts) == 1 else None


def joint_groups(matter: Matter, step: Step, kinds: tuple[Kind, ...]) -> tuple[JointGroup, ...]:
    """The joints that the step closes, grouped; by mark, then by letter. What it puts back is pressed home
    again too."""
    letter_of = {part: kind.letter for kind in kinds for part in kind.parts}
    things_of = {kind.letter: kind.groups for kind in kinds}
    groups: dict[tuple[str, Deed, TouchKind], list[Joint]] = {}
    for joint_id in _closing(matter, step):
        joint = matter.plan.joints.by_id[joint_id]
        new = sorted(letter_of[part] for part in (joint.a, joint.b) if part in letter_of)
        mark: Deed = matter.plan.gluing.marks.get(joint_id, "rest" if joint.kind == "rest" else "press")
        mark = "dry" if joint_id in step.dry else mark
        groups.setdefault((" + ".join(new), mark, joint.kind), []).append(joint)
    ordered = sorted(groups, key=lambda key: (MARK_ORDER.index(key[1]), key[0], key[2]))
    return tuple(JointGroup(k[0], things_of.get(k[0], ()), k[1], k[2], tuple(groups[k])) for k in ordered)


def beside_note(matter: Matter, step: Step, kinds: tuple[Kind, ...]) -> tuple[Marked, ...]:
    """Which parts are only set beside others, or on the table: nothing holds them yet."""
    ends = {part for joint in _closing(matter, step) for part in _ends(matter, joint)}
    loose = [(kind.letter, group) for kind in kinds for group in kind.groups if not ends & set(group)]
    alone = not len(matter.plan.sequence.by_number[step.number].before) and len(loose) == 1
    if not loose or alone:
        return ()
    if len(loose) == sum(len(kind.groups) for kind in kinds):
        return (Marked("rest", matter.words.say("Side by side: nothing holds yet.")),)
    letters = ", ".join(dict.fromkeys(letter for letter, _ in loose))
    return (Marked("rest", matter.words.say("{letter}: side by side, nothing holds yet", letter=letters)),)


def _closing(matter: Matter, step: Step) -> tuple[str, ...]:
    """Ids of all joints that are closed with the step, for the first time or again."""
    moments = matter.plan.sequence.by_number
    again = (name for number in step.reopens for name in moments[number].step.closes)
    return (*step.closes, *step.dry, *again)


def _ends(matter: Matter, joint: str) -> tuple[str, str]:
    found = matter.plan.joints.by_id[joint]
    return found.a, found.b


def joint_notes(matter: Matter, step: Step, kinds: tuple[Kind, ...]) -> tuple[Marked, ...]:
    """What the "Joints" column says. A child is not told of parts that merely touch."""
    groups = joint_groups(matter, step, kinds)
    if matter.settings.reader == "child":
        groups = tuple(group for group in groups if group.mark != "rest") or groups
    notes, said = [], ""
    for group in groups:
        detail = _detail(matter, group)
        notes.append(Marked(group.mark, _words(matter, group), "" if detail == said else detail))
        said = detail or said
    return tuple(notes)


def _words(matter: Matter, group: JointGroup) -> str:
    text = _deed(matter, group)
    if not group.letters:
        return text
    if len(group.things) > 1:
        return matter.words.say("each {letter}: {deed}", letter=group.letters, deed=text)
    return matter.words.say("{letter}: {deed}", letter=group.letters, deed=text)


def _all_round(group: JointGroup) -> bool:
    """Whether nothing at the pegs or pins of joints is flat: they turn, and need not slide."""
    return all("flat" not in touch.faces for joint in group.joints for touch in joint.touches)


def _deed(matter: Matter, group: JointGroup) -> str:
    say, say_n = matter.words.say, matter.words.say_n
    n = group.each
    if matter.settings.reader == "child" and group.mark == "press" and n != 0:
        return _short_deed(matter, group, n)
    if group.mark == "dry":
        return _dry_deed(matter, group, n)
    if group.mark == "free":
        if group.kind == "ball":
            return say("push the ball in; it moves: no glue")
        if group.kind == "rest":
            return say("it lies loose: no glue")
        return say("it turns: no glue") if _all_round(group) else say("it moves: no glue")
    if group.mark == "glue":
        return _glue_deed(matter, group, n)
    if group.mark == "rest" or group.kind == "rest":
        return say("only rests here")
    if group.kind in ("ball", "hinge"):
        return say("push in until it snaps")
    if n is None:
        return say("press on all its pegs") if group.kind == "peg" else say("press on all its studs")
    if group.kind == "peg":
        return say_n("press on {n} peg", "press on {n} pegs", n)
    return say_n("press on {n} stud", "press on {n} studs", n)


def _dry_deed(matter: Matter, group: JointGroup, n: int | None) -> str:
    """Where to set it on without glue."""
    if not n or group.kind not in ("stud", "peg"):
        return matter.words.say("set on, without glue")
    if group.kind == "peg":
        return matter.words.say_n("{n} peg, without glue", "{n} pegs, without glue", n)
    return matter.words.say_n("{n} stud, without glue", "{n} studs, without glue", n)


def glued_kinds(matter: Matter, joint: Joint) -> frozenset[TouchKind]:
    """On what kinds of face a joint gets its glue: "rest" for flat ones."""
    return frozenset(face.kind for face in matter.plan.gluing.faces.get(joint.id, ()))


def _glue_deed(matter: Matter, group: JointGroup, n: int | None) -> str:
    """How much for each thing, and on which faces: those that the glue bonds, a stud with too much room
    gets none."""
    say_n = matter.words.say_n
    amount = _amount(matter, group)
    kinds = frozenset().union(*(glued_kinds(matter, joint) for joint in group.joints))
    if group.kind == "rest" or n is None or not n:
        return matter.words.say("{amount} on the faces that touch", amount=amount)
    if group.kind == "peg":
        if kinds == {"rest"}:
            return say_n("{amount} round {n} peg", "{amount} round {n} pegs", n, amount=amount)
        if "rest" in kinds:
            return say_n("{amount} on and round {n} peg", "{amount} on and round {n} pegs", n, amount=amount)
        return say_n("{amount} on {n} peg", "{amount} on {n} pegs", n, amount=amount)
    if kinds == {"rest"}:
        return say_n("{amount} round {n} stud", "{amount} round {n} studs", n, amount=amount)
    if "rest" in kinds:
        return say_n("{amount} on and round {n} stud", "{amount} on and round {n} studs", n, amount=amount)
    return say_n("{amount} on {n} stud", "{amount} on {n} studs", n, amount=amount)


def _amount(matter: Matter, group: JointGroup) -> str:
    """Glue for each thing of the group; a range where things differ."""
    drops = matter.plan.gluing.drops
    things = group.things or (tuple(part for joint in group.joints for part in (joint.a, joint.b)),)
    each = {
        sum(drops.get(joint.id, 1) for joint in group.joints if {joint.a, joint.b} & set(thing))
        for thing in things
    }
    low, high = min(each), max(each)
    if low == high:
        return amount_words(matter, high)
    return matter.words.say("{a} to {b}", a=matter.words.number(low), b=amount_words(matter, high))


def _short_deed(matter: Matter, group: JointGroup, n: int | None) -> str:
    """For a child: the mark says what to do, the words only where."""
    if n is None:
        return matter.words.say("all pegs") if group.kind == "peg" else matter.words.say("all studs")
    if group.kind == "peg":
        return matter.words.say_n("{n} peg", "{n} pegs", n)
    return matter.words.say_n("{n} stud", "{n} studs", n)


def _detail(matter: Matter, group: JointGroup) -> str:
    """The numbers, for the adult."""
    if group.kind == "rest" and group.mark != "glue":
        return ""
    if matter.edition.numbers:
        return _numbers(matter, group)
    return ""


def _numbers(matter: Matter, group: JointGroup) -> str:
    words = matter.words
    gap = min(joint.gap_mm for joint in group.joints)
    hold = min(joint.hold_n for joint in group.joints)
    load = max(matter.plan.gluing.loads_n.get(joint.id, 0.0) for joint in group.joints)
    text = words.say("gap {gap} mm a side", gap=words.number(gap, 2))
    if group.mark != "free":
        holds = words.say("holds {hold} N", hold=words.number(hold, 1))
        text += "; " + (holds if hold >= LEAST_HOLD_N else words.say("does not hold by itself"))
    if load > 0:
        text += "; " + words.say("carries {load} N", load=words.number(load, 1))
    return text
