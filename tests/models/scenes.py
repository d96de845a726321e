"""Several separate things on one table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from demo_model.scene import shift
from tests.models.blockwork import cantilevers, stacks, tied_towers
from tests.models.kit import Kit
from tests.models.sliding import boxes, drawers
from tests.models.value import Made, Put, moved

THINGS = (stacks, cantilevers, tied_towers, drawers, boxes)


def scenes(kit: Kit, parts: int) -> Made:
    """Two to four small things of other families, a hand's breadth apart."""
    count = kit.whole(2, 4)
    made: list[Made] = []
    x = 0.0
    for number in range(1, count + 1):
        thing = THINGS[kit.whole(0, len(THINGS) - 1)](kit, max(2, parts // count))
        low, high = extent(thing)
        thing = moved(thing, shift(x - low[0], -low[1], 0.0))
        made.append(renamed(thing, f"thing {number}"))
        x += high[0] - low[0] + 3 * kit.m.pitch
    return Made(
        f"scene of {count} things",
        {key: solid for thing in made for key, solid in thing.solids.items()},
        tuple(part for thing in made for part in thing.placed),
        tuple(joint for thing in made for joint in thing.joints),
        tuple(put for thing in made for put in thing.moves),
        "scenes",
        heaps=sum(thing.heaps for thing in made),
        touch_mm=min(thing.touch_mm for thing in made),
        shells={key: shells for thing in made for key, shells in thing.shells.items()},
    )


def extent(made: Made) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest corner of a model, mm."""
    lows, highs = [], []
    for part in made.placed:
        corners = made.solids[part.solid_key].bounds
        grid = np.array(np.meshgrid(*corners.T, indexing="ij")).reshape(3, -1).T
        spots = grid @ part.pose[:3, :3].T + part.pose[:3, 3]
        lows.append(spots.min(axis=0))
        highs.append(spots.max(axis=0))
    return np.min(lows, axis=0), np.max(highs, axis=0)


def renamed(made: Made, prefix: str) -> Made:
    """The same with every part, solid and bench but the main one named apart."""

    def of(name: str) -> str:
        return f"{prefix}: {name}"

    def put(move: Put) -> Put:
        bench = of(move.bench) if move.bench else ""
        return replace(move, moving=tuple(of(name) for name in move.moving), bench=bench)

    return replace(
        made,
        solids={of(key): replace(solid, name=of(key)) for key, solid in made.solids.items()},
        placed=tuple(replace(part, name=of(part.name), solid_key=of(part.solid_key)) for part in made.placed),
        joints=tuple(replace(joint, a=of(joint.a), b=of(joint.b)) for joint in made.joints),
        moves=tuple(put(move) for move in made.moves),
        shells={of(key): shells for key, shells in made.shells.items()},
        locked=tuple(frozenset(of(name) for name in names) for names in made.locked),
    )
