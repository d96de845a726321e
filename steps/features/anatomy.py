"""One shape taken apart: its clean mesh, its cylinders with their roles, its balls and cups.

Everything here follows from the mesh alone and is measured once per shape; joints use it again.
"""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

from steps.features.mesh import Mesh, clean
from steps.features.patches import Sphere, round_patches
from steps.features.roles import Round, rounds
from steps.model import IntArray, Shape
from steps.remembered import remembered


@dataclass(frozen=True, eq=False)
class Anatomy:
    """One shape, taken apart."""

    mesh: Mesh
    rounds: tuple[Round, ...]
    spheres: tuple[Sphere, ...]
    surface: IntArray  #: (m,) per face: row in rounds, then len(rounds) + row in spheres, then planes

    @property
    def plugs(self) -> tuple[Round, ...]:
        """Whatever could go into another shape's hollow."""
        return tuple(r for r in self.rounds if r.role in ("boss", "sunk", "rod", "pin"))

    @property
    def first_plane(self) -> int:
        """Surface numbers from here on are flat or free-form."""
        return len(self.rounds) + len(self.spheres)


_known: WeakKeyDictionary[Shape, Anatomy] = WeakKeyDictionary()


def anatomy(shape: Shape) -> Anatomy:
    """Take a shape apart; remembered for as long as the shape lives."""
    found = _known.get(shape)
    if found is None:
        basis = (shape.vertices, shape.faces)
        found = _known[shape] = remembered("anatomy", basis, lambda: _take_apart(clean(*basis)))
    return found


def _take_apart(mesh: Mesh) -> Anatomy:
    cylinders, spheres = round_patches(mesh)
    found = rounds(mesh, cylinders)
    surface = mesh.planes + len(found) + len(spheres)
    for row, item in enumerate(found):
        surface[item.cylinder.faces] = row
    for row, sphere in enumerate(spheres):
        surface[sphere.faces] = len(found) + row
    return Anatomy(mesh, found, spheres, surface)
