"""Which meshes are one shape: "the same print", wherever and however turned the file places it."""

from __future__ import annotations

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
        self.by_faces: dict[tuple[int, bytes], list[tuple[int, float]]] = {}
        self.lengths = np.empty((0, 5))

    def place(self, row: int, mesh: TidyMesh) -> tuple[int, Array]:
        form = Form(mesh.vertices, mesh.faces)
        key = (len(mesh.vertices), mesh.faces.tobytes())
        for shape, span in self.by_faces.get(key, []):
            one = self.forms[shape]
            if abs(span - form.span) > 2 * max(one.tolerance, form.tolerance):
                continue
            motion = motion_in_order(one, form)
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
        if not len(self.lengths):
            return []
        slack = 8 * form.tolerance + 2e-5 * form.lengths.max()
        return np.flatnonzero((np.abs(self.lengths - form.lengths) <= slack).all(axis=1)).tolist()

    def _new(self, row: int, form: Form, closed: bool, key: tuple[int, bytes]) -> int:
        self.rows.append(row)
        self.forms.append(form)
        self.closed.append(closed)
        self.by_faces.setdefault(key, []).append((len(self.forms) - 1, form.span))
        self.lengths = np.vstack([self.lengths, form.lengths])
        return len(self.forms) - 1
