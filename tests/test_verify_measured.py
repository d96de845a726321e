"""Gaps, counts and areas by cuts through the meshes agree with what joining found, and with what was built;
a plan that is changed so that it still agrees with itself is found out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest

from steps.model import Model
from steps.pipeline import survey
from steps.planfile import JointEntry, TouchEntry, joint_entry
from steps.settings import Settings
from steps.verify.measured import CrossCut, check_measured
from steps.verify.report import Check
from steps.verify.solids import Solids, Surface
from tests.joint_cases import box, joints_of, placed, shift
from tests.models.families import family
from tests.models.files import model_of

#: Families with every kind of contact: studs, side studs, round pegs, tails, tenons, balls, faces.
KINDS = (
    "stacks",
    "side studs",
    "hung courses",
    "dovetails",
    "interlocked",
    "boxes",
    "rings",
    "axles",
    "bayonets",
    "ball arms",
    "published",
)
TOLERANCE_MM = 0.5


@cache
def joined(name: str, scale: float, seed: int = 3) -> tuple[Model, tuple[JointEntry, ...]]:
    found = survey(model_of(family(name, seed, most=8), scale), Settings(scale=scale))
    assert found.joints is not None
    return found.model, tuple(joint_entry(joint, "press", 0.0, "") for joint in found.joints.joints)


def measured(model: Model, joints: tuple[JointEntry, ...], scale: float = 1.0) -> Check:
    plan = SimpleNamespace(joints=joints, pitch_mm=None)
    return check_measured(plan, model, Solids(model, TOLERANCE_MM * scale))


def test_faces_a_little_apart_lie_on_each_other_however_thin_their_parts_are() -> None:
    """Two boards of 60 x 10 x 1 drawn 0.05 mm apart, edge to edge: more than they may be drawn into each
    other."""
    board = box((0, 0, 0), (60, 10, 1))
    model = placed([(board, np.eye(4)), (board, shift(0, 10.05, 0))])
    found = survey(model, Settings())
    assert found.joints is not None
    joints = tuple(joint_entry(joint, "rest", 0.0, "") for joint in found.joints.joints)
    plan = SimpleNamespace(joints=joints, pitch_mm=None)
    check = check_measured(plan, model, Solids(model, 0.03))
    assert check.looked_at == 1 and check.ok, [str(fault) for fault in check.faults]


@pytest.mark.parametrize("scale", [1.0, 4.0])
@pytest.mark.parametrize("name", KINDS)
def test_what_is_joined_is_what_the_meshes_have(name: str, scale: float) -> None:
    model, joints = joined(name, scale)
    check = measured(model, joints, scale)
    assert check.ok, [str(fault) for fault in check.faults]
    assert check.looked_at == sum(
        touch.kind != "rest" or touch.area_mm2 > 0 for joint in joints for touch in joint.touches
    )
    assert check.looked_at > 0


def changed(joint: JointEntry, change: Callable[[TouchEntry], TouchEntry | None]) -> JointEntry:
    """The joint with its first touch of its kind changed, or left out, and told as its touches are."""
    first = next(touch for touch in joint.touches if touch.kind == joint.kind)
    touches = [change(touch) if touch is first else touch for touch in joint.touches]
    left = tuple(touch for touch in touches if touch is not None)
    own = [touch for touch in left if touch.kind == joint.kind]
    return joint.model_copy(
        update={"touches": left, "contacts": len(own), "gap_mm": min(touch.gap_mm for touch in own)}
    )


def some(joints: Iterable[JointEntry], kind: str = "") -> list[JointEntry]:
    """The first of each kind, or a few of one."""
    if kind:
        return [joint for joint in joints if joint.kind == kind][:3]
    return list({joint.kind: joint for joint in reversed(tuple(joints))}.values())


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("by_mm", [-0.5, 0.5])
def test_another_gap_is_found_out(name: str, by_mm: float) -> None:
    model, joints = joined(name, 4.0)
    for joint in some(joints):
        if joint.kind != "rest":
            wrong = changed(joint, lambda touch: touch.model_copy(update={"gap_mm": touch.gap_mm + by_mm}))
            check = measured(model, (wrong,), 4.0)
            assert check.faults, f"{joint.id} of {name}"
            assert "by the meshes" in check.faults[0].text


@pytest.mark.parametrize("name", ["stacks", "hung courses", "axles", "published"])
def test_a_stud_that_is_left_out_is_found_out(name: str) -> None:
    model, joints = joined(name, 1.0)
    several = some((joint for joint in joints if joint.contacts > 1), "stud")
    assert several or name == "published"
    for joint in several:
        check = measured(model, (changed(joint, lambda touch: None),))
        assert any("the plan has none there" in fault.text for fault in check.faults), joint.id


def test_a_stud_where_none_is_is_found_out() -> None:
    model, joints = joined("hung courses", 1.0)
    for joint in some(joints, "stud"):
        size = model.shape_by_id[model.part_by_id[joint.a].shape].size_mm
        moved = changed(
            joint,
            lambda touch, size=size: touch.model_copy(
                update={"point": tuple(np.array(touch.point) + 2 * size)}
            ),
        )
        assert measured(model, (moved,)).faults, joint.id


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_another_area_is_found_out(share: float) -> None:
    model, joints = joined("boxes", 1.0)
    rests = some((joint for joint in joints if joint.touches[0].area_mm2 > 0), "rest")
    assert rests
    for joint in rests:
        wrong = changed(joint, lambda touch: touch.model_copy(update={"area_mm2": share * touch.area_mm2}))
        assert measured(model, (wrong,)).faults, joint.id


@pytest.mark.parametrize(("other", "right"), [(0.25, True), (0.3, False)])
def test_a_face_told_in_pieces_is_as_large_as_they_are_together(other: float, right: bool) -> None:
    model, joints = joined("boxes", 1.0)
    for joint in some((joint for joint in joints if joint.touches[0].area_mm2 > 0), "rest"):
        whole = joint.touches[0]
        halves = [whole.model_copy(update={"area_mm2": share * whole.area_mm2}) for share in (0.75, other)]
        told = joint.model_copy(update={"touches": (*halves, *joint.touches[1:])})
        assert measured(model, (told,)).ok is right, joint.id


# ------------------------------------------------------------------------------ a cut, by closed forms


def surface(solid: manifold3d.Manifold) -> Surface:
    mesh = solid.to_mesh64()
    return Surface(np.asarray(mesh.vert_properties[:, :3]), np.asarray(mesh.tri_verts, dtype=np.int64))


@pytest.mark.parametrize("facets", [8, 12, 30, 96])
def test_facets_leave_the_band_in_which_their_circle_lies(facets: int) -> None:
    """A bore through corners at 5 mm: its facets stand 5 (1 - cos(pi / n)) inside its circle."""
    bore = manifold3d.Manifold.cylinder(10.0, 5.0, circular_segments=facets)
    block = manifold3d.Manifold.cube((20, 20, 8), center=True) - bore.translate((0, 0, -5))
    cut = CrossCut.of(surface(block), np.array([0.0, 0.0, 1.0]), 1.0)
    far, bulge = cut.walls()
    assert far == pytest.approx(5 * np.cos(np.pi / facets), abs=1e-6)
    assert far + bulge == pytest.approx(5.0, abs=1e-6)
    stud = CrossCut.of(surface(bore), np.array([0.0, 0.0, 1.0]), 5.0)
    assert np.linalg.norm(stud.edges[stud.skin()], axis=2).max() == pytest.approx(5.0, abs=1e-6)
    ((middle, radius),) = stud.islands()
    assert middle == pytest.approx(0.0, abs=1e-6) and radius == pytest.approx(5.0, abs=1e-6)


@pytest.mark.parametrize("taper", [0.0, 0.06])
def test_a_stud_that_tapers_has_the_gap_of_its_foot_or_of_its_middle(taper: float) -> None:
    """A stud of radius 3 mm at its foot in a bore of 3.1; of another gap, as of a straight stud, nothing is
    believed."""
    segments = 64
    stud = manifold3d.Manifold.cylinder(2.4, 3.0, 3.0 - taper, segments)
    block = manifold3d.Manifold.cube((12, 12, 6), center=True).translate((0, 0, -3)) + stud
    bore = manifold3d.Manifold.cylinder(4.0, 3.1, circular_segments=segments).translate((0, 0, -1))
    cap = manifold3d.Manifold.cube((12, 12, 6), center=True).translate((0, 0, 3)) - bore
    model = placed([(block, np.eye(4)), (cap, np.eye(4))])
    (joint,) = joints_of(model).joints
    told = joint_entry(joint, "press", 0.0, "")
    (entry,) = (each for each in told.touches if each.kind in ("stud", "peg"))
    right = []
    for gap in (0.1, 0.1 + taper / 2, 0.1 + taper, 0.1 - taper / 2 - 0.03, 0.16 + taper / 2):
        other = told.model_copy(update={"touches": (entry.model_copy(update={"gap_mm": gap}),)})
        right.append(measured(model, (other,)).ok)
    assert right == [True, True, not taper, False, False]
    assert entry.gap_mm == pytest.approx(0.1 + taper / 2, abs=0.012)


def test_a_square_hole_has_no_curve_and_a_square_is_no_round_thing() -> None:
    inner = manifold3d.Manifold.cube((6, 6, 20), center=True)
    block = manifold3d.Manifold.cube((20, 20, 8), center=True) - inner
    cut = CrossCut.of(surface(block), np.array([0.0, 0.0, 1.0]), 1.0)
    assert cut.walls() == (pytest.approx(3.0), 0.0)
    assert not list(CrossCut.of(surface(inner), np.array([0.0, 0.0, 1.0]), 1.0).islands())


def test_flats_that_lean_are_as_far_apart_as_where_they_are_nearest() -> None:
    """A tenon of 6 mm in a mortise, 0.3 mm off three walls; the fourth leans from 0.2 to 0.3 mm over 6.4."""
    axis = np.array([0.0, 0.0, 1.0])
    tenon = CrossCut.of(surface(manifold3d.Manifold.cube((6, 6, 20), center=True)), axis, 1.0)
    outline = [[-3.3, -3.3], [3.2 - 0.1 / 64, -3.3], [3.3 + 0.1 / 64, 3.3], [-3.3, 3.3]]
    hole = manifold3d.Manifold.extrude(manifold3d.CrossSection([outline]), 20).translate((0, 0, -10))
    block = manifold3d.Manifold.cube((20, 20, 8), center=True) - hole
    nearest = 0.2 + 0.1 * 0.2 / 6.4  # at the tenon's corner
    assert tenon.apart(CrossCut.of(surface(block), axis, 1.0), tenon.skin()) == pytest.approx(
        nearest, abs=1e-6
    )
