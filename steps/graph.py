"""How the parts hang together: one node per part, one edge per joint."""

from __future__ import annotations

import networkx as nx

from steps.model import Joint, Joints, Model


def connection_graph(model: Model, joints: Joints) -> nx.Graph:
    """One node per part id (attributes ``shape``, ``source``), in the model's order; one edge per
    joint with the Joint itself as ``joint`` and its ``kind`` and ``contacts``."""
    graph = nx.Graph()
    for part in model.parts:
        graph.add_node(part.id, shape=part.shape, source=part.source)
    for joint in joints.joints:
        graph.add_edge(joint.a, joint.b, joint=joint, kind=joint.kind, contacts=joint.contacts)
    return graph


def grips(joint: Joint) -> bool:
    """Whether a joint holds its parts together rather than letting one lie on the other."""
    return joint.kind != "rest"


def held_graph(model: Model, joints: Joints) -> nx.Graph:
    """The connection graph without the joints that only rest."""
    graph = connection_graph(model, joints)
    graph.remove_edges_from([(a, b) for a, b, joint in graph.edges(data="joint") if not grips(joint)])
    return graph


def groups(graph: nx.Graph) -> tuple[tuple[str, ...], ...]:
    """Connected groups, each in the graph's node order, the groups by their first part."""
    rank = {node: row for row, node in enumerate(graph)}
    found = (tuple(sorted(group, key=rank.__getitem__)) for group in nx.connected_components(graph))
    return tuple(sorted(found, key=lambda group: rank[group[0]]))


def movable_groups(model: Model, joints: Joints) -> tuple[tuple[str, ...], ...]:
    """Groups that stay rigid when every joint that moves is let move: one group, nothing moves.

    Joints that only rest hold no group together.
    """
    graph = held_graph(model, joints)
    graph.remove_edges_from([(a, b) for a, b, joint in graph.edges(data="joint") if joint.moves])
    return groups(graph)


def articulation_parts(model: Model, joints: Joints) -> tuple[str, ...]:
    """Parts that alone hold others: without one of them its group falls into two."""
    graph = held_graph(model, joints)
    alone = set(nx.articulation_points(graph))
    return tuple(part for part in graph if part in alone)


def unheld_parts(model: Model, joints: Joints) -> tuple[str, ...]:
    """Parts that no joint grips: they touch nothing, or only rest."""
    return tuple(nx.isolates(held_graph(model, joints)))
