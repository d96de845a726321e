"""The connection graph and what follows from it."""

from __future__ import annotations

from collections.abc import Sequence

import networkx as nx
import numpy as np

from demo_model import solids
from demo_model.beacon import beacon
from demo_model.tug import tug
from steps.graph import articulation_parts, connection_graph, groups, held_graph, movable_groups
from steps.model import Model
from tests.joint_cases import Solid, box, from_demo, joints_of, placed, rod, shift


def test_one_node_per_part_and_one_edge_per_joint() -> None:
    model = from_demo(beacon())
    joints = joints_of(model)
    graph = connection_graph(model, joints)
    assert list(graph) == [part.id for part in model.parts]
    assert graph.number_of_edges() == len(joints.joints)
    assert {data["joint"].id for _, _, data in graph.edges(data=True)} == set(joints.by_id)
    assert nx.is_connected(graph)


def test_the_tugs_crane_arm_moves_against_the_rest() -> None:
    """One ball joint divides the model in two groups: the arm, and all the others."""
    demo = tug()
    model = from_demo(demo)
    joints = joints_of(model)
    found = movable_groups(model, joints)
    assert len(found) == 2
    arm = {model.part_by_id[part].source for part in min(found, key=len)}
    assert arm and all("arm" in name or "crane" in name or "hook" in name for name in arm)
    ball = next(j for j in joints.joints if j.kind == "ball")
    assert {ball.a in found[0], ball.b in found[0]} == {True, False}


def test_articulation_parts_of_a_column() -> None:
    block = Solid(*_arrays(solids.block(2, 2)))
    model = placed([(block, shift(0, 0, 10 * i)) for i in range(4)])
    assert articulation_parts(model, joints_of(model)) == ("P2", "P3")


def _arrays(solid: solids.Solid) -> tuple[np.ndarray, np.ndarray]:
    return solid.vertices, solid.faces


def test_resting_holds_no_group_together() -> None:
    cube = box((0, 0, 0), (10, 10, 10))
    model = placed([(cube, np.eye(4)), (cube, shift(0, 0, 10))])
    joints = joints_of(model)
    assert groups(connection_graph(model, joints)) == (("P1", "P2"),)
    assert groups(held_graph(model, joints)) == (("P1",), ("P2",))


def test_a_wheel_on_a_peg_is_a_group_of_its_own() -> None:
    base = box((-5, -5, -5), (5, 5, 0)) + rod(2.7, 11, (0, 0, -1))
    wheel = rod(8, 5, (0, 0, 1)) - rod(3.1, 7, (0, 0, 0))
    model = placed([(base, np.eye(4)), (wheel, np.eye(4))])
    assert movable_groups(model, joints_of(model)) == (("P1",), ("P2",))


def test_inspect_names_rigid_groups_and_sole_holders() -> None:
    from steps.features import measure
    from steps.inspect_report import graph_lines, inspection
    from steps.pipeline import Survey
    from steps.settings import Settings

    base = box((-5, -5, -5), (5, 5, 0)) + rod(2.7, 11, (0, 0, -1))
    wheel = rod(8, 5, (0, 0, 1)) - rod(3.1, 7, (0, 0, 0))
    model = placed([(base, np.eye(4)), (wheel, np.eye(4))], names=["axle", "wheel"])
    report = inspection(Survey(model, measure(model, Settings()), joints_of(model)), Settings())
    assert report.rigid_groups == (("P1",), ("P2",))
    assert graph_lines(report) == ["Groups that stay rigid while joints move or rest (2): axle; wheel."]
    block = Solid(*_arrays(solids.block(2, 2)))
    column = placed([(block, shift(0, 0, 10 * i)) for i in range(4)])
    report = inspection(Survey(column, measure(column, Settings()), joints_of(column)), Settings())
    assert report.sole_holders == ("P2", "P3")
    assert graph_lines(report) == ["Alone hold others (2): item 2, item 3."]


def _beams(pins: Sequence[float]) -> Model:
    """Two beams on each other, joined by plain pins through their holes at x."""
    beam = box((0, 0, 0), (33, 11, 9))
    for x in (5.5, 16.5, 27.5):
        beam -= rod(2.75, 11, (x, 5.5, -1))
    pin = rod(2.7, 18)
    items = [(beam, np.eye(4)), (beam, shift(0, 0, 9)), *((pin, shift(x, 5.5, 0)) for x in pins)]
    return placed(items)


def test_one_pin_lets_two_beams_turn_and_two_pins_do_not() -> None:
    one = _beams([16.5])
    assert movable_groups(one, joints_of(one)) == (("P1",), ("P2",), ("P3",))
    two = _beams([5.5, 16.5])
    assert movable_groups(two, joints_of(two)) == (("P1", "P2"), ("P3",), ("P4",))


def test_two_pins_on_one_line_still_let_it_turn() -> None:
    """A door on two pins of one line: through-holes above each other."""
    post = box((-8, -5, 0), (9, 5, 4)) + box((-8, -5, 26), (9, 5, 30)) + box((-8, -5, 0), (-6, 5, 30))
    post -= rod(2.75, 40, (4, 0, -1))
    door = box((0, -5, 4), (40, 5, 26)) - rod(2.75, 40, (4, 0, -1))
    pin = rod(2.7, 10)
    items = [(post, np.eye(4)), (door, np.eye(4)), (pin, shift(4, 0, 0)), (pin, shift(4, 0, 20))]
    model = placed(items)
    assert len(movable_groups(model, joints_of(model))) == 4
