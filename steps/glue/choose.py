"""The stage: joints and order in, marks and adhesive out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.bonding import Bonding, bonding_of
from steps.glue.adhesive import Chosen, bond_volume, choose, glued_strength, quantity, rank
from steps.glue.cases import LoadCase, load_cases, newtons
from steps.glue.effort import efforts
from steps.glue.families import Family, check_plastic, family
from steps.glue.least import Asked, LeastGlue, least_glue
from steps.glue.report import problems_of, whys_of
from steps.model import Array, Gluing, Joint, Joints, Mark, Mask, Measures, Model, Order
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.statics import Structure


def choose_glue(model: Model, measures: Measures, joints: Joints, order: Order, settings: Settings) -> Gluing:
    """The mark of every joint, and the adhesive.

    Raises WrongSettings for an unknown plastic or adhesive family, listing the known ones; everything else
    that is wrong or doubtful is a problem of the result.
    """
    check_plastic(settings.material)
    bonding = bonding_of(model, measures, joints, settings)
    structure = Structure.relied_on(model, measures, joints, settings)
    sequence = BuildSequence.of(model, order)
    cases = load_cases(model, measures, structure, sequence, settings, order.up)
    sure = ties_surely(model, measures, joints, settings)
    search = _Search(structure, cases, joints, order, bonding, settings, sure)
    found, chosen = search.settle()
    wanted = _with_copies({joints.joints[row].id for row in found.glued}, sequence, joints)
    glued = wanted if chosen.family is not None else set()
    to_glue = [joint for joint in joints.joints if joint.id in wanted]
    adhesive = quantity([joint for joint in to_glue if joint.id in glued], chosen)
    lumps = found if glued else search.without_glue()
    return Gluing(
        marks={joint.id: mark_of(joint, glued, bonding) for joint in joints.joints},
        whys=whys_of(to_glue, found, joints),
        loads_n={joints.joints[row].id: load for row, load in sorted(found.loads_n.items())},
        adhesive=adhesive,
        problems=problems_of(model, joints, to_glue, glued, found, lumps, chosen, bonding, settings),
        cases={joints.joints[row].id: found.asks[row].kind for row in found.glued if row in found.asks},
        lumps=lumps.lumps,
        facts=_facts(joints, glued, found, adhesive.volume_ml, chosen, bonding),
    )


def mark_of(joint: Joint, glued: set[str], bonding: Bonding) -> Mark:
    """How the joint is marked in the booklet."""
    if joint.id in bonding.free:
        return "free"
    if joint.id in glued:
        return "glue"
    return "rest" if joint.kind == "rest" else "press"


def ties_surely(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Mask:
    """(joints,) whether each holds its parts together without glue: what it may be relied on to hold, over
    the safety factor, bears the lighter of them. What more is asked of it the load cases tell."""
    weight = {part.id: newtons(measures.by_shape[part.shape].printed_g) for part in model.parts}
    return np.array(
        [
            not joint.moves
            and joint.hold_low_n > 0
            and joint.hold_low_n >= settings.glue.safety * min(weight[joint.a], weight[joint.b])
            for joint in joints.joints
        ],
        dtype=bool,
    )


class _Search:
    """The least set and the adhesive: a first family gives strengths, the needs that follow the final one."""

    def __init__(
        self,
        structure: Structure,
        cases: Sequence[LoadCase],
        joints: Joints,
        order: Order,
        bonding: Bonding,
        settings: Settings,
        sure: Mask,
    ) -> None:
        self.structure, self.cases, self.joints, self.order = structure, cases, joints, order
        self.bonding, self.settings, self.sure = bonding, settings, sure

    def settle(self) -> tuple[LeastGlue, Chosen]:
        """With the family for what ties the pieces together; another if the load cases ask for another."""
        if self.settings.adhesive in (None, "none"):
            may = [joint for joint in self.joints.joints if joint.id in self.bonding.may]
            first = rank(may, [0.0] * len(may), 1, self.settings)[0].family
            tied = [self.joints.joints[row] for row in self._least(first, ()).glued]
            first = rank(tied or may, [0.0] * len(tied or may), 1, self.settings)[0].family
        else:
            first = family(str(self.settings.adhesive))
        found = self._least(first, self.cases)
        chosen = self._choose(found)
        if chosen.family is not None and chosen.family is not first:
            found = self._least(chosen.family, self.cases)
        return found, chosen

    def without_glue(self) -> LeastGlue:
        """What the model comes to with no glue at all: its lumps."""
        nothing = np.zeros(len(self.sure))
        return least_glue(self.structure, (), self._asked(nothing, nothing, frozenset()), self.order.up)

    def _least(self, used: Family, cases: Sequence[LoadCase]) -> LeastGlue:
        joints, may = self.joints.joints, self.bonding.may
        strength = np.array([glued_strength(one, used) if one.id in may else 0.0 for one in joints])
        volume = np.array([bond_volume(one, used) for one in joints])
        forced = frozenset(
            row for row, one in enumerate(joints) if one.id in self.bonding.forced and strength[row] > 0
        )
        asked = self._asked(strength, efforts(joints, volume, self.order.up), forced)
        return least_glue(self.structure, cases, asked, self.order.up)

    def _asked(self, strength: Array, effort: Array, forced: frozenset[int]) -> Asked:
        rigid = np.array([joint.id not in self.bonding.free for joint in self.joints.joints], dtype=bool)
        one_piece = self.settings.aim != "display"
        return Asked(strength, effort, self.sure, rigid, forced, one_piece)

    def _choose(self, found: LeastGlue) -> Chosen:
        to_glue = [self.joints.joints[row] for row in found.glued]
        ids = {joint.id for joint in to_glue}
        at_once = max((len(set(step.closes) & ids) for step in self.order.steps), default=0)
        needs = [found.needs_n.get(row, 0.0) for row in found.glued]
        return choose(to_glue, needs, at_once, _near_moving(to_glue, self.joints), self.settings)


def _near_moving(to_glue: Sequence[Joint], joints: Joints) -> bool:
    """Whether a glued joint shares a part with one that moves."""
    beside = {part for joint in joints.joints if joint.moves for part in (joint.a, joint.b)}
    return any({joint.a, joint.b} & beside for joint in to_glue)


def _with_copies(glued: set[str], sequence: BuildSequence, joints: Joints) -> set[str]:
    """Copies of a sub-assembly are built alike: what is glued in one is glued in all."""
    alike = sequence.alike(joints)
    return glued | {each for several in alike.values() if glued & set(several) for each in several}


def _facts(
    joints: Joints,
    glued: set[str],
    found: LeastGlue,
    volume_ml: float,
    chosen: Chosen,
    bonding: Bonding,
) -> dict[str, float]:
    may = [joint for joint in joints.joints if joint.id in bonding.may]
    everything = sum(bond_volume(joint, chosen.family) for joint in may) if chosen.family else 0.0
    return {
        "joints": float(len(joints.joints)),
        "glued": float(len(glued)),
        "effort": found.effort,
        "least_effort": found.bound,
        "lumps": float(found.lumps),
        "could_be_glued": float(len(may)),
        "all_ml": everything,
        "volume_ml": volume_ml,
        "cases": float(found.cases),
        "unsettled": float(len(found.unsettled)),
        "programmes": float(found.programmes),
    }
