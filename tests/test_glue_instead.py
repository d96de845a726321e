"""The next best joint for each glued one, against trying every other joint in its place."""

from __future__ import annotations

import networkx as nx
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from steps.glue.instead import next_best
from steps.glue.master import Ties, least_effort
from tests.test_verify_mutations import good


def pieces_of(ties: Ties, rows: frozenset[int]) -> int:
    graph = nx.Graph()
    graph.add_nodes_from(range(ties.pieces))
    graph.add_edges_from((int(ties.low[row]), int(ties.high[row])) for row in rows)
    return int(nx.number_connected_components(graph))


def tried(ties: Ties, glued: frozenset[int]) -> dict[int, int]:
    """Every joint in place of every glued one whose loss leaves more pieces."""
    whole, found = pieces_of(ties, glued), {}
    able = [row for row in np.flatnonzero(np.isfinite(ties.cost)).tolist() if row not in glued]
    for row in sorted(glued):
        less = glued - {row}
        if pieces_of(ties, less) == whole:
            continue
        good = [other for other in able if pieces_of(ties, less | {other}) == whole]
        if good:
            found[row] = min(good, key=lambda other: (float(ties.cost[other]), other))
    return found


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10_000))
def test_the_next_best_is_the_cheapest_that_ties_the_same(seed):
    """Random joints between random pieces, some not to be glued; a least set, or that and some more."""
    generator = np.random.default_rng(seed)
    pieces, count = int(generator.integers(2, 9)), int(generator.integers(1, 22))
    low, high = generator.integers(0, pieces, size=(2, count))
    cost = generator.uniform(1, 2, size=count).round(1)
    cost[generator.random(count) < 0.2] = np.inf
    ties = Ties(low, high, pieces, cost, np.zeros(count, dtype=bool), True)
    glued = least_effort(ties, ()).joints
    more = frozenset(np.flatnonzero(np.isfinite(cost) & (generator.random(count) < 0.2)).tolist())
    for some in (glued, glued | more):
        assert dict(next_best(ties, some)) == tried(ties, some)


def test_a_ring_of_three_is_tied_by_its_third_joint_and_a_tail_by_none():
    """Pieces 0, 1, 2 in a ring, and 3 on 2 alone; two joints between 3 and 4, both glued."""
    low, high = np.array([0, 1, 0, 2, 3, 3]), np.array([1, 2, 2, 3, 4, 4])
    ties = Ties(low, high, 5, np.array([1.0, 1, 2, 1, 1, 1]), np.zeros(6, dtype=bool), True)
    assert dict(next_best(ties, [0, 1, 3, 4, 5])) == {0: 2, 1: 2}


def test_the_plan_names_the_next_best_of_glued_joints():
    """Of the beacon, in whose ring of walls one joint more closes what is tied: not glued, and not what
    moves."""
    _, data = good()
    joints = {each["id"]: each for each in data["joints"]}
    told = {name: each["instead"] for name, each in joints.items() if each["instead"]}
    assert told and all(joints[name]["mark"] == "glue" for name in told)
    assert all(joints[other]["mark"] in ("press", "rest") for other in told.values())
