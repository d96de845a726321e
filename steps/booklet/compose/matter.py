"""The plan as the booklet tells it: names, labels, who does what, times, in one language."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from steps.booklet.compose.small import Sharing, sharing_of, turns_or_doubts
from steps.booklet.edition import Edition, edition_of
from steps.booklet.words import Words, later
from steps.draw.thumbs import Thumb, thumbs_of
from steps.draw.turning import Turned, turned_before
from steps.glue.cautions import AdhesiveCautions, ModelCautions, cautions_for, model_cautions
from steps.model import Assembly, Measure, Plan, Problem, Sight, Step, StepWork
from steps.order.turns import Turn, turn_between
from steps.prints.labels import called_by_maker, label_of, stem_of
from steps.settings import Settings
from steps.settle.schedule import GLUE_MIN, PART_MIN
from steps.wording import Wording

#: By more than this it lies upside down: a right angle and a display's tilt are none.
UPSIDE_DOWN_DEG = 120.0

#: What to do first, by how the build is turned (steps/order/turns.py).
TURNS: dict[Turn, str] = {
    "over": later("First turn the build over"),
    "upright": later("First set the build upright"),
    "on its back": later("First lay the build on its back"),
    "on its front": later("First lay the build on its front"),
    "on its left side": later("First lay the build on its left side"),
    "on its right side": later("First lay the build on its right side"),
}

READERS = {"child": later("Child"), "helper": later("Helper"), "adult": later("Adult")}
MATERIALS = {
    "pla": "PLA",
    "petg": "PETG",
    "abs": "ABS",
    "asa": "ASA",
    "tpu": "TPU",
    "nylon": later("nylon"),
}


@dataclass(frozen=True)
class Lot:
    """All parts of one shape in one colour: one print file."""

    shape: str
    colour: str
    colour_name: Wording | str
    count: int


@dataclass(frozen=True)
class Matter:
    """A plan, the settings, and the words to tell it in."""

    plan: Plan
    settings: Settings
    words: Words

    @property
    def edition(self) -> Edition:
        return edition_of(self.settings)

    @property
    def for_child(self) -> bool:
        """Whether a child reads it, in large type: neither codes nor more words than needed."""
        return self.settings.reader == "child"

    @property
    def title(self) -> str:
        return self.settings.title or self.plan.model.name

    @property
    def model_line(self) -> str:
        """Title with the scale it is printed at."""
        return f"{self.title}, {self.words.scale(self.plan.model.scale)}"

    @property
    def main(self) -> Assembly:
        """The assembly that holds the finished model."""
        return self.plan.order.assembly_by_id[self.plan.order.steps[-1].assembly]

    def measure(self, shape: str) -> Measure:
        return self.plan.measures.by_shape[shape]

    def shape_name(self, shape: str) -> str:
        return self.words.said(self.measure(shape).name)

    def print_name(self, lot: Lot) -> str:
        """ "block 2 × 4 (wall)": with the maker's own name for it, where there is one."""
        alike = [p for p in self.plan.model.parts if (p.shape, p.colour) == (lot.shape, lot.colour)]
        own = called_by_maker(alike, str(self.measure(lot.shape).name))
        return f"{self.shape_name(lot.shape)} ({own})" if own else self.shape_name(lot.shape)

    def label(self, shape: str) -> str:
        """The printed-part label, "S07": as the print files are named."""
        return label_of(shape)

    def file_stem(self, lot: Lot) -> str:
        """The name of the lot's print file, without its suffix."""
        return stem_of(lot.shape, self.measure(lot.shape).name, lot.colour_name, lot.count)

    @cached_property
    def cautions(self) -> ModelCautions:
        """Small parts, heavy and tipping sub-assemblies, heat."""
        return model_cautions(self.plan.model, self.plan.measures, self.plan.order, self.settings)

    @cached_property
    def adhesive(self) -> AdhesiveCautions | None:
        """What the chosen glue calls for; None where nothing is glued."""
        return cautions_for(self.plan.gluing, self.plan.work, self.settings)

    def assembly_name(self, assembly: str) -> str:
        return self.words.said(self.plan.order.assembly_by_id[assembly].name)

    def place_name(self, assembly: str) -> str:
        """The assembly's name without its count of parts, for the title block."""
        return self.words.said(self.plan.order.assembly_by_id[assembly].short_name)

    @cached_property
    def lots(self) -> tuple[Lot, ...]:
        """By colour in order of first appearance, then by shape in the model's order."""
        counts: dict[tuple[str, str], int] = {}
        names: dict[str, Wording | str] = {}
        for part in self.plan.model.parts:
            names.setdefault(part.colour, part.colour_name)
            counts[part.colour, part.shape] = counts.get((part.colour, part.shape), 0) + 1
        colours = {colour: row for row, colour in enumerate(names)}
        shapes = {shape.id: row for row, shape in enumerate(self.plan.model.shapes)}
        keys = sorted(counts, key=lambda key: (colours[key[0]], shapes[key[1]]))
        return tuple(Lot(shape, colour, names[colour], counts[colour, shape]) for colour, shape in keys)

    @cached_property
    def sights(self) -> Mapping[int, Sight]:
        """How each step is looked at, by its number."""
        return {sight.number: sight for sight in self.plan.sights}

    def work(self, step: Step) -> StepWork:
        """Who does the step, what it glues, how long to wait."""
        return self.plan.work.step_by_number.get(step.number, StepWork(step.number))

    def done_by(self, step: Step) -> str:
        """ "Adult", "Child"; "Adult + 1" when it takes two."""
        who, more = self.words.say(READERS[self.work(step).by]), self.work(step).people - 1
        return f"{who} + {self.words.number(more)}" if more > 0 else who

    def done_by_mark(self, step: Step) -> str:
        work = self.work(step)
        return "people" if work.people > 1 else work.by

    @cached_property
    def slides_in(self) -> Mapping[int, Sequence[Problem]]:
        """By step number what is told of parts that slide off, where they are first joined to what guides
        them, or is none of them: what only lies in a drawer slides off with it."""
        of = {
            part: each
            for each in self.plan.gluing.problems
            if each.code == "slides-off"
            for part in each.parts
        }
        found: dict[int, list[Problem]] = {}
        met: set[str] = set()
        for step in self.plan.order.steps:
            for joint in map(self.plan.joints.by_id.__getitem__, step.closes):
                apart = of.get(joint.a) is not of.get(joint.b)
                guided = (
                    {joint.a, joint.b} - met if apart or (joint.moves and joint.kind != "rest") else set()
                )
                for problem in (of[part] for part in sorted(guided) if part in of):
                    if problem not in found.setdefault(step.number, []):
                        found[step.number].append(problem)
                met |= guided
        return found

    @cached_property
    def turned(self) -> dict[int, Turn]:
        """How the build is turned before a step, by step number."""
        found: dict[int, Turn] = {}
        for moment in self.plan.sequence.moments:
            step, earlier = moment.step, moment.previous
            turn = "no turn" if earlier is None else turn_between(earlier.up, step.up, self.plan.order.up)
            if turn != "no turn":
                found[step.number] = turn
        return found

    @cached_property
    def spun(self) -> dict[tuple[int, str], Turned]:
        """How what lies on the table is turned before a step, by its number, and by sub-assembly where one is
        turned to be attached; "" the build itself."""
        found: dict[tuple[int, str], Turned] = {}
        for moment in self.plan.sequence.moments:
            for name in ("", *dict.fromkeys(each.assembly for each in moment.arrivals if each.assembly)):
                turned = turned_before(self.plan, moment.step.number, name) if self.sights else None
                if turned is not None:
                    found[moment.step.number, name] = turned
        return found

    def ends_turned(self, step: Step) -> bool:
        """Whether it is the last step and the model then lies otherwise than it is to stand."""
        home = self.plan.order.up
        return step is self.plan.order.steps[-1] and turn_between(step.up, home, home) != "no turn"

    @cached_property
    def sharing(self) -> dict[int, Sharing]:
        """How many steps may stand on a page with each: drawn small enough, with nothing to overlook."""
        alone = {step.number for step in self.plan.order.steps if turns_or_doubts(step, self.turned)}
        spun = {number for number, _ in self.spun}
        found = sharing_of(self.plan, self.settings)
        most = {
            number: 1 if number in alone else 2 if number in spun else each.most
            for number, each in found.items()
        }
        return {number: replace(each, most=min(most[number], each.most)) for number, each in found.items()}

    @cached_property
    def thumbs(self) -> Mapping[str, Thumb]:
        """The scale and size of each shape's picture, by its id."""
        return thumbs_of(self.plan, self.edition.thumb)

    def upside_down(self, assembly_id: str) -> bool:
        """Whether a sub-assembly, when finished, lies the other way up than it goes onto the build."""
        goes_on = self.plan.sequence.attached_in.get(assembly_id)
        lies = self.plan.sequence.by_assembly.get(assembly_id, ())
        if goes_on is None or not lies:
            return False
        return float(lies[-1].up @ goes_on.up) < np.cos(np.radians(UPSIDE_DOWN_DEG))

    @property
    def size_mm(self) -> tuple[float, float, float]:
        low, high = self.plan.model.bounds
        extent = high - low
        return (float(extent[0]), float(extent[1]), float(extent[2]))

    @property
    def printed_g(self) -> float:
        return float(sum(self.measure(part.shape).printed_g for part in self.plan.model.parts))

    def minutes(self, step: Step) -> float:
        """Bench time of a step, all copies of its assembly together."""
        moment = self.plan.sequence.by_number[step.number]
        things = len(moment.arrivals)
        return len(moment.copies) * (PART_MIN * things + GLUE_MIN * len(self.work(step).glues))

    @property
    def building_min(self) -> float:
        return sum(self.minutes(step) for step in self.plan.order.steps)

    @property
    def waiting_min(self) -> float:
        facts = self.plan.work.facts
        return float(facts.get("waiting_min", sum(step.wait_min for step in self.plan.work.steps)))

    @property
    def waiting_each_min(self) -> float:
        """The waits if nothing else were built meanwhile."""
        return float(self.plan.work.facts.get("waiting_each_min", self.waiting_min))

    @property
    def glued(self) -> tuple[str, ...]:
        """Ids of the glued joints."""
        return tuple(joint for joint, mark in self.plan.gluing.marks.items() if mark == "glue")

    @property
    def material(self) -> str:
        return self.words.say(MATERIALS[self.settings.material])

    @property
    def people(self) -> int:
        return max((step.people for step in self.plan.work.steps), default=1)
