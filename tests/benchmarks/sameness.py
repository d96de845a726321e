"""The same steps however a model stands in its file: parts in another order, moved, turned by quarters.

``python -m tests.benchmarks.sameness [--parts 30] [--seed 0] [--suffix .3mf] [FAMILY ...]`` plans each family
in each way, from a file, and counts the steps that are the same: of the same parts, and of parts that are
alike (these alone where the file, as one STL of all, keeps no names).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from steps.errors import StepleafError
from steps.model import Plan
from steps.pipeline import make_plan
from steps.settings import Settings
from steps.ties import ranks
from tests.models.families import BUILDABLE, family
from tests.models.files import write
from tests.models.structures import STRUCTURES, structure
from tests.models.value import Made, moved, shuffled

Step = tuple[object, object]
#: Sizes that differ by less are one, mm.
SAME_MM = 0.005
QUARTER = np.array([[0.0, -1, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])


def ways(made: Made) -> Mapping[str, Made]:
    """The model as it may stand in a file."""
    away = np.eye(4)
    away[:3, 3] = (123.4, -77.7, 0.0)
    half = QUARTER @ QUARTER
    poses = {"moved": away, "quarter": QUARTER, "half": half, "three quarters": half @ QUARTER}
    both = away @ QUARTER
    random = np.random.default_rng(1)
    return {
        "again": made,
        "order": shuffled(made, random),
        **{name: moved(made, pose) for name, pose in poses.items()},
        "all": shuffled(moved(made, both), random),
    }


def steps_of(plan: Plan) -> tuple[list[Step], list[Step]]:
    """Each step by the names of its parts, and by their shapes and colours."""
    sizes = np.array([np.sort(shape.size_mm) for shape in plan.model.shapes])
    told = np.column_stack([ranks(column, SAME_MM) for column in sizes.T]).tolist()  # a file's rounding aside
    shapes = {shape.id: (len(shape.faces), *own) for shape, own in zip(plan.model.shapes, told, strict=True)}

    def kind(part: str) -> tuple[object, str]:
        found = plan.model.part_by_id[part]
        return shapes[found.shape], found.colour

    named, kinds = [], []
    for step in plan.order.steps:
        of = plan.order.assembly_by_id
        joined = tuple(len(of[each.assembly].copies[each.copy]) for each in step.attaches)
        named.append((sorted(plan.model.part_by_id[part].source for part in step.adds), joined))
        kinds.append((sorted(map(kind, step.adds)), joined))
    return named, kinds


def compare(made: Made, settings: Settings, path: Path) -> list[str]:
    first: tuple[list[Step], list[Step]] | None = None
    said = []
    named = path.suffix != ".stl"
    for name, other in ways(made).items():
        write(other, path)
        began = time.process_time()
        try:
            found = steps_of(make_plan(path, settings))
        except StepleafError as error:
            found = ([(type(error).__name__,)], [(type(error).__name__,)])
        took = time.process_time() - began
        if first is None:
            first = found
            said.append(f"{len(found[0])} steps, {took:.1f} s")
            continue
        for what, one, two in list(zip(("parts", "kinds"), first, found, strict=True))[not named :]:
            same = sum(a == b for a, b in zip(one, two, strict=False))
            if len(one) != len(two) or same < len(one):
                said.append(
                    f"{name}: {same}/{len(one)}{'' if len(one) == len(two) else f' of {len(two)}'} {what}"
                )
    return said


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--parts", type=int, default=30)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--suffix", default=".3mf", help="of the file: .3mf, .glb, .obj, .stl")
    given = parser.parse_args()
    settings = Settings(anyway=True)
    for name in given.names or [*STRUCTURES, *BUILDABLE]:
        if name in STRUCTURES:
            made = structure(name, max(given.parts, 24), given.seed)
        else:
            made = family(name, given.seed, given.parts)
        with tempfile.TemporaryDirectory() as folder:
            told = compare(made, settings, Path(folder) / f"m{given.suffix}")
        print(f"{name}, {len(made.placed)} parts: " + "; ".join(told), flush=True)


if __name__ == "__main__":
    main()
