"""Which meshes are one shape: "the same print", wherever and however turned the file places it."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

import numpy as np

from steps.intake.congruence import Form, motion_between, motion_in_order
from steps.intake.meshes import TidyMesh
from steps.model import Array
from steps.progress import ticking


def distinct_shapes(meshes: Sequence[TidyMesh]) -> tuple[list[int], list[tuple[int, Array]]]:
    """Rows of the meshes that stand for a shape, and for each mesh its shape and motion.

    The motion (4, 4) brings the shape's mesh onto this one; shapes come in order of first appearance.
    """
    found = _Found()
    places = [found.place(row, mesh) for row, mesh in enumerate(ticking(meshes))]
    return found.rows, places


class _Found:
    """Shapes so far, with an index by their faces for copies in the same order, and by their lengths."""

    def __init__(self) -> None:
        self.rows: list[int] = []
        self.forms: list[Form] = []
        self.closed: list[bool] = []
        self.by_faces: dict[tuple[int, bytes], _Sorted] = {}  #: by their spans
        self.by_size = _Sorted()  #: by the first of their lengths
        self.coarsest = 0.0  #: greatest tolerance of all

    def place(self, row: int, mesh: TidyMesh) -> tuple[int, Array]:
        form = Form(mesh.vertices, mesh.faces, mesh.mending.reach_mm)
        key = (len(mesh.vertices), mesh.faces.tobytes())
        self.coarsest = max(self.coarsest, form.tolerance)
        for shape in self.by_faces.setdefault(key, _Sorted()).near(form.span, 2 * self.coarsest):
            motion = motion_in_order(self.forms[shape], form)
            if motion is not None:
                return shape, motion
        for shape in self._of_like_size(form):
            if self.closed[shape] != mesh.closed:
                continue
            motion = motion_between(self.forms[shape], form)
            if motion is not None:
                return shape, motion
        return self._new(row, form, mesh.closed, key), np.eye(4)

    def _of_like_size(self, form: Form) -> list[int]:
        slack = 8 * form.tolerance + 2e-5 * form.lengths.max()
        near = self.by_size.near(form.lengths[0], slack)
        return [shape for shape in near if (np.abs(self.forms[shape].lengths - form.lengths) <= slack).all()]

    def _new(self, row: int, form: Form, closed: bool, key: tuple[int, bytes]) -> int:
        self.rows.append(row)
        self.forms.append(form)
        self.closed.append(closed)
        self.by_faces[key].add(form.span, len(self.forms) - 1)
        self.by_size.add(float(form.lengths[0]), len(self.forms) - 1)
        return len(self.forms) - 1


class _Sorted:
    """Numbers by a length of each, to be asked which are near another length."""

    def __init__(self) -> None:
        self.lengths: list[float] = []
        self.numbers: list[int] = []

    def add(self, length: float, number: int) -> None:
        at = bisect_left(self.lengths, length)
        self.lengths.insert(at, length)
        self.numbers.insert(at, number)

    def near(self, length: float, within: float) -> list[int]:
        """In order of the numbers."""
        low, high = bisect_left(self.lengths, length - within), bisect_right(self.lengths, length + within)
        return sorted(self.numbers[low:high])
