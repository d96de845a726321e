"""The stage: joints and order in, marks and adhesive out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.bonding import Wishes, read_wishes
from steps.glue.adhesive import Chosen, bond_volume, choose, glued_strength, quantity, rank
from steps.glue.cases import load_cases
from steps.glue.families import Family, check_plastic, family
from steps.glue.least import QUICK_PARTS, LeastGlue, least_glue
from steps.glue.report import problems_of, whys_of
from steps.model import Gluing, Joint, Joints, Mark, Measures, Model, Order
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.statics import Structure


def choose_glue(model: Model, measures: Measures, joints: Joints, order: Order, settings: Settings) -> Gluing:
    """The mark of every joint, and the adhesive.

    Raises WrongSettings for an unknown plastic or adhesive family, listing the known ones; everything else
    that is wrong or doubtful is a problem of the result.
    """
    check_plastic(settings.material)
    wishes = read_wishes(model, joints, settings)
    structure = Structure.of(model, measures, joints, settings, coarse=True)
    sequence = BuildSequence.of(model, order)
    cases = load_cases(model, structure, sequence, settings)
    found, chosen = _settle(structure, cases, joints, order, wishes, settings)
    wanted = _with_copies({joints.joints[row].id for row in found.glued}, sequence, joints)
    glued = wanted if chosen.family is not None else set()
    to_glue = [joint for joint in joints.joints if joint.id in wanted]
    adhesive = quantity([joint for joint in to_glue if joint.id in glued], chosen)
    return Gluing(
        marks={joint.id: mark_of(joint, glued, wishes) for joint in joints.joints},
        whys=whys_of(to_glue, found, joints),
        loads_n={joints.joints[row].id: newtons for row, newtons in sorted(found.loads_n.items())},
        adhesive=adhesive,
        problems=problems_of(model, joints, to_glue, glued, found, chosen, wishes, settings),
        on_glue=found.on_glue,
        facts=_facts(joints, glued, found, adhesive.volume_ml, chosen, wishes),
    )


def mark_of(joint: Joint, glued: set[str], wishes: Wishes) -> Mark:
    """How the joint is marked in the booklet."""
    if joint.id in wishes.free:
        return "free"
    if joint.id in glued:
        return "glue"
    return "rest" if joint.kind == "rest" else "press"


def _settle(
    structure: Structure, cases: Sequence, joints: Joints, order: Order, wishes: Wishes, settings: Settings
) -> tuple[LeastGlue, Chosen]:
    """The least set and the adhesive: a first family gives strengths, the needs that follow the final one."""
    may = [joint for joint in joints.joints if joint.id in wishes.may]
    if settings.adhesive in (None, "none"):
        first = rank(may, [0.0] * len(may), 1, settings)[0].family
    else:
        first = family(str(settings.adhesive))
    found = _least(structure, cases, joints, first, wishes)
    chosen = _choose(found, joints, order, settings)
    if chosen.family is not None and chosen.family is not first:
        weaker = any(glued_strength(one, chosen.family) < glued_strength(one, first) for one in may)
        if weaker or len(structure.bodies) <= QUICK_PARTS:  # a quick set holds with stronger glue too
            found = _least(structure, cases, joints, chosen.family, wishes)
    return found, chosen


def _least(structure: Structure, cases: Sequence, joints: Joints, used: Family, wishes: Wishes) -> LeastGlue:
    strength = [glued_strength(joint, used) if joint.id in wishes.may else 0.0 for joint in joints.joints]
    forced = [
        row for row, joint in enumerate(joints.joints) if joint.id in wishes.forced and strength[row] > 0
    ]
    return least_glue(structure, cases, np.array(strength), forced)


def _choose(found: LeastGlue, joints: Joints, order: Order, settings: Settings) -> Chosen:
    to_glue = [joints.joints[row] for row in found.glued]
    ids = {joint.id for joint in to_glue}
    at_once = max((len(set(step.closes) & ids) for step in order.steps), default=0)
    needs = [found.needs_n.get(row, 0.0) for row in found.glued]
    return choose(to_glue, needs, at_once, _near_moving(to_glue, joints), settings)


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
    wishes: Wishes,
) -> dict[str, float]:
    may = [joint for joint in joints.joints if joint.id in wishes.may]
    everything = sum(bond_volume(joint, chosen.family) for joint in may) if chosen.family else 0.0
    return {
        "joints": float(len(joints.joints)),
        "glued": float(len(glued)),
        "fewest": float(found.bound),
        "could_be_glued": float(len(may)),
        "all_ml": everything,
        "volume_ml": volume_ml,
        "cases": float(found.cases),
        "cases_settled": float(found.settled),
        "programmes": float(found.programmes),
    }
