"""A small hand-made plan of the demo beacon, and pictures that need no renderer, for tests of the booklet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from demo_model.beacon import beacon
from demo_model.solids import Module
from renderer.picture import Balloon, Picture, Sign, Stroke
from steps.booklet.content import Wish
from steps.booklet.pictures import PictureOrder
from steps.model import (
    Adhesive,
    Assembly,
    Attach,
    GlueFace,
    Gluing,
    Joint,
    Joints,
    Measure,
    Measures,
    Model,
    Move,
    Order,
    Part,
    Plan,
    Shape,
    Step,
    StepWork,
    Work,
)
from steps.order.plan import STOPPED
from steps.wording import Size, Term, Wording, joined, phrase, phrase_n

NAMES = {
    "#9a9c98": Term("grey"),
    "#f2f0e8": Term("ivory"),
    "#c23b2e": Term("brick red"),
    "#4a5056": phrase("darker {colour}", colour=Term("slate grey")),
    "#e8a628": Term("amber"),
}
DOWN = Move([[0, 0, -1]])


@lru_cache(maxsize=1)
def sample_plan() -> Plan:
    """Nine steps with a sub-assembly, glue, a wait, a turn, a hold, a doubtful step and a note."""
    model, measures = _model()
    joints = _joints(model)
    order = _order(model, joints)
    return Plan(model, measures, joints, order, _gluing(joints), _work(model))


def _model() -> tuple[Model, Measures]:
    demo = beacon(Module(scale=4.0))
    keys = list(demo.solids)
    shapes = tuple(
        Shape(f"S{k}", demo.solids[key].vertices, demo.solids[key].faces, True, key)
        for k, key in enumerate(keys, 1)
    )
    parts = tuple(
        Part(f"P{n}", p.name, f"S{keys.index(p.solid_key) + 1}", p.colour, NAMES[p.colour], p.pose)
        for n, p in enumerate(demo.placed, 1)
    )
    measures = {
        shape.id: Measure(
            shape.id,
            _name(shape),
            [0, 0, 1],
            shape.size_mm,
            1e5,
            1e4,
            shape.bounds.mean(axis=0),
            42.0,
        )
        for shape in shapes
    }
    return Model("Beacon", "beacon.3mf", "0" * 64, 4.0, shapes, parts), Measures(measures, 40.0)


def _name(shape: Shape) -> Wording:
    long, wide, high = shape.size_mm
    return joined(Term("block" if high > 30 else "slab"), Size((round(long / 40), round(wide / 40))), by=" ")


def _joints(model: Model) -> Joints:
    ids = {part.source: part.id for part in model.parts}
    known = beacon(Module(scale=4.0)).known_joints
    rest_of = ("press", False, 1.2, (0.8, 1.6), 9.0, 80.0, "it grips", ())
    return Joints(
        tuple(
            Joint(f"J{k}", "stud", ids[a], ids[b], [0, 0, 1], n, 0.1 * (k % 4), 6.8, 0.0, *rest_of)
            for k, (a, b, _, n) in enumerate(known, 1)
        )
    )


def _order(model: Model, joints: Joints) -> Order:
    ids = {part.source: part.id for part in model.parts}
    tower = ("tower low", "tower middle", "tower high")
    lists = [
        ("A2", ("plinth front", "plinth back"), {}),
        ("A2", ("plinth left", "plinth right"), {}),
        ("A1", tower[:2], {}),
        ("A1", tower[2:], {"up": [0, 1, 0]}),
        ("A2", (), {"note": "Mind the cable for the lamp."}),
        ("A2", ("gallery",), {"needs_push_n": 90.0}),
        ("A2", ("rail front", "rail back", "lamp"), {"doubtful": (STOPPED,)}),
        ("A2", ("roof",), {}),
    ]
    placed: set[str] = set()
    steps = []
    for number, (assembly, names, extra) in enumerate(lists, 1):
        adds = tuple(ids[name] for name in names)
        new = adds or tuple(ids[name] for name in tower)
        scope = new if assembly == "A1" else (*placed, *new)
        placed.update(new if assembly == "A2" else ())
        done = {joint for step in steps for joint in step.closes}
        closes = tuple(j.id for j in joints.joints if j.a in scope and j.b in scope and j.id not in done)
        if assembly == "A1":
            inside = {ids[name] for name in tower[: 2 if number == 3 else 3]}
            closes = tuple(
                j.id for j in joints.joints if j.a in inside and j.b in inside and j.id not in done
            )
        attaches = () if names else (Attach("A1", 0, DOWN),)
        extra = {"up": [0, 0, 1], **extra}
        steps.append(Step(number, assembly, adds, dict.fromkeys(adds, DOWN), attaches, closes, **extra))
    whole = Assembly(
        "A2", Term("whole model"), (tuple(part.id for part in model.parts),), Term("whole model")
    )
    place = joined(Term("tower"), Term("middle"))
    name = joined(place, phrase_n("{n} part", "{n} parts", len(tower)))
    return Order(
        (Assembly("A1", name, (tuple(ids[n] for n in tower),), place), whole),
        tuple(steps),
    )


def _gluing(joints: Joints) -> Gluing:
    marks = {joint.id: "press" for joint in joints.joints}
    marks["J3"] = "glue"
    marks["J4"] = "rest"
    marks[joints.joints[-1].id] = "free"
    loads = {joint.id: 0.4 for joint in joints.joints}
    corners = [[0, 0, 0], [80, 0, 0], [80, 40, 0], [0, 40, 0]]
    faces = (GlueFace("rest", joints.by_id["J3"].a, 800.0, 0.0, corners),)
    faces += (GlueFace("stud", joints.by_id["J3"].a, 400.0, 0.3, corners),)
    epoxy = Adhesive("epoxy", 0.2, 5, 30, 1440, ("it fills the gap",), 0.05)
    return Gluing(marks, {}, loads, epoxy, drops={"J3": 4}, faces={"J3": faces})


def _work(model: Model) -> Work:
    held = tuple(part.id for part in model.parts if part.source == "plinth front")
    work = [StepWork(n, by="child") for n in range(1, 9)]
    work[1] = StepWork(2, ("J3",), 1, (), "adult", 2, 30.0, hold=held)
    work[4] = StepWork(5, (), None, ("J3",), "helper", 1, 0.0, lags_min=(30.0,))
    return Work(tuple(work))


@dataclass
class PlainPictures:
    """Flat pictures with one stroke, balloon and sign of every sort; keeps what was asked of it."""

    asked: list[Wish] = field(default_factory=list)
    notice: str = ""
    log: str = ""

    def drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        for order in orders:
            yield self.draw(order.wish, order.width_mm, order.height_mm)

    def draw(self, wish: Wish, width_mm: float, height_mm: float) -> Picture | None:
        self.asked.append(wish)
        if wish.kind == "turn" and wish.step != 4:
            return None
        shade = {"step": 236, "cover": 225}.get(wish.kind, 244)
        pixels = np.full((8, 12, 3), shade, dtype=np.uint8)
        pixels[2:6, 3:9] = (200, 90, 70)
        edge = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm], [0, 0]])
        marks = {}
        if wish.kind == "step":
            kinds = ("press", "glue", "free", "rest", "arrow", "turn", "hold")
            signs = [Sign(k, (12.0 + 9 * i, 12.0), 6.0, 0.3 * i) for i, k in enumerate(kinds)]
            marks = {"signs": tuple(signs), "balloons": (Balloon("a", (20, 40), 4.5, (40, 30)),)}
            marks["insets"] = ((width_mm - 42, 2.0, replace(self.draw(Wish("overview"), 40, 30))),)
        return Picture(
            width_mm, height_mm, pixels, (Stroke(edge, 0.25, (3, 1), 0.3),), mm_per_model_mm=0.4, **marks
        )
