"""Models for tests of statics and glue: plain boxes on a lattice, whose joints are known by construction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steps.model import Joint, Joints, Measure, Measures, Model, Part, Shape, Touch

PITCH = 10.0
HEIGHT = 10.0
STUD_RADIUS = 3.3
STUD_HEIGHT = 2.6

BOX = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
BOX_FACES = [
    (0, 2, 1), (1, 2, 3), (4, 5, 6), (5, 7, 6), (0, 1, 4), (1, 5, 4),
    (2, 6, 3), (3, 6, 7), (0, 4, 2), (2, 4, 6), (1, 3, 5), (3, 7, 5),
]  # fmt: skip


@dataclass(frozen=True)
class Cell:
    """A block of ``nx`` x ``ny`` studs whose lower corner is at lattice place (x, y, z)."""

    x: float
    y: float
    z: float
    nx: int
    ny: int


@dataclass(frozen=True)
class Stack:
    model: Model
    measures: Measures
    joints: Joints


def stack(
    cells: Sequence[Cell],
    hold_per_stud: float = 1.0,
    gap: float = 0.085,
    gram_per_cell: float = 1.0,
    moves: Sequence[int] = (),
    scale: float = 1.0,
    fits: dict[tuple[int, int], str] | None = None,
) -> Stack:
    """Blocks in the given cells; parts are P1, P2, ... in order, joints J1, ... by parts' rows.

    Studs hold ``hold_per_stud`` newtons each and touch at four points; blocks also rest on each other.
    """
    kinds = sorted({(cell.nx, cell.ny) for cell in cells})
    pitch, height = PITCH * scale, HEIGHT * scale
    shapes = tuple(
        Shape(f"S{row + 1}", BOX * (nx * pitch, ny * pitch, height), BOX_FACES, True)
        for row, (nx, ny) in enumerate(kinds)
    )
    parts = []
    for row, cell in enumerate(cells):
        pose = np.eye(4)
        pose[:3, 3] = (cell.x * pitch, cell.y * pitch, cell.z * height)
        shape = f"S{kinds.index((cell.nx, cell.ny)) + 1}"
        parts.append(Part(f"P{row + 1}", f"cell {row + 1}", shape, "#808080", "grey", pose))
    model = Model("stack", "stack.3mf", "0" * 64, scale, shapes, tuple(parts))
    measures = Measures(
        {
            f"S{row + 1}": Measure(
                f"S{row + 1}",
                f"block {min(nx, ny)} x {max(nx, ny)}",
                (0, 0, 1),
                [*sorted((nx * pitch, ny * pitch), reverse=True), height],
                nx * ny * pitch**2 * height,
                2 * (nx * ny * pitch**2 + (nx + ny) * pitch * height),
                (nx * pitch / 2, ny * pitch / 2, height / 2),
                gram_per_cell * nx * ny,
            )
            for row, (nx, ny) in enumerate(kinds)
        },
        pitch,
    )
    return Stack(
        model, measures, Joints(tuple(_joints(cells, hold_per_stud, gap, set(moves), scale, fits or {})))
    )


def _joints(cells, hold_per_stud, gap, moves, scale, fits):
    by_level: dict[float, list[int]] = {}
    for row, cell in enumerate(cells):
        by_level.setdefault(cell.z, []).append(row)
    found = []
    for row, cell in enumerate(cells):
        for other in by_level.get(cell.z + 1, []):
            shared = _shared(cell, cells[other])
            if shared:
                found.append((min(row, other), max(row, other), row, other, shared))
    for number, (_, _, lower, upper, shared) in enumerate(sorted(found)):
        yield _joint(number, lower, upper, shared, cells, hold_per_stud, gap, number in moves, scale, fits)


def _shared(lower: Cell, upper: Cell):
    x0, x1 = max(lower.x, upper.x), min(lower.x + lower.nx, upper.x + upper.nx)
    y0, y1 = max(lower.y, upper.y), min(lower.y + lower.ny, upper.y + upper.ny)
    return (x0, x1, y0, y1) if x1 - x0 > 1e-9 and y1 - y0 > 1e-9 else None


def _joint(number, lower, upper, shared, cells, hold_per_stud, gap, moves, scale, fits):
    x0, x1, y0, y1 = shared
    pitch, top = PITCH * scale, (cells[lower].z + 1) * HEIGHT * scale
    touches = []
    base = cells[lower]
    round_stud = STUD_RADIUS * scale * np.array([(1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, -1, 0)])
    for i in range(base.nx):
        for j in range(base.ny):
            x, y = base.x + i + 0.5, base.y + j + 0.5
            if x0 < x < x1 and y0 < y < y1:
                foot = np.array([x * pitch, y * pitch, top + STUD_HEIGHT * scale / 2])
                touches.append(
                    Touch(
                        "stud", f"P{lower + 1}", foot, (0, 0, 1), gap, gap, STUD_HEIGHT * scale,
                        2 * np.pi * STUD_RADIUS * STUD_HEIGHT * scale**2, foot + round_stud,
                        round_stud / np.linalg.norm(round_stud, axis=1, keepdims=True),
                        radius_mm=STUD_RADIUS * scale, bond_gap_mm=gap,
                    )
                )  # fmt: skip
    studs = len(touches)
    corners = np.array([(x, y, top / pitch) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]) * pitch
    touches.append(
        Touch(
            "rest", f"P{lower + 1}", corners.mean(axis=0), (0, 0, 1), 0.0, 0.0, 0.0,
            (x1 - x0) * (y1 - y0) * pitch**2, corners, np.tile((0.0, 0.0, 1.0), (4, 1)),
        )
    )  # fmt: skip
    fit = fits.get((lower, upper), "press" if hold_per_stud > 0 else "loose")
    hold = studs * hold_per_stud if fit in ("press", "tight", "slide") else 0.0
    return Joint(
        f"J{number + 1}",
        "stud" if studs else "rest",
        f"P{lower + 1}",
        f"P{upper + 1}",
        (0, 0, 1),
        studs,
        gap,
        STUD_HEIGHT * scale,
        0.0,
        fit if studs else "none",
        moves,
        hold,
        (0.5 * hold, 2 * hold),
        3 * hold,
        sum(touch.area_mm2 for touch in touches[:studs]) if studs else 0.0,
        f"gap {gap} mm per side: {fit}",
        tuple(touches),
        hold_low_n=hold,  # known, not estimated
        hold_high_n=hold,
    )
