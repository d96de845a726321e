"""Growth of planning, CPU s and peak memory by stage: python -m tests.benchmarks.load [KIND] [PARTS ...].

Few shapes and no file: how the stages grow with the number of parts alone. ``full [PARTS SHAPES TRIANGLES]``
is the heaviest model that is promised: from its file, which is written first, to 20 drawn steps.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import trimesh

from demo_model.solids import Bulk
from demo_model.write import write_3mf
from steps import collecting
from steps.draw import Studio, step_picture
from steps.model import Model
from steps.pipeline import make_plan
from steps.progress import Tell, over, stage
from steps.settings import Settings
from tests.models.files import model_of
from tests.models.structures import structure

#: Told more often than this (s), a stage is not silent: to ask what it has cost costs more than to tell.
LOOK_S = 0.02
USUAL = ("250", "1000", "4000")
#: Parts, shapes and triangles of all shapes together, of the heaviest model that is promised; steps drawn.
FULL, DRAWN = ("20000", "1000", "5000000"), 20
#: How deep the dents are by which its shapes differ, at least and at most, mm: no wall is so thin. So many
#: depths on each of two sides, each further from the next than what is read as one shape (0.01 mm).
DENTS, DEPTHS = (0.1, 0.5), 32


@dataclass
class Spent:
    """CPU seconds of each stage, told with the peak of memory so far as it ends, and the longest that none of
    them told anything."""

    by_stage: dict[str, float] = field(default_factory=dict)
    silent_s: float = 0.0
    silent_in: str = ""
    _now: str = "begin"
    _since: float = field(default_factory=time.process_time)
    _heard: float = field(default_factory=time.process_time)
    _looked: float = 0.0

    def tell(self, stage: str, done: int, total: int) -> None:
        if stage == self._now and time.monotonic() - self._looked < LOOK_S:
            return
        self._looked = time.monotonic()
        at = time.process_time()
        if at - self._heard > self.silent_s:
            self.silent_s, self.silent_in = at - self._heard, self._now
        self._heard = at
        if stage != self._now:
            self.by_stage[self._now] = self.by_stage.get(self._now, 0.0) + at - self._since
            print(f"  {self._now}: {at - self._since:.1f} s, peak {peak_mb():.0f} MB", flush=True)
            self._now, self._since = stage, at

    def __str__(self) -> str:
        silent = f"at most {self.silent_s:.1f} s without a word ({self.silent_in})"
        return f"{sum(self.by_stage.values()):.1f} s; peak {peak_mb():.0f} MB; {silent}"


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measured(source: Model | Path, drawn: int) -> Spent:
    spent = Spent()
    plan_and_draw(source, drawn, Settings(anyway=True), spent.tell)
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
        solids[key] = dented(plain, key, number, triangles * (number + 1) // shapes - faces)
        faces += len(solids[key].faces)
        placed[row] = replace(placed[row], solid_key=key)
    used = {part.solid_key for part in placed}
    faces = sum(len(solids[key].faces) for key in used)
    print(f"{parts:,} parts, {len(used):,} shapes, {faces:,} triangles", flush=True)
    heavy = replace(made, solids={key: solids[key] for key in used}, placed=tuple(placed))
    write_3mf(heavy.demo, path := folder / "full.3mf")
    return path


def dented(solid: Bulk, name: str, number: int, triangles: int) -> Bulk:
    """The solid cut into so many triangles or more, the middle of the largest triangle of two neighbouring
    sides pressed in as deep as the number says."""
    vertices, faces = np.array(solid.vertices), np.array(solid.faces)
    while len(faces) < triangles:
        vertices, faces = trimesh.remesh.subdivide(vertices, faces)
    for axis, depth in zip((1, 0), np.linspace(*DENTS, DEPTHS)[list(divmod(number, DEPTHS))], strict=True):
        corners = vertices[faces]
        on_side = (corners[:, :, axis] < vertices[:, axis].min() + 1e-6).all(axis=1)
        row = int(np.argmax(on_side * trimesh.triangles.area(corners)))
        a, b, c = faces[row]
        middle = len(vertices)
        vertices = np.vstack([vertices, corners[row].mean(axis=0) + depth * np.eye(3)[axis]])
        faces = np.vstack([np.delete(faces, row, axis=0), [[a, b, middle], [b, c, middle], [c, a, middle]]])
    return Bulk(name, vertices, faces)


def plan_and_draw(source: Model | Path, drawn: int, settings: Settings, tell: Tell) -> None:
    """The plan, and so many of its steps, spread evenly, drawn."""
    plan = make_plan(source, settings, tell)
    studio = Studio(plan, settings)
    steps = plan.order.steps
    with stage(tell, "drawn"):
        for step in over(steps[:: max(1, len(steps) // drawn)][:drawn] if drawn else ()):
            step_picture(studio, step.number, 200.0, 170.0)


def main() -> None:
    collecting.seldom()  # as on the command line
    kind, *sizes = sys.argv[1:] or ("wall",)
    if kind == "full":
        with tempfile.TemporaryDirectory() as folder:
            path = full(Path(folder), *map(int, sizes or FULL))
            print(measured(path, DRAWN), flush=True)
        return
    for parts in map(int, sizes or USUAL):
        print(f"{kind} of {parts}", flush=True)
        print(measured(model_of(structure(kind, parts)), 0), flush=True)


if __name__ == "__main__":
    main()
