"""Models made unbuildable on purpose, each with the sets that lock, minimal by inclusion.

What is locked stands among blocks that are not, so that the refusal has something to leave out.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from manifold3d import Manifold as Body

from demo_model.solids import Bulk
from tests.models.kit import Kit, at, cuboid, made_of, rod
from tests.models.lattice import Site
from tests.models.shapes import with_cavity
from tests.models.sliding import floor_thickness, studded
from tests.models.value import Made


def shut(kit: Kit, site: Site, z: float) -> frozenset[str]:
    """A box in one piece round something loose."""
    p = kit.m.pitch
    inside = cuboid((1.2 * p, 1.2 * p, 0.8 * p))
    box = cuboid((2.4 * p, 2.4 * p, 2.0 * p)) - cuboid((1.8 * p, 1.8 * p, 1.4 * p), (0.3 * p,) * 3)
    site.put("shut box", _hollow("shut box", box), kit.colour(), at(0, 0, z))
    site.put("shut in", made_of("shut in", inside), kit.colour(), at(0.5 * p, 0.5 * p, z + 0.3 * p))
    site.join("shut box", "shut in", "rest", 0, free=True)
    return frozenset(("shut box", "shut in"))


def _hollow(name: str, body: Body) -> Bulk:
    """A mesh of two shells, one inside the other."""
    mesh = body.to_mesh64()
    return Bulk(name, np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64))


def dumbbell(kit: Kit, site: Site, z: float) -> frozenset[str]:
    """A bar with thick ends, in one piece, through a plate's hole."""
    p, gap = kit.m.pitch, 1.3 * kit.m.clearance
    plate = cuboid((4 * p, 4 * p, 0.6 * p)) - rod(0.5 * p + gap, 9 * p, 32, (2 * p, 2 * p, -p))
    bar = rod(p, 0.5 * p, 32) + rod(0.5 * p, 1.7 * p, 32) + rod(p, 0.5 * p, 32, (0, 0, 1.2 * p))
    site.put("dumbbell", made_of("dumbbell", bar), kit.colour(), at(2 * p, 2 * p, z))
    site.put("holed plate", made_of("holed plate", plate), kit.colour(), at(0, 0, z + 0.5 * p))
    site.join("dumbbell", "holed plate", ("peg", "hinge", "rest"), None, free=True)
    return frozenset(("dumbbell", "holed plate"))


def bracket(kit: Kit, site: Site, z: float) -> frozenset[str]:
    """A block whose studs and sockets both engage one bracket, above and below."""
    m = kit.m
    floor, c, tall = floor_thickness(kit), m.clearance, m.block
    back = 0.8 * m.pitch
    low = cuboid((2 * m.pitch - c, 2 * m.pitch - 2 * c, floor), (c, c, 0))
    low = studded(low, 2, 2, floor, kit)
    high = with_cavity(cuboid((2 * m.pitch - c, 2 * m.pitch - 2 * c, floor), (c, c, 0)), 2, 2, (0.0, 0.0), m)
    rear = cuboid((back, 2 * m.pitch - 2 * c, 2 * floor + tall), (2 * m.pitch + c, c, 0))
    for z_low in (0, floor + tall):
        rear += cuboid((6 * c, 2 * m.pitch - 2 * c, floor), (2 * m.pitch - 3 * c, c, z_low))
    body = low + high.translate([0, 0, floor + tall]) + rear
    site.put("bracket", made_of("bracket", body), kit.colour(), at(0, 0, z))
    site.put("held block", kit.pieces.block(2, 2).solid, kit.colour(), at(0, 0, z + floor))
    site.join("bracket", "held block", "stud", 8)
    return frozenset(("bracket", "held block"))


def frames(kit: Kit, site: Site, z: float) -> frozenset[str]:
    """Three oblong frames through one another (Borromean): any two come apart, all three do not."""
    p = kit.m.pitch
    thick, wide, long = 0.5 * p, 1.4 * p, 2.6 * p  # bar, and half the outer measures
    frame = cuboid((2 * long, 2 * wide, thick), (-long, -wide, -thick / 2))
    hole = cuboid((2 * (long - thick), 2 * (wide - thick), 9 * p), (thick - long, thick - wide, -4 * p))
    ring = made_of("oblong frame", frame - hole)
    cyclic = np.array([[0.0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    second = z + wide + thick  # the second lies on the third's lower bar, the first on the second's
    first = second - wide + 1.5 * thick
    site.put("frame 1", ring, kit.colour(), at(0, 0, first))
    site.put("frame 2", ring, kit.colour(), at(0, 0, second) @ cyclic)
    site.put("frame 3", ring, kit.colour(), at(0, 0, z + long) @ cyclic @ cyclic)
    site.join("frame 3", "frame 2", "rest", 0)
    site.join("frame 2", "frame 1", "rest", 0)
    return frozenset(f"frame {k}" for k in (1, 2, 3))


Lock = Callable[[Kit, Site, float], frozenset[str]]
LOCKS: tuple[Lock, ...] = (shut, dumbbell, bracket, frames)


def locked(kit: Kit, parts: int, lock: Lock | None = None) -> Made:
    """A wall of ordinary blocks, and beside it on the table what cannot be put together."""
    site = kit.site(f"locked among {parts}")
    m = kit.m
    chosen = lock or LOCKS[kit.whole(0, len(LOCKS) - 1)]
    locking = chosen(kit, site, 0.0)
    count = max(1, parts - len(locking))
    z = 0.0
    for level in range(max(2, count // 2 + 1)):
        for half in (0, 2):
            x, y = (8, half) if level % 2 == 0 else (8 + half, 0)
            name = f"block {level + 1}.{half // 2 + 1}"
            site.add(name, kit.pieces.block(4, 2), kit.colour(), x, y, z, quarters=level % 2)
        z += m.block
    return site.made("locked", locked=(locking,), heaps=2)


def floating(kit: Kit, parts: int) -> Made:
    """A tower and one block in the air that nothing touches."""
    site = kit.site(f"floating beside {parts}")
    m = kit.m
    for level in range(max(2, parts - 1)):
        site.add(f"block {level + 1}", kit.pieces.block(4, 2), kit.colour(), 0, 0, level * m.block)
    name = "in the air"
    site.add(name, kit.pieces.block(2, 2), kit.colour(), 7, 0, kit.between(1.2, 1.8) * m.block)
    return site.made("floating", locked=(frozenset((name,)),))
