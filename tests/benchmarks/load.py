"""Growth of planning, CPU s and peak memory: python -m tests.benchmarks.load [KIND] [PARTS ...].

Few shapes and no file: how the stages grow with the number of parts alone. ``full [PARTS SHAPES TRIANGLES]``
is the heaviest model that is promised: from its file, which is written first, to 20 drawn steps.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import trimesh

from demo_model.solids import Bulk
from demo_model.write import write_3mf
from steps.draw import Studio, step_picture
from steps.model import Model
from steps.pipeline import make_plan
from steps.settings import Settings
from tests.models.files import model_of
from tests.models.structures import structure

USUAL = ("250", "1000", "4000")
#: Parts, shapes and triangles of all shapes together, of the heaviest model that is promised; steps drawn.
FULL, DRAWN = ("20000", "1000", "5000000"), 20
#: How deep the dents are by which its shapes differ, at least and at most, mm: no wall is so thin.
DENTS = 0.1, 0.5


@dataclass
class Spent:
    """CPU seconds of each stage, and the longest that none of them told anything."""

    by_stage: dict[str, float] = field(default_factory=dict)
    silent_s: float = 0.0
    silent_in: str = ""
    _now: str = "begin"
    _since: float = field(default_factory=time.process_time)
    _heard: float = field(default_factory=time.process_time)

    def tell(self, stage: str, done: int, total: int) -> None:
        at = time.process_time()
        if at - self._heard > self.silent_s:
            self.silent_s, self.silent_in = at - self._heard, self._now
        self._heard = at
        if stage != self._now:
            self.by_stage[self._now] = self.by_stage.get(self._now, 0.0) + at - self._since
            self._now, self._since = stage, at

    def __str__(self) -> str:
        told = ", ".join(f"{stage} {spent:.1f}" for stage, spent in self.by_stage.items())
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        silent = f"at most {self.silent_s:.1f} s without a word ({self.silent_in})"
        return f"{told}: {sum(self.by_stage.values()):.1f} s; peak {peak:.0f} MB; {silent}"


def measured(work: Callable[[Spent], object]) -> Spent:
    spent = Spent()
    work(spent)
    spent.tell("", 0, 0)
    return spent


def full(folder: Path, parts: int, shapes: int, triangles: int) -> Path:
    """A wall as a 3MF: so many of its blocks, spread evenly, are each of a shape of its own, dented in its
    own way; the rest are plain."""
    made = structure("wall", parts)
    solids, placed, faces = dict(made.solids), list(made.placed), 0
    for number, row in enumerate(np.linspace(0, parts - 1, shapes).astype(int).tolist()):
        plain = solids[placed[row].solid_key]
        key = f"{plain.name}, {number}"
        solids[key] = dented(plain, key, number / shapes, triangles * (number + 1) // shapes - faces)
        faces += len(solids[key].faces)
        placed[row] = replace(placed[row], solid_key=key)
    used = {part.solid_key for part in placed}
    faces = sum(len(solids[key].faces) for key in used)
    print(f"{parts:,} parts, {len(used):,} shapes, {faces:,} triangles", flush=True)
    heavy = replace(made, solids={key: solids[key] for key in used}, placed=tuple(placed))
    write_3mf(heavy.demo, path := folder / "full.3mf")
    return path


def dented(solid: Bulk, name: str, depth: float, triangles: int) -> Bulk:
    """The solid cut into so many triangles or more, the middle of one long side dented by a share of
    :data:`DENTS`."""
    vertices, faces = np.array(solid.vertices), np.array(solid.faces)
    while len(faces) < triangles:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    front = vertices[:, 1] < vertices[:, 1].min() + 1e-6
    low, high = vertices[front].min(axis=0), vertices[front].max(axis=0)
    share = np.clip((vertices - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    bump = np.sin(np.pi * share[:, 0]) * np.sin(np.pi * share[:, 2])
    vertices[front, 1] += (DENTS[0] + depth * (DENTS[1] - DENTS[0])) * bump[front]
    return Bulk(name, vertices, faces)


def plan_and_draw(source: Model | Path, drawn: int) -> Callable[[Spent], object]:
    def work(spent: Spent) -> None:
        settings = Settings(anyway=True)
        plan = make_plan(source, settings, spent.tell)
        studio = Studio(plan, settings)
        steps = plan.order.steps
        for row, step in enumerate(steps[:: max(1, len(steps) // drawn)][:drawn] if drawn else ()):
            spent.tell("drawn", row, drawn)
            step_picture(studio, step.number, 200.0, 170.0)

    return work


def main() -> None:
    kind, *sizes = sys.argv[1:] or ("wall",)
    if kind == "full":
        with tempfile.TemporaryDirectory() as folder:
            path = full(Path(folder), *map(int, sizes or FULL))
            print(measured(plan_and_draw(path, DRAWN)), flush=True)
        return
    for parts in map(int, sizes or USUAL):
        print(
            f"{kind} of {parts}: {measured(plan_and_draw(model_of(structure(kind, parts)), 0))}", flush=True
        )


if __name__ == "__main__":
    main()
