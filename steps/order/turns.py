"""Turning the build: what it is called, and what would fall off.

A turn is one action: the whole build is laid another way, and it is told in one short sentence. Nothing
may lie on it loose: all that is built must hang together by grips or by glue that has set.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Literal

import networkx as nx
import numpy as np

from steps.model import Array, Joint
from steps.sides import level_axes
from steps.statics import Structure
from steps.ties import ranks

Turn = Literal[
    "over", "upright", "on its back", "on its front", "on its left side", "on its right side", "no turn"
]
#: Bodies are as heavy as each other when they differ by less than this share: printed ones differ by more.
SAME_MASS = 0.01
#: Less than this is no turn at all (cosine of 1 degree).
SAME_WAY = float(np.cos(np.radians(1.0)))
#: By more than this the build is turned over, not laid on a side (cosine of 120 degrees).
OVER = float(np.cos(np.radians(120.0)))
#: Within this of how it stands when finished, the build is upright (cosine of 45 degrees).
UPRIGHT = float(np.cos(np.radians(45.0)))


def turn_between(before: Array, after: Array, home: Array) -> Turn:
    """What to do so that ``after`` points up where ``before`` did.

    ``home`` (3,) points up when it is finished; front is least along y, left least along x then, as in
    the names of sub-assemblies.
    """
    if float(before @ after) >= SAME_WAY:
        return "no turn"
    if float(after @ home) >= UPRIGHT:
        return "upright"
    if float(after @ home) <= OVER:
        return "over"
    right, back = level_axes(home)
    sides: tuple[tuple[Turn, Array], ...] = (
        ("on its back", -back),
        ("on its front", back),
        ("on its left side", right),
        ("on its right side", -right),
    )
    return max(sides, key=lambda side: round(float(side[1] @ after), 6))[0]


def holds_turned(joint: Joint, glued: Collection[str] = ()) -> bool:
    """Whether the joint keeps its parts together whichever way the build lies."""
    return joint.id in glued or (joint.kind != "rest" and joint.hold_n > 0 and joint.fit != "loose")


def loose_parts(structure: Structure, rows: Sequence[int], glued: Collection[str] = ()) -> list[int]:
    """Of the parts ``rows``, those that fall off when the build is turned: all but the heaviest body."""
    index = structure.model.index_of
    graph = nx.Graph()
    graph.add_nodes_from(sorted(rows))
    for joint in structure.joints.joints:
        a, b = index[joint.a], index[joint.b]
        if a in graph and b in graph and holds_turned(joint, glued):
            graph.add_edge(a, b)
    bodies = sorted(map(sorted, nx.connected_components(graph)))
    masses = np.array([structure.bodies.mass_g[body].sum() for body in bodies])
    heaviest = int(np.argmax(ranks(masses, SAME_MASS * float(masses.max(initial=0.0))))) if bodies else 0
    return sorted(row for number, body in enumerate(bodies) for row in body if number != heaviest)
