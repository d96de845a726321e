"""The graph layer against published examples, and the planner's feasibility test against the pen's solids."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from steps.model import Measure, Measures, Model, Part, Shape
from steps.motion import Motion
from tests.assembly_graphs import and_or_graph, count_orders, orders, state_graph

# Ball-point pen: six parts, five liaisons (Bourjault 1984; De Fazio & Whitney, IEEE J. Robotics &
# Automation 3(6), 1987; counts computed from the stated rules).
LIAISONS = {
    "a": ("cap", "body"),
    "b": ("body", "head"),
    "c": ("head", "tube"),
    "d": ("tube", "ink"),
    "e": ("body", "button"),
}
PUBLISHED = "bacde bcade bcdae bcdea cbade cbdae cbdea cdbae cdbea cdeba cedba ecdba"


def obeys_pen_rules(done: frozenset, item: str) -> bool:
    """b before a; c before d; not (b and e both before d)."""
    if item == "a":
        return "b" in done
    if item == "d":
        return "c" in done and not {"b", "e"} <= done
    return True


def test_pen_by_rules():
    graph = state_graph("abcde", obeys_pen_rules)
    assert (count_orders(graph), len(graph), graph.number_of_edges()) == (12, 14, 21)
    levels = [sum(len(state) == size for state in graph) for size in range(6)]
    assert levels == [1, 3, 4, 3, 2, 1]
    assert {"".join(order) for order in orders(graph)} == set(PUBLISHED.split())


def revolved(profile: list[tuple[float, float]], sides: int = 96) -> tuple[np.ndarray, np.ndarray]:
    """Watertight solid of revolution about x from a closed outline of (x, radius)."""
    import manifold3d as m3

    outline = [(radius, x) for x, radius in profile]  # revolved about y by the library, and y becomes z
    body = m3.CrossSection([outline], m3.FillRule.NonZero).revolve(sides)
    mesh = body.to_mesh()
    vertices = np.asarray(mesh.vert_properties, dtype=float)[:, [2, 0, 1]]
    return vertices, np.asarray(mesh.tri_verts, dtype=int)


# Dimensions in mm: Cramer, KU Leuven, CC-BY 3.0. The profile runs round the material in (x, r).
PEN = {
    "head": [(0, 0), (16.685, 14), (16.685, 12), (21.685, 12), (21.685, 6), (26.685, 6), (26.685, 0)],
    "tube": [(21.685, 6), (21.685, 9), (111.685, 9), (111.685, 6)],
    "ink": [(29.185, 0), (29.185, 6), (109.185, 6), (109.185, 0)],
    "body": [(16.685, 12), (16.685, 15), (186.685, 15), (186.685, 12)],
    "button": [(182.685, 0), (182.685, 12), (186.685, 12), (186.685, 15), (194.685, 15), (194.685, 0)],
    "cap": [(-33.315, 0), (-33.315, 18), (46.685, 18), (46.685, 15), (-23.315, 15), (-23.315, 0)],
}


def pen_of(profiles: dict[str, list[tuple[float, float]]]) -> tuple[Motion, dict[str, int]]:
    solids = {name: revolved(profile) for name, profile in profiles.items()}
    shapes = tuple(Shape(f"S{k}", *solid, True, name) for k, (name, solid) in enumerate(solids.items()))
    parts = tuple(
        Part(f"P{k}", shape.source, shape.id, "#808080", "grey", np.eye(4)) for k, shape in enumerate(shapes)
    )
    up = np.array([0.0, 0, 1])
    measures = Measures(
        {s.id: Measure(s.id, s.source, up, s.size_mm, 1.0, 1.0, np.zeros(3), 1.0) for s in shapes}, None
    )
    model = Model("pen", "pen.stl", "", 1.0, shapes, parts)
    return Motion(model, measures), {part.source: row for row, part in enumerate(parts)}


@pytest.fixture(scope="module")
def pen() -> tuple[Motion, dict[str, int]]:
    return pen_of(PEN)


def separable(motion: Motion, one: set[int], two: set[int]) -> bool:
    """Whether the planner finds a straight move of one away from the other."""
    return any(
        not any(motion.blocks(a, b, way) for a in one for b in two) for way in range(len(motion.directions))
    )


def test_pen_solids_are_as_given():
    for name, profile in PEN.items():
        vertices, faces = revolved(profile)
        x = [point[0] for point in profile]
        assert vertices[:, 0].min() == pytest.approx(min(x)) and vertices[:, 0].max() == pytest.approx(max(x))
        corners = vertices[faces]
        volume = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum() / 6
        ring = zip(profile, [*profile[1:], profile[0]], strict=True)
        exact = abs(sum((x2 - x1) * (r1 * r1 + r1 * r2 + r2 * r2) for (x1, r1), (x2, r2) in ring)) * np.pi / 3
        assert volume == pytest.approx(exact, rel=2e-3), name  # 96 sides


def test_pen_by_solids(pen):
    """The planner's own blocking test, enumerated: 24 sequences, 18 states, 32 transitions (computed)."""
    graph = pen_graph(*pen)
    assert (count_orders(graph), len(graph), graph.number_of_edges()) == (24, 18, 32)
    by_rules = {
        "".join(p)
        for p in permutations("abcde")
        if p.index("b") < p.index("a")
        and not (p.index("b") < p.index("c") and p.index("e") < p.index("c"))
        and not max(p.index("b"), p.index("c"), p.index("e")) < p.index("d")
    }
    assert {"".join(order) for order in orders(graph)} == by_rules


def pen_graph(motion: Motion, row: dict[str, int]):
    """States of liaisons, each closed by a straight move that the planner finds free."""

    def may_follow(done, item):
        groups = {name: {name} for name in row}
        for liaison in done:
            one, two = LIAISONS[liaison]
            merged = groups[one] | groups[two]
            for name in merged:
                groups[name] = merged
        one, two = (groups[name] for name in LIAISONS[item])
        return separable(motion, {row[n] for n in one}, {row[n] for n in two})

    return state_graph("abcde", may_follow)


def test_the_counts_come_from_the_solids_and_the_rules():
    """Another solid or a rule less gives other counts: nothing is written down beforehand."""
    wide = [(0, 0), (16.685, 16), *PEN["head"][2:]]  # a head that the cap cannot pass
    graph = pen_graph(*pen_of({**PEN, "head": wide}))
    assert (count_orders(graph), len(graph), graph.number_of_edges()) != (24, 18, 32)
    loose = and_or_graph("CSRH", [tuple(p) for p in ("CS", "CR", "SR", "SH", "RH")], lambda one, two: True)
    assert loose.hyperarcs > 15
    after = {"lever": {"shaft"}}
    items = ["shaft", "lever", "square peg 1", "square peg 2", "spacer", "round peg 1", "round peg 2"]
    assert count_orders(state_graph(items, lambda done, item: after.get(item, set()) <= done)) == 2520


def test_four_part_product():
    """Homem de Mello & Sanderson 1990: 12 nodes, 15 hyperarcs, 8 trees, 10 orders. Rules, not solids."""
    connections = [tuple(pair) for pair in ("CS", "CR", "SR", "SH", "RH")]
    graph = and_or_graph("CSRH", connections, lambda one, two: one | two not in (set("CRH"), set("CSH")))
    assert (graph.nodes, graph.hyperarcs, graph.trees, graph.orders) == (12, 15, 8, 10)


def test_six_piece_burr():
    """Eppstein, 11011110.github.io, 2 Dec 2008: 24 states, 36 orders. Rules, not solids."""

    def valid(state):
        b = state & {"B1", "B2"}
        return (
            ("Z" not in state or len(state) == 6)
            and (len(b) < 2 or {"Y", "G1", "G2"} <= state)
            and (not ({"G1", "G2"} <= state and b) or "Y" in state)
        )

    graph = state_graph(["Y", "Z", "G1", "G2", "B1", "B2"], lambda done, item: valid(done | {item}))
    assert (len(graph), count_orders(graph)) == (24, 36)


def test_nine_part_plate():
    """Cranfield plate: 7 insertions, 840 orders. Rules, not solids."""
    first = {"lever": {"shaft"}, "spacer": {"square peg 1", "square peg 2"}}
    items = ["shaft", "lever", "square peg 1", "square peg 2", "spacer", "round peg 1", "round peg 2"]
    graph = state_graph(items, lambda done, item: first.get(item, set()) <= done)
    assert count_orders(graph) == 840 == len(orders(graph))


def test_dead_ends_are_left_out():
    """With a rule that nothing can satisfy there is no graph, and no order."""
    graph = state_graph("ab", lambda done, item: item == "a")
    assert len(graph) == 0 and count_orders(graph) == 0 and orders(graph) == []
    assert and_or_graph("abc", [("a", "b")], lambda one, two: True).nodes == 0
