"""Joints of one step in words: one note per kind of thing, mark and kind of joint."""

from __future__ import annotations

from dataclasses import dataclass

from steps.booklet.compose.matter import Matter
from steps.booklet.content import Marked
from steps.draw.kinds import Kind
from steps.model import Joint, Mark, Step, TouchKind

LEAST_HOLD_N = 0.05  #: less prints as 0.0 N
MARK_ORDER: tuple[Mark, ...] = ("press", "glue", "free", "rest")


@dataclass(frozen=True)
class JointGroup:
    """Joints of a step that one note tells of."""

    letters: str  #: "a", "a + b"; empty when no new part is in it
    each: int  #: how many things of that letter there are
    mark: Mark
    kind: TouchKind
    joints: tuple[Joint, ...]

    @property
    def contacts(self) -> int:
        return sum(joint.contacts for joint in self.joints)


def joint_groups(matter: Matter, step: Step, kinds: tuple[Kind, ...]) -> tuple[JointGroup, ...]:
    """The joints that the step closes, grouped; by mark, then by letter."""
    letter_of = {part: kind.letter for kind in kinds for part in kind.parts}
    count_of = {kind.letter: kind.count for kind in kinds}
    groups: dict[tuple[str, Mark, TouchKind], list[Joint]] = {}
    for joint_id in step.closes:
        joint = matter.plan.joints.by_id[joint_id]
        new = sorted(letter_of[part] for part in (joint.a, joint.b) if part in letter_of)
        mark = matter.plan.gluing.marks.get(joint_id, "rest" if joint.kind == "rest" else "press")
        groups.setdefault((" + ".join(new), mark, joint.kind), []).append(joint)
    ordered = sorted(groups, key=lambda key: (MARK_ORDER.index(key[1]), key[0], key[2]))
    return tuple(JointGroup(k[0], count_of.get(k[0], 1), k[1], k[2], tuple(groups[k])) for k in ordered)


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
    if group.each > 1:
        return matter.words.say("each {letter}: {deed}", letter=group.letters, deed=text)
    return matter.words.say("{letter}: {deed}", letter=group.letters, deed=text)


def _deed(matter: Matter, group: JointGroup) -> str:
    say, say_n = matter.words.say, matter.words.say_n
    n = group.contacts // group.each if group.contacts % group.each == 0 else group.contacts
    if matter.settings.reader == "child" and group.mark in ("press", "glue") and n > 0:
        return _short_deed(matter, group, n)
    if group.mark == "free":
        if group.kind == "ball":
            return say("push the ball in. It stays free to move: no glue")
        return say("stays free to turn: no glue")
    if group.mark == "glue":
        if group.kind == "rest":
            return say("glue the faces that touch")
        if group.kind == "peg":
            return say_n("glue {n} peg", "glue {n} pegs", n)
        return say_n("glue {n} stud", "glue {n} studs", n)
    if group.mark == "rest" or group.kind == "rest":
        return say("only rests here")
    if group.kind == "peg":
        return say_n("push home {n} peg", "push home {n} pegs", n)
    if group.kind in ("ball", "hinge"):
        return say("push in until it snaps")
    return say_n("press home on {n} stud", "press home on {n} studs", n)


def _short_deed(matter: Matter, group: JointGroup, n: int) -> str:
    """For a child: the mark says what to do, the words only where."""
    if group.kind == "peg":
        return matter.words.say_n("{n} peg", "{n} pegs", n)
    return matter.words.say_n("{n} stud", "{n} studs", n)


def _detail(matter: Matter, group: JointGroup) -> str:
    """Why it is glued, for the helper; the numbers, for the adult."""
    if group.kind == "rest" and group.mark != "glue":
        return ""
    if matter.edition.numbers:
        return _numbers(matter, group)
    if group.mark == "glue" and matter.settings.reader == "helper":
        if all(joint.fit in ("loose", "none") for joint in group.joints):
            return matter.words.say("too loose to hold")
        return matter.words.say("has more to carry than it holds")
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
