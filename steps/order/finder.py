"""What the search for sub-assemblies looks at: the parts, how they stand, and what holds them together."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import networkx as nx
import numpy as np

from steps.model import Array, Joints, Measures, Model
from steps.motion import Motion, lets_go
from steps.order.site import holds_together, joints_among
from steps.progress import ticking


@dataclass(frozen=True, eq=False)
class Finder:
    """What the search for groups looks at."""

    model: Model
    measures: Measures
    joints: Joints
    motion: Motion
    ups: Array  #: (parts, 3) the way each part's studs point, model coordinates


def make_finder(model: Model, measures: Measures, joints: Joints, motion: Motion) -> Finder:
    """Gather the figures once."""
    local = np.array([measures.by_shape[shape.id].up for shape in model.shapes]).reshape(-1, 3)
    ups = np.einsum("pij,pj->pi", model.poses[:, :3, :3], local[model.shape_index])
    return Finder(model, measures, joints, motion, ups)


def holding_graph(finder: Finder, parts: Iterable[int], up: Array, moving: bool = True) -> nx.Graph:
    """What holds together among ``parts``; without joints that move unless asked for."""
    graph = nx.Graph()
    graph.add_nodes_from(sorted(parts))
    for joint in ticking(joints_among(finder.model, finder.joints, graph)):
        if holds_together(joint, up) and (moving or not lets_go(joint)):
            graph.add_edge(finder.model.index_of[joint.a], finder.model.index_of[joint.b])
    return graph
