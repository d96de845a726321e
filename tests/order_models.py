"""Models for the order tests: demo models as the planner's input, with the joints known by construction."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from demo_model.lattice import Builder, block_piece
from demo_model.scene import DemoModel, shift
from demo_model.solids import Module
from steps.model import Joint, Joints, Measure, Measures, Model, Touch
from tests.models.files import model_of

#: Printed grams per solid mm3: PLA at 1.24 mg/mm3, a third of it printed. From memory; only ratios matter.
GRAMS_PER_MM3 = 1.24e-3 / 3


def mesh_volume(vertices: np.ndarray, faces: np.ndarray) -> tuple[float, np.ndarray]:
    """Volume and its centroid, by the divergence theorem."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    volume = six.sum() / 6
    return float(volume), (six[:, None] * (a + b + c)).sum(axis=0) / 24 / volume


def measures_of(model: Model, pitch_mm: float | None) -> Measures:
    """What the planner needs of the shapes; up is every solid's own z."""
    found = {}
    for shape in model.shapes:
        volume, centroid = mesh_volume(shape.vertices, shape.faces)
        found[shape.id] = Measure(
            shape.id,
            shape.source,
            np.array([0.0, 0, 1]),
            shape.size_mm,
            volume,
            0.0,
            centroid,
            volume * GRAMS_PER_MM3,
        )
    return Measures(found, pitch_mm)


def joint(
    model: Model, row: int, a: str, b: str, kind: str, contacts: int, axis: Sequence[float], snap: float = 0.0
) -> Joint:
    """A joint with the figures that ordering looks at."""
    at = model.part_by_id[a].pose[:3, 3]
    touch = Touch(
        kind, a, at, np.array(axis), 0.085, 0.085, 2.6, 1.0, np.zeros((0, 3)), np.zeros((0, 3)), snap_mm=snap
    )
    return Joint(
        f"J{row + 1}",
        kind,
        a,
        b,
        np.array(axis),
        contacts,
        0.085,
        2.6,
        snap,
        "press",
        kind == "ball",
        1.0,
        (0.5, 2.0),
        5.0 * contacts,
        0.0,
        "known by construction",
        (touch,),
    )


def joints_of(demo: DemoModel, model: Model) -> Joints:
    """The joints known by construction, each along its carrier's own z."""
    ids = {part.source: part.id for part in model.parts}
    return Joints(
        tuple(
            joint(model, row, ids[a], ids[b], kind, contacts, model.part_by_id[ids[a]].pose[:3, 2])
            for row, (a, b, kind, contacts) in enumerate(demo.known_joints)
        )
    )


def planner_input(demo: DemoModel, pitch_mm: float | None = 10.0) -> tuple[Model, Measures, Joints]:
    """All that plan_order asks for, but the settings."""
    model = model_of(demo)
    return model, measures_of(model, pitch_mm), joints_of(demo, model)


def barge(plates: int = 3, mast: int = 0, cargo: bool = False, pads: bool = False) -> DemoModel:
    """Bottom plates in a row, each on four feet, tied by side blocks; a mast; a crate that only lies there.

    No plate joins another before the sides are on, so each is put on its own feet first. With ``pads`` only
    the outermost feet reach the table, the others are half as high and hang: no plate stands by itself, and
    all of them go on from below, once the hull is turned over.
    """
    module = Module(clearance=0.03)  # every stud grips: what is turned over holds
    foot, plate = block_piece(1, 1, module), block_piece(4, 4, module, slabs=1)
    pad = block_piece(1, 1, module, slabs=1)
    side, lid = block_piece(4, 2, module), block_piece(4, 2, module, slabs=1, smooth=True)
    build = Builder("Barge", module)
    for k in range(plates):
        for number, (x, y) in enumerate(((0, 0), (3, 0), (0, 3), (3, 3)), 1):
            outer = 4 * k + x in (0, 4 * plates - 1)
            piece, level = (pad, 1) if pads and not outer else (foot, 0)
            build.add(f"foot {k + 1}.{number}", piece, "#34414d", 4 * k + x, y, level)
    for k in range(plates):
        build.add(f"bottom {k + 1}", plate, "#a63a2f", 4 * k, 0, 2)
    for row in (0, 2):
        for k in range(plates - 1):
            build.add(f"side {row} {k + 1}", side, "#f1eee4", 4 * k + 2, row, 3)
    for k in range(mast):
        build.add(f"mast {k + 1}", foot, "#d9a441", 4, 1, 5 + 2 * k)
    if cargo:
        build.add("lid", lid, "#8c6a48", 2, 2, 5)
        crate = block_piece(2, 2, module).solid
        build.put("crate", crate, "#3f7a5c", shift(30, 20, 6 * module.slab))
    return build.model()


def castle(towers: int = 2) -> DemoModel:
    """Equal towers on bases that a bridge joins; each tower carries a mast and two equal turrets."""
    module = Module()
    base, bridge = block_piece(8, 8, module, slabs=1), block_piece(8, 2, module)
    two, one = block_piece(2, 2, module), block_piece(1, 1, module)
    deck, cap = block_piece(8, 2, module, slabs=1), block_piece(2, 2, module, slabs=1, smooth=True)
    build = Builder("Castle", module)
    for k in range(towers):
        build.add(f"base {k + 1}", base, "#8d9297", 12 * k, 0, 0)
    for k in range(towers - 1):
        build.add(f"bridge {k + 1}", bridge, "#8d9297", 12 * k + 6, 3, 1)
    for k in range(towers):
        name, x = f"tower {k + 1}", 12 * k
        build.add(f"{name} foot", two, "#c9b48a", x + 3, 5, 1)
        build.add(f"{name} shaft", two, "#c9b48a", x + 3, 5, 3)
        build.add(f"{name} deck", deck, "#5f6b75", x, 5, 5)
        for turret, across in enumerate((0, 6), 1):
            for piece, label, colour, level in ((two, "low", "#b5472f", 6), (two, "high", "#ece9df", 8)):
                build.add(f"{name} turret {turret} {label}", piece, colour, x + across, 5, level)
            build.add(f"{name} turret {turret} cap", cap, "#e8a628", x + across, 5, 10)
        build.add(f"{name} mast", one, "#e8a628", x + 4, 5, 6)
    return build.model()
