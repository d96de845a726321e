"""The stage: joints and order in, marks and adhesive out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import networkx as nx
import numpy as np

from steps.bonding import Bonding, bonding_of, ties_surely
from steps.glue.adhesive import (
    Chosen,
    Suitability,
    doubts,
    judge,
    none_suits,
    only_when_asked,
    out_of_reach,
    quantity,
    rank,
    too_much_at_once,
)
from steps.glue.cases import LoadCase, load_cases
from steps.glue.doses import Dose, bond_volume, doses, glue_faces, glued_strength, pushes_of
from steps.glue.effort import efforts
from steps.glue.families import Family, check_plastic, family
from steps.glue.least import Asked, LeastGlue, least_glue
from steps.glue.proofs import Known
from steps.glue.report import problems_of, tried_of, turns_early, whys_of
from steps.glue.supply import Supply
from steps.glue.times import early_n, early_share
from steps.model import Array, Gluing, Joint, Joints, Mark, Mask, Measures, Model, Order, Problem
from steps.progress import ticking
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
    search = FamilySearch(structure, cases, joints, sequence, bonding, settings, sure)
    found, chosen = search.settle()
    wanted = _with_copies({joints.joints[row].id for row in found.glued}, sequence, joints)
    to_glue = [joint for joint in joints.joints if joint.id in wanted]
    given = search.given(to_glue, chosen.family)
    glued = set(given)
    adhesive = quantity(to_glue, given, chosen, settings.glue.temperature_c)
    marks = {joint.id: mark_of(joint, glued, bonding) for joint in joints.joints}
    as_found = glued == wanted == {joints.joints[row].id for row in found.glued}
    fares = found if as_found else search.as_glued(given, chosen.family)
    used = chosen.family
    told = {} if used is None else {name: (joints.by_id[name], used, dose) for name, dose in given.items()}
    return Gluing(
        marks=marks,
        whys=whys_of(to_glue, found, joints),
        loads_n={joints.joints[row].id: load for row, load in sorted(found.loads_n.items())},
        adhesive=adhesive,
        problems=problems_of(
            model, measures, joints, to_glue, glued, found, fares, chosen, bonding, settings
        ),
        cases={joints.joints[row].id: found.asks[row].kind for row in found.glued if row in found.asks},
        loads_by_kind={
            kind: {joints.joints[row].id: load for row, load in sorted(loads.items())}
            for kind, loads in sorted(found.by_kind.items())
        },
        lumps=pieces(joints, marks, sure, model),
        drops={name: dose.drops for name, dose in given.items()},
        faces={name: glue_faces(joint, used_) for name, (joint, used_, _) in told.items()},
        early_n={name: early_n(*each) for name, each in told.items()},
        facts=_facts(joints, glued, found, adhesive.volume_ml, chosen, bonding),
        instead={
            joints.joints[row].id: joints.joints[other].id
            for row, other in found.instead.items()
            if joints.joints[row].id in glued
        },
        tried=tried_of(model, joints, cases, fares),
        turns_early=turns_early(cases, fares),
    )


def pieces(joints: Joints, marks: Mapping[str, Mark], sure: Mask, model: Model) -> int:
    """How many pieces the finished model is: parts that glue or a sure hold ties together, what moves or
    comes off counted apart."""
    tied = nx.Graph()
    tied.add_nodes_from(part.id for part in model.parts)
    for joint, holds in zip(joints.joints, sure, strict=True):
        if marks[joint.id] == "glue" or (holds and marks[joint.id] != "free"):
            tied.add_edge(joint.a, joint.b)
    return int(nx.number_connected_components(tied))


def mark_of(joint: Joint, glued: set[str], bonding: Bonding) -> Mark:
    """How the joint is marked in the booklet."""
    if joint.id in bonding.free:
        return "free"
    if joint.id in glued:
        return "glue"
    return "rest" if joint.kind == "rest" else "press"


@dataclass(frozen=True)
class _Course:
    """What one family would make of the model: joints (ids) that it ties into one piece, and how many pieces
    are left apart."""

    choice: Suitability
    tied: tuple[str, ...]
    apart: int


class FamilySearch:
    """The least set and the adhesive: the family that ties the most together, then what the load cases ask
    of it within its open time."""

    def __init__(
        self,
        structure: Structure,
        cases: Sequence[LoadCase],
        joints: Joints,
        sequence: BuildSequence,
        bonding: Bonding,
        settings: Settings,
        sure: Mask,
    ) -> None:
        self.structure, self.cases, self.joints, self.up = structure, cases, joints, sequence.up
        self.bonding, self.settings, self.sure = bonding, settings, sure
        self.pushes = pushes_of(sequence, joints)
        self.may = [joint for joint in joints.joints if joint.id in bonding.may]
        self.hurried: tuple[tuple[str, ...], ...] = ()  #: those for which that is too little
        self.known = Known()  #: what the searches so far have found out about the cases
        self.last: tuple[int, ...] = ()  #: the set (rows) that the last of them found

    def settle(self) -> tuple[LeastGlue, Chosen]:
        """The least set with the family in force; with none in force, with the one that would serve."""
        ways = self._ways()
        asked = self.settings.adhesive
        if asked not in (None, "none"):
            return self._with(next(way for way in ways if way.choice.family is family(str(asked))), ways)
        fit = [way for way in ways if not way.choice.unfit]
        ours = [way for way in fit if not way.choice.barred]
        if asked == "none":
            found = self._in_time((fit or ways)[0].choice.family)
            return found, Chosen(None, ("nothing is glued, as asked",), ())
        if ours:
            found, chosen = self._with(ours[0], ways)
            if found.glued or not chosen.problems:
                return found, chosen
        if not fit:
            choice = ways[0].choice
            problem = none_suits(choice, len(self.may), self.settings)
            return self._in_time(choice.family), Chosen(None, choice.unfit, (problem,))
        choice = fit[0].choice
        found = self._in_time(choice.family)
        names = [self.joints.joints[row].id for row in found.glued]
        return found, Chosen(None, choice.barred, (only_when_asked(choice, names, self.settings),))

    def _ways(self) -> list[_Course]:
        """What each family would make of it: first those that leave the fewest pieces apart, then those that
        fit best what they tie."""
        ranked = rank(self.may, self.settings)
        able = [one for one in ranked if not one.unfit or one.family.name == self.settings.adhesive]
        found = []
        for each in able or ranked[:1]:
            tied = self._least(each.family, (), one_piece=True)
            joints = [self.joints.joints[row] for row in tied.glued]
            choice = judge(each.family, joints or self.may, self.settings)
            found.append(_Course(choice, tuple(joint.id for joint in joints), len(tied.untied)))
        return sorted(found, key=lambda way: (way.apart, -way.choice.points, way.choice.family.name))

    def _with(self, way: _Course, ways: Sequence[_Course]) -> tuple[LeastGlue, Chosen]:
        """With one family in force, or with a slower one where its open time is too short."""
        used = way.choice.family
        found = self._in_time(used)
        slower = self._slower(way, ways)
        if self.hurried and slower and not slower.barred and self.settings.adhesive is None:
            hurried, other = self.hurried, self._in_time(slower.family)
            if len(other.fails) < len(found.fails):
                found, used, slower = other, slower.family, None
            else:
                self.hurried = hurried
        to_glue = [self.joints.joints[row] for row in found.glued]
        problems = self._beyond(way, ways)
        if not to_glue:
            return found, Chosen(None, ("no joint needs glue",), problems)
        choice = judge(used, to_glue, self.settings)
        reasons = ("as asked",) if self.settings.adhesive else ()
        beside = near_moving(to_glue, self.joints)
        problems += tuple(doubts(choice, beside, to_glue, self.settings.glue.temperature_c))
        problems += too_much_at_once(self.hurried, self.settings, used, slower)
        return found, Chosen(used, (*reasons, *choice.reasons), problems)

    def _slower(self, way: _Course, ways: Sequence[_Course]) -> Suitability | None:
        """The most fitting family that stays open longer and leaves no more apart."""
        open_s = way.choice.family.open_s
        able = [
            one.choice
            for one in ways
            if not one.choice.unfit and one.apart <= way.apart and one.choice.family.open_s > open_s
        ]
        return min(able, key=lambda one: (bool(one.barred), -one.points), default=None)

    def _beyond(self, way: _Course, ways: Sequence[_Course]) -> tuple[Problem, ...]:
        """Which family would tie what this one cannot reach."""
        better = next((one for one in ways if not one.choice.unfit and one.apart < way.apart), None)
        if better is None or self.settings.aim == "display":
            return ()
        within = self.given(self.may, way.choice.family)
        names = [name for name in better.tied if name not in within]
        if better.choice.barred:
            return (only_when_asked(better.choice, names, self.settings),)
        return (out_of_reach(way.choice.family, better.choice, names),)

    def _in_time(self, used: Family) -> LeastGlue:
        """The least set with what each joint can be given in time."""
        found = self._least(used, self.cases)
        self.hurried = self._too_little(used, found)
        return found

    def _too_little(self, used: Family, found: LeastGlue) -> tuple[tuple[str, ...], ...]:
        """The glued joints of each push at which one gives way that time left too little glue for."""
        joints = self.joints.joints
        given = self.given([joints[row] for row in found.glued], used)
        glued = {joints[row].id for row in found.glued}
        weak = {joints[each.joint].id for each in found.fails if each.joint >= 0} & glued
        weak = {name for name in weak if name in given and given[name].share < 1.0} | (glued - set(given))
        several = (tuple(name for name in push if name in glued) for push in self.pushes)
        return tuple(push for push in several if weak & set(push))

    def given(self, joints: Sequence[Joint], used: Family | None) -> Mapping[str, Dose]:
        """What each joint gets of the family."""
        if used is None:
            return {}
        return doses(joints, self.pushes, used, self.settings.glue.temperature_c)

    def as_glued(self, given: Mapping[str, Dose], used: Family | None) -> LeastGlue:
        """What the model comes to with no more glue than is given, and how it fares in the cases."""
        joints = self.joints.joints
        strength = np.array([glued_strength(one, used, given.get(one.id)) if used else 0.0 for one in joints])
        only = frozenset(np.flatnonzero(strength > 0).tolist())
        asked = self._asked(Supply.ample(strength), np.ones(len(joints)), only, used)
        return least_glue(self.structure, self.cases, asked, self.up, known=self.known)

    def _least(self, used: Family, cases: Sequence[LoadCase], one_piece: bool | None = None) -> LeastGlue:
        asked = self.asked(used)
        if one_piece is not None:
            asked = replace(asked, one_piece=one_piece)
        if not cases:
            return least_glue(self.structure, (), asked, self.up)
        found = least_glue(self.structure, cases, asked, self.up, known=self.known, start=self.last)
        self.last = found.glued
        return found

    def asked(self, used: Family) -> Asked:
        """What the search for the least set is asked with a family."""
        joints, celsius = self.joints.joints, self.settings.glue.temperature_c
        supply = Supply.of(joints, self.may, self.pushes, used, celsius)
        alone = doses(self.may, (), used, celsius)
        volume = np.array([alone[one.id].ml if one.id in alone else 0.0 for one in joints])
        forced = frozenset(
            row
            for row, one in enumerate(joints)
            if one.id in self.bonding.forced and supply.strength[row] > 0
        )
        return self._asked(supply, efforts(joints, volume, self.up), forced, used)

    def _asked(self, supply: Supply, effort: Array, forced: frozenset[int], used: Family | None) -> Asked:
        rigid = np.array([joint.id not in self.bonding.free for joint in self.joints.joints], dtype=bool)
        one_piece = self.settings.aim != "display"
        early = early_share(used) if used else 1.0
        return Asked(supply, effort, self.sure, rigid, forced, one_piece, early)


def near_moving(to_glue: Sequence[Joint], joints: Joints) -> tuple[str, ...]:
    """Ids of the glued joints that share a part with one that moves."""
    beside = {part for joint in joints.joints if joint.moves for part in (joint.a, joint.b)}
    return tuple(joint.id for joint in to_glue if {joint.a, joint.b} & beside)


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
    everything = sum(bond_volume(joint, chosen.family) for joint in ticking(may)) if chosen.family else 0.0
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
