"""Every family of buildable and unbuildable models, by name and seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from tests.models import blockwork, locked, published, scenes, sliding, tilted, turning
from tests.models.kit import Kit
from tests.models.structures import STRUCTURES, laid_out
from tests.models.value import Made, moved, shuffled

Maker = Callable[[Kit, int], Made]


def structures(kit: Kit, parts: int) -> Made:
    """One of the six structures, of at least so many parts that it is whole."""
    kind = list(STRUCTURES)[kit.whole(0, len(STRUCTURES) - 1)]
    made = laid_out(kind, max(70 if kind == "house" else 24, parts), kit.pieces, kit.random)
    return replace(made, family="structures")


#: Families that hands can build.
BUILDABLE: Mapping[str, Maker] = {
    "singles": blockwork.singles,
    "plain": blockwork.plain,
    "stacks": blockwork.stacks,
    "bridges": blockwork.bridges,
    "cantilevers": blockwork.cantilevers,
    "cages": blockwork.cages,
    "tied towers": blockwork.tied_towers,
    "hung": blockwork.hung,
    "hung courses": blockwork.hung_courses,
    "side studs": blockwork.side_studs,
    "drawers": sliding.drawers,
    "dovetails": sliding.dovetails,
    "rails": sliding.rails,
    "interlocked": sliding.interlocked,
    "keyholes": sliding.keyholes,
    "clamps": sliding.clamps,
    "boxes": sliding.boxes,
    "rings": turning.rings,
    "axles": turning.axles,
    "bayonets": turning.bayonets,
    "ball arms": turning.ball_arms,
    "tilted": tilted.tilted,
    "structures": structures,
    "scenes": scenes.scenes,
    "published": published.published,
}
#: Families that nobody can build.
UNBUILDABLE: Mapping[str, Maker] = {"locked": locked.locked, "floating": locked.floating}
FAMILIES: Mapping[str, Maker] = {**BUILDABLE, **UNBUILDABLE}


def family(
    name: str, seed: int, parts: int | None = None, *, most: int = 60, scale: float = 1.0, turn: bool = False
) -> Made:
    """A model of a family. ``parts`` is about what is asked for; drawn up to ``most`` when not given.

    ``turn`` lays it in any direction in space. Parts are shuffled: the file's order gives nothing away.
    """
    random = np.random.default_rng([seed, *name.encode()])
    asked = round(float(np.exp(random.uniform(np.log(2), np.log(most))))) if parts is None else parts
    made = FAMILIES[name](Kit.of(random, scale), asked)
    if turn:
        pose = np.eye(4)
        pose[:3, :3] = Rotation.random(random_state=random).as_matrix()
        made = moved(made, pose, "turned")
    return shuffled(made, random)
