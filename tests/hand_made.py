"""Models and plans made by hand from the demo solids, without any planner, for tests."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import trimesh

from demo_model.scene import DemoModel
from steps.model import Measure, Measures, Model, Order
from steps.planfile import (
    AdhesiveEntry,
    AssemblyEntry,
    JointEntry,
    PlanFile,
    ShapeEntry,
    SourceEntry,
    StepEntry,
    ViewEntry,
    part_entries,
)
from steps.prints import Prints, prepare, write_out
from steps.prints.adapter import Adapter
from steps.settings import Settings
from tests.models.files import model_of

DOWN = (0.0, 0.0, -1.0)
UP = (0.0, 0.0, 1.0)
PLA_G_PER_MM3 = 1.25e-3


def measures_of(model: Model, pitch: float | None = 10.0) -> Measures:
    """Solid masses; enough for plans whose numbers do not matter."""
    by_shape = {}
    for shape in model.shapes:
        mesh = trimesh.Trimesh(shape.vertices, shape.faces, process=False)
        by_shape[shape.id] = Measure(
            shape.id,
            f"block {shape.source}",
            np.array([0.0, 0.0, 1.0]),
            shape.size_mm,
            float(mesh.volume),
            float(mesh.area),
            mesh.center_mass,
            float(mesh.volume) * PLA_G_PER_MM3,
        )
    return Measures(by_shape, pitch)


def joint_entries(demo: DemoModel, model: Model) -> tuple[JointEntry, ...]:
    """The joints known by construction."""
    ids = {part.source: part.id for part in model.parts}
    return tuple(
        JointEntry(
            id=f"J{number}",
            kind=kind,
            a=ids[one],
            b=ids[two],
            axis=UP,
            contacts=contacts,
            gap_mm=0.085,
            depth_mm=2.6,
            snap_mm=0.0,
            fit="press",
            mark="press",
            hold_n=1.0,
            load_n=0.1,
            push_n=0.0,  # presses are tested apart
            glue_area_mm2=0.0,
            why="made by hand",
            touches=(),
        )
        for number, (one, two, kind, contacts) in enumerate(demo.known_joints, start=1)
    )


def step_entry(number: int, assembly: str, adds: Sequence[str], closes: Sequence[str], **more) -> StepEntry:
    """A step whose parts come straight down, unless ``more`` says otherwise."""
    values = {
        "number": number,
        "assembly": assembly,
        "adds": tuple(adds),
        "move": dict.fromkeys(adds, DOWN),
        "attaches": (),
        "closes": tuple(closes),
        "glues": (),
        "sitting": None,
        "needs_cured": (),
        "up": UP,
        "view": ViewEntry(azimuth=45.0, elevation=35.264),
        "seen": dict.fromkeys(adds, 1.0),
        "by": "helper",
        "hold": (),
        "wait_min": 0.0,
    }
    return StepEntry(**{**values, **more})


def plan_of(demo: DemoModel, groups: Sequence[Sequence[int]] | None = None) -> PlanFile:
    """Parts in the demo model's own order, straight down; ``groups`` are the indices in each step."""
    model = model_of(demo)
    measures = measures_of(model)
    joints = joint_entries(demo, model)
    groups = groups or [[row] for row in range(len(model.parts))]
    ids = [part.id for part in model.parts]
    built: set[str] = set()
    steps = []
    for number, rows in enumerate(groups, start=1):
        adds = [ids[row] for row in rows]
        built.update(adds)
        closes = [j.id for j in joints if {j.a, j.b} <= built and {j.a, j.b} & set(adds)]
        steps.append(step_entry(number, "A1", adds, closes))
    counts = {shape.id: sum(part.shape == shape.id for part in model.parts) for shape in model.shapes}
    return PlanFile(
        format="stepleaf-plan",
        version=1,
        source=SourceEntry(file=model.file, sha256=model.sha256),
        settings={},
        unit="mm",
        scale=1.0,
        pitch_mm=measures.pitch_mm,
        shapes=tuple(
            ShapeEntry(
                id=shape.id,
                name=measures.by_shape[shape.id].name,
                size_mm=tuple(shape.size_mm),
                volume_mm3=measures.by_shape[shape.id].volume_mm3,
                printed_g=measures.by_shape[shape.id].printed_g,
                studs=0,
                count=counts[shape.id],
            )
            for shape in model.shapes
        ),
        parts=part_entries(model),
        joints=joints,
        assemblies=(AssemblyEntry(id="A1", name="model", copies=(tuple(ids),)),),
        steps=tuple(steps),
        adhesive=AdhesiveEntry(family="none", volume_ml=0.0, fixture_min=0.0, cure_min=0.0),
        problems=(),
    )


def write_files(
    model: Model,
    measures: Measures,
    folder: Path,
    settings: Settings,
    order: Order | None = None,
    wedge: Adapter | None = None,
) -> Prints:
    """The print files of measures made by hand."""
    prints = prepare(model, measures, settings, order, wedge)
    write_out(prints, model, folder, settings)
    return prints
