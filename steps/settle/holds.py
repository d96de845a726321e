"""What a hand must hold in each step, with the glue that was chosen.

The joints that are glued in earlier steps hold as bonds, all others bare. Where a hand is spared, or not
enough, because of glue that the schedule did not wait for, the step has to wait for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, replace

from steps.model import Gluing
from steps.order.stability import Watch
from steps.progress import over
from steps.sequence import BuildSequence, Moment
from steps.settle.hands import Hands
from steps.statics import Capacity, Structure, bond_strength

#: Step number -> ids of the parts that a hand must hold.
Holds = Mapping[int, tuple[str, ...]]


@dataclass(frozen=True)
class Steadied:
    """What a hand must hold in each step (``holds``); the steps (numbers) after which the build stands, so
    held, only by glue of earlier steps; and those of them after which that glue may not bear what stood
    before as soon as it holds by itself: there it has to be asked."""

    holds: Holds
    on_glue: frozenset[int]
    doubtful: frozenset[int]


def final_holds(structure: Structure, sequence: BuildSequence, joints: Set[str]) -> Holds:
    """What a hand must hold in each step, where these joints (ids) are glued."""
    return steadied(structure, sequence, joints).holds


def steadied(
    structure: Structure, sequence: BuildSequence, joints: Set[str], early: Capacity | None = None
) -> Steadied:
    """The same, and what stands by glue that bears ``early`` from the moment it holds by itself: what
    balances the build with all glue hard is mostly within that."""
    glued = bonded(structure, joints)
    held, on_glue, doubtful = {}, set(), set()
    for moments in over(list(sequence.by_assembly.values())):
        by_up = {moment.up.tobytes(): moment for moment in moments}
        hands = {up: _hands(structure, glued, moment) for up, moment in by_up.items()}
        for moment in over(moments):
            number, arriving = moment.step.number, moment.arriving.tolist()
            here = hands[moment.up.tobytes()]
            for other in hands.values():
                if other is not here:
                    other.pass_by(arriving)
            pressed = here.during([(each.rows.tolist(), each.way) for each in moment.arrivals])
            held[number] = here.both(pressed, here.after(moment.step, arriving))
            if early is not None and here.falls_bare(held[number]):
                on_glue.add(number)
                if not here.stands_with(held[number], arriving, early):
                    doubtful.add(number)
    return Steadied(held, frozenset(on_glue), frozenset(doubtful))


def _hands(structure: Structure, glued: Structure, moment: Moment) -> Hands:
    rows = structure.model.index_of
    return Hands(structure, glued, moment.up, sorted(rows[part] for part in moment.copies[0]))


def bonded(structure: Structure, glued: Set[str]) -> Structure:
    """The structure with the given joints glued and set; itself where there are none."""
    if not glued:
        return structure
    held = tuple(
        replace(joint, hold_n=max(joint.hold_n, bond_strength(joint))) if joint.id in glued else joint
        for joint in structure.joints.joints
    )
    return replace(
        structure, joints=replace(structure.joints, joints=held), contacts=structure.glued(sorted(glued))
    )


def held_early(structure: Structure, gluing: Gluing) -> Structure:
    """The structure with every glued joint as strong as it is from the moment it holds by itself."""
    early = gluing.early_n
    joints = tuple(
        replace(joint, hold_n=max(joint.hold_n, early[joint.id])) if joint.id in early else joint
        for joint in structure.joints.joints
    )
    contacts = structure.glued({name: early[name] for name in sorted(early)})
    return replace(structure, joints=replace(structure.joints, joints=joints), contacts=contacts)


def hard_steps(
    structure: Structure, sequence: BuildSequence, gluing: Gluing, holds: Holds, of: Set[int]
) -> frozenset[int]:
    """Those ``of`` these steps after which what stood before falls though its glue holds by itself, and not
    once it has its full strength."""
    names = [part.id for part in structure.model.parts]
    kept = {
        moment.step.number: (*holds[moment.step.number], *(names[row] for row in moment.arriving.tolist()))
        for moment in sequence.moments
        if moment.step.number in of
    }
    early = _falling(held_early(structure, gluing), sequence, kept)
    still = {number: kept[number] for number in early}
    return early - _falling(bonded(structure, gluing.glued), sequence, still)


def _falling(structure: Structure, sequence: BuildSequence, held: Holds) -> frozenset[int]:
    """Numbers of those steps after which something falls while hands hold these."""
    index, falling = structure.model.index_of, set()
    for moments in over(list(sequence.by_assembly.values()) if held else []):
        watches: dict[bytes, Watch] = {}
        for moment in moments:
            if moment.up.tobytes() not in watches:
                members = [index[part] for part in moment.copies[0]]
                watches[moment.up.tobytes()] = Watch(structure, moment.up, members)
        for moment in over(moments):
            for watch in watches.values():
                watch.doubts(moment.arriving.tolist())
            hands, here = held.get(moment.step.number), watches[moment.up.tobytes()]
            if hands is not None and here.falls((), hands):
                falling.add(moment.step.number)
    return frozenset(falling)
