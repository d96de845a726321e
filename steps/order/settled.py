"""The order once the glue is chosen: what a hand really must hold, and what is too hard to press.

The order reckons with every loose joint glued; the least set of glue leaves some of them bare. So each step
is asked again what must be held, with the joints that are glued in earlier steps as bonds and all others
bare; nothing is asked again where the glue is what the order took it to be. Where a hand is spared, or not
enough, because of glue that the schedule did not wait for, the step has to wait for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.glue import reschedule
from steps.glue.cases import Case, solve
from steps.model import Array, Gluing, Joint, Joints, Measures, Model, Order, Problem, Step
from steps.order.cured import bonded, cured
from steps.order.hands import Hands
from steps.settings import Settings
from steps.statics import Structure
from steps.statics.pressing import pressing
from steps.strength import hands, strongest_push_n

#: So many joints are named in a message before it says how many more there are.
NAMED = 4
#: Pushes that differ by less than this are one figure to a reader, N.
SAME_N = 0.5


def settle(
    model: Model, measures: Measures, joints: Joints, order: Order, gluing: Gluing, settings: Settings
) -> tuple[Order, Gluing]:
    """The order with its final holds, the glue with its final times, and a warning for what hands cannot
    press home."""
    structure = Structure.of(model, measures, joints, settings)
    glued = frozenset(joint for joint, mark in gluing.marks.items() if mark == "glue")
    replay = _Replay(structure, bonded(structure, glued), order)
    waits: set[int] = set()
    if glued != _reckoned(structure, settings):
        held = replay.run()
        waits = {step.number for step in order.steps if step.hold and not held[step.number]}
        steps = tuple(replace(step, hold=held[step.number]) for step in order.steps)
        facts = {**order.facts, "held_steps": float(sum(bool(step.hold) for step in steps))}
        order = replace(order, steps=steps, facts=facts)
    waits |= {step.number for step in order.steps if step.hold}
    ask = waits - gluing.on_glue if glued else set()
    waits = {number for number in sorted(ask) if not replay.stands_bare(order, number)}
    if waits or order.steps is not replay.order.steps:
        gluing = replace(gluing, on_glue=gluing.on_glue | waits)
        gluing = reschedule(gluing, model, measures, joints, order, settings)
    return replace(order, problems=(*order.problems, *hard_presses(structure, order))), gluing


def _reckoned(structure: Structure, settings: Settings) -> frozenset[str]:
    """The joints that the order took to be glued."""
    after = cured(structure, settings).joints.joints
    return frozenset(
        bare.id for bare, bond in zip(structure.joints.joints, after, strict=True) if bare is not bond
    )


@dataclass(eq=False)
class _Replay:
    """Goes through the steps as the order lists them, first copies only."""

    structure: Structure
    glued: Structure
    order: Order

    def run(self) -> dict[int, tuple[str, ...]]:
        """Step number -> parts that a hand must hold."""
        hands_of: dict[str, dict[bytes, Hands]] = {}
        for step in self.order.steps:
            by_up = hands_of.setdefault(step.assembly, {})
            if step.up.tobytes() not in by_up:
                by_up[step.up.tobytes()] = self._hands(step)
        held = {}
        for step in self.order.steps:
            arrivals = arrivals_of(self.structure.model, self.order, step)
            parts = [part for unit, _ in arrivals for part in unit]
            here = hands_of[step.assembly][step.up.tobytes()]
            for other in hands_of[step.assembly].values():
                if other is not here:
                    other.pass_by(parts)
            held[step.number] = here.both(here.during(arrivals), here.after(step, parts))
        return held

    def _hands(self, step: Step) -> Hands:
        rows = self.structure.model.index_of
        members = sorted(rows[part] for part in self.order.assembly_by_id[step.assembly].copies[0])
        return Hands(self.structure, self.glued, step.up, members)

    def stands_bare(self, order: Order, number: int) -> bool:
        """Whether what is built after a step stands without any glue, held as the step says."""
        rows, step = self._built_after(number), order.steps[number - 1]
        index, bodies = self.structure.model.index_of, self.structure.bodies
        held = np.array(sorted({index[part] for part in step.hold} & set(rows)), dtype=np.int64)
        if len(held) == len(set(rows)):
            return True
        case = Case(
            "step",
            "",
            np.array(sorted(rows)),
            held,
            bodies.weight(step.up),
            step.up,
            True,
            1.0,
            step.up,
            number,
        )
        return solve(self.structure, self.structure.contacts, case)[0].ok

    def _built_after(self, number: int) -> list[int]:
        """Part rows of the step's assembly once it is done."""
        until = self.order.steps[:number]
        own = [step for step in until if step.assembly == until[-1].assembly]
        arrivals = [arrivals_of(self.structure.model, self.order, step) for step in own]
        return [part for each in arrivals for unit, _ in each for part in unit]


def arrivals_of(model: Model, order: Order, step: Step) -> list[tuple[tuple[int, ...], Array]]:
    """Part rows of what goes in as one, with the direction of its last leg, in the order they go in."""
    rows = model.index_of
    single = [((rows[part],), step.moves[part].legs[-1]) for part in step.adds]
    whole = [
        (
            tuple(rows[part] for part in order.assembly_by_id[each.assembly].copies[each.copy]),
            each.move.legs[-1],
        )
        for each in step.attaches
    ]
    return [*single, *whole]


def hard_presses(structure: Structure, order: Order) -> tuple[Problem, ...]:
    """A warning for each step in which something takes more than an adult's hands to press home."""
    model = structure.model
    built: dict[str, set[str]] = {}
    found = []
    for step in order.steps:
        standing = built.setdefault(step.assembly, set())
        for unit, way in arrivals_of(model, order, step):
            names = [model.parts[row].id for row in unit]
            press = pressing(structure, standing, names, way)
            if press.push_n > strongest_push_n():
                found.append(_hard(structure, step, names, press.names, press.push_n))
            standing.update(names)
    return tuple(found)


def _hard(
    structure: Structure, step: Step, names: Sequence[str], on: Sequence[str], push_n: float
) -> Problem:
    joints = structure.joints
    closing = [joint for name in names for joint in joints.of_part.get(name, ()) if joint.other(name) in on]
    closing = [joint for joint in closing if joint.push_n > SAME_N and {joint.a, joint.b} - set(names)]
    ids = sorted({joint.id for joint in closing}, key=structure.joint_row.__getitem__)
    listed = ", ".join(ids[:NAMED]) + (f" and {len(ids) - NAMED} more" if len(ids) > NAMED else "")
    needs = "needs" if len(ids) == 1 else "need"
    limit = hands()[-1]
    together = "" if len(ids) == 1 else " together"
    text = (
        f"Step {step.number}: {listed} {needs} about {push_n:.0f} N{together} to close, over the "
        f"{limit.push_n:.0f} N that hands can push ({limit.words}). {_doubt(closing)}press with a clamp, "
        "a few studs at a time, or change the fit (`stepleaf prints --refit press`)."
    )
    return Problem("hard-to-press", "warning", tuple(dict.fromkeys([*names[:1], *on])), text)


def _doubt(closing: Sequence[Joint]) -> str:
    """Start of the advice: an estimated push is to be tried on the fit card before it is believed."""
    if any("estimated" in joint.why for joint in closing):
        return "The figure is an estimate: try the fit card first (`stepleaf coupon`). If it is as stiff, "
    return "So: "
