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
    things: tuple[tuple[str, ...], ...]  #: parts of each thing of that letter; none where it has several
    mark: Mark
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
    """The joints that the step closes, grouped; by mark, then by letter."""
    letter_of = {part: kind.letter for kind in kinds for part in kind.parts}
    things_of = {kind.letter: kind.groups for kind in kinds}
    groups: dict[tuple[str, Mark, TouchKind], list[Joint]] = {}
    for joint_id in step.closes:
        joint = matter.plan.joints.by_id[joint_id]
        new = sorted(letter_of[part] for part in (joint.a, joint.b) if part in letter_of)
        mark = matter.plan.gluing.marks.get(joint_id, "rest" if joint.kind == "rest" else "press")
        groups.setdefault((" + ".join(new), mark, joint.kind), []).append(joint)
    ordered = sorted(groups, key=lambda key: (MARK_ORDER.index(key[1]), key[0], key[2]))
    return tuple(JointGroup(k[0], things_of.get(k[0], ()), k[1], k[2], tuple(groups[k])) for k in ordered)


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


def _deed(matter: Matter, group: JointGroup) -> str:
    say, say_n = matter.words.say, matter.words.say_n
    n = group.each
    if matter.settings.reader == "child" and group.mark == "press" and n != 0:
        return _short_deed(matter, group, n)
    if group.mark == "free":
        if group.kind == "ball":
            return say("push the ball in. It stays free to move: no glue")
        return say("stays free to turn: no glue")
    if group.mark == "glue":
        return _glue_deed(matter, group, n)
    if group.mark == "rest" or group.kind == "rest":
        return say("only rests here")
    if group.kind in ("ball", "hinge"):
        return say("push in until it snaps")
    if n is None:
        return say("push home all its pegs") if group.kind == "peg" else say("press home on all its studs")
    if group.kind == "peg":
        return say_n("push home {n} peg", "push home {n} pegs", n)
    return say_n("press home on {n} stud", "press home on {n} studs", n)


def glued_kinds(matter: Matter, joint: Joint) -> frozenset[TouchKind]:
    """On what kinds of face a joint gets its glue: "rest" for flat ones."""
    return frozenset(face.kind for face in matter.plan.gluing.faces.get(joint.id, ()))


def _glue_deed(matter: Matter, group: JointGroup, n: int | None) -> str:
    """Words from the faces that the glue bonds: a stud with too much room gets none."""
    say, say_n = matter.words.say, matter.words.say_n
    kinds = frozenset().union(*(glued_kinds(matter, joint) for joint in group.joints))
    if group.kind == "rest" or n is None or not n:
        return say("glue the faces that touch")
    if kinds == {"rest"}:
        if group.kind == "peg":
            return say_n("glue the faces round {n} peg", "glue the faces round {n} pegs", n)
        return say_n("glue the faces round {n} stud", "glue the faces round {n} studs", n)
    if "rest" in kinds:
        if group.kind == "peg":
            return say_n("glue {n} peg and the faces round it", "glue {n} pegs and the faces round them", n)
        return say_n("glue {n} stud and the faces round it", "glue {n} studs and the faces round them", n)
    if group.kind == "peg":
        return say_n("glue {n} peg", "glue {n} pegs", n)
    return say_n("glue {n} stud", "glue {n} studs", n)


def _short_deed(matter: Matter, group: JointGroup, n: int | None) -> str:
    """For a child: the mark says what to do, the words only where."""
    if n is None:
        return matter.words.say("all pegs") if group.kind == "peg" else matter.words.say("all studs")
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
