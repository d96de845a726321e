"""Joints glued, sittings and waits; CPU seconds to choose: ``python -m tests.benchmarks.glue [walls] [tug]``.

The walls are synthetic (tests.stacks), loose throughout, built four parts a step. The harbour tug is measured
at 1x and 4x with three gaps, each beside gluing all joints that may be and waiting after every glue step.
Without arguments both run.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from rich.console import Console
from rich.table import Table

from steps.glue import choose_glue
from steps.model import Assembly, Gluing, Move, Order, Step, Work
from steps.settings import GlueSettings, Settings
from steps.settle import settle
from tests.benchmarks.statics import wall
from tests.stacks import Stack

SIZES = (60, 550, 5500)  # parts that give about 100, 1,000 and 10,000 joints
GAPS = (0.05, 0.10, 0.20)  # mm per side at 1x
SCALES = (1.0, 4.0)
COLUMNS = (
    "model",
    "joints",
    "glued",
    "least_effort",
    "sittings",
    "wait min",
    "wait each min",
    "all: joints",
    "all: sittings",
    "all: wait min",
    "all: times the glue",
    "cases",
    "programmes",
    "CPU s",
    "bar s",
)
BARS = (2.0, 20.0, 120.0)  # CPU s for the walls


def by_courses(built: Stack) -> Order:
    """The parts from below, four a step."""
    ids = [part.id for part in built.model.parts]
    first = {}
    for number, start in enumerate(range(0, len(ids), 4), start=1):
        first.update(dict.fromkeys(ids[start : start + 4], number))
    closes: dict[int, list[str]] = {}
    for joint in built.joints.joints:
        closes.setdefault(max(first[joint.a], first[joint.b]), []).append(joint.id)
    down = Move([(0, 0, -1)])
    steps = [
        Step(
            number,
            "A1",
            tuple(ids[start : start + 4]),
            dict.fromkeys(ids[start : start + 4], down),
            (),
            tuple(closes.get(number, ())),
            (0, 0, 1),
        )
        for number, start in enumerate(range(0, len(ids), 4), start=1)
    ]
    return Order((Assembly("A1", "wall", (tuple(ids),)),), tuple(steps))


def row(
    name: str,
    found: Gluing,
    work: Work,
    seconds: float,
    everything: Mapping[str, float] | None = None,
    bar: float = 0,
) -> list[str]:
    facts = {**found.facts, **work.facts}
    keys = ("joints", "glued", "least_effort", "sittings", "waiting_min", "waiting_each_min")
    every = ["", "", ""]
    if everything is not None:
        every = [f"{everything[key]:.0f}" for key in ("glued", "sittings", "waiting_min")]
    ratio = f"{facts['all_ml'] / facts['volume_ml']:.1f}" if facts["volume_ml"] else ""
    last = [
        ratio,
        f"{facts['cases']:.0f}",
        f"{facts['programmes']:.0f}",
        f"{seconds:.1f}",
        f"{bar:g}" if bar else "",
    ]
    return [name, *(f"{facts[key]:.0f}" for key in keys), *every, *last]


def walls(table: Table) -> None:
    for parts, bar in zip(SIZES, BARS, strict=True):
        built = wall(parts, hold_per_stud=0.0)
        order = by_courses(built)
        begun = time.process_time()
        found = choose_glue(built.model, built.measures, built.joints, order, Settings())
        spent = time.process_time() - begun
        work = settle(built.model, built.measures, built.joints, order, found, Settings())
        table.add_row(*row(f"loose wall, {len(built.model.parts)} parts", found, work, spent, bar=bar))


def tugs(table: Table) -> None:
    from demo_model.solids import Module
    from demo_model.tug import tug
    from demo_model.write import write_3mf
    from steps.features import measure
    from steps.intake import read_model
    from steps.joints import find_joints
    from steps.order import plan_order

    for gap in GAPS:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "tug.3mf"
            write_3mf(tug(module=Module(clearance=gap)), path)
            for scale in SCALES:
                settings = Settings(scale=scale)
                model = read_model(path, settings)
                measures = measure(model, settings)
                joints = find_joints(model, measures, settings)
                order = plan_order(model, measures, joints, settings)
                begun = time.process_time()
                found = choose_glue(model, measures, joints, order, settings)
                spent = time.process_time() - begun
                pairs = tuple((joint.a, joint.b) for joint in joints.joints)
                all_of_them = settings.model_copy(update={"glue": GlueSettings(glue=pairs)})
                work = settle(model, measures, joints, order, found, settings)
                every = choose_glue(model, measures, joints, order, all_of_them)
                times = settle(model, measures, joints, order, every, all_of_them)
                name = f"tug {scale:g}x, gap {gap:.2f} mm at 1x"
                table.add_row(*row(name, found, work, spent, {**every.facts, **times.facts}))


def main() -> None:
    table = Table(*COLUMNS)
    wanted = sys.argv[1:] or ["walls", "tug"]
    if "tug" in wanted:
        tugs(table)
    if "walls" in wanted:
        walls(table)
    Console(width=200).print(table)


if __name__ == "__main__":
    main()
