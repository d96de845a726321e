"""Blocks modelled and meshed by a CAD kernel that is not ours (gmsh's and cascadio's Open CASCADE)."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.joint_cases import Solid, joints_of, measures_of, only, placed, shift

try:
    import cascadio
    import gmsh
    import trimesh
except (ImportError, OSError) as error:  # gmsh wants libGLU, which a bare machine may lack
    pytest.skip(f"no CAD kernel here: {error}", allow_module_level=True)

NEAR = 0.02
PITCH, HIGH, RADIUS, STUD, GAP = 9.0, 7.7, 2.95, 2.4, 0.09


@pytest.fixture(scope="module")
def step_file(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A block 2 x 2 as a B-rep: shell, tube, chamfered studs; true cylinders, no facets."""
    path = tmp_path_factory.mktemp("cad") / "block.step"
    gmsh.initialize()
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        _model_block()
        with _quiet():
            gmsh.write(str(path))
        yield path
    finally:
        gmsh.finalize()


class _quiet:
    """The kernel prints its transfer statistics past Python; send them nowhere."""

    def __enter__(self) -> None:
        self.kept = os.dup(1)
        self.null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(self.null, 1)

    def __exit__(self, *_: object) -> None:
        os.dup2(self.kept, 1)
        os.close(self.kept)
        os.close(self.null)


def _model_block() -> None:
    occ = gmsh.model.occ
    inside = PITCH / 2 - RADIUS - GAP
    body = [(3, occ.addBox(0, 0, 0, 2 * PITCH, 2 * PITCH, HIGH))]
    cavity = occ.addBox(inside, inside, -1, 2 * PITCH - 2 * inside, 2 * PITCH - 2 * inside, HIGH)
    body, _ = occ.cut(body, [(3, cavity)])
    outer = PITCH / np.sqrt(2) - RADIUS - GAP
    tube = occ.addCylinder(PITCH, PITCH, 0, 0, 0, HIGH - 0.5, outer)
    bore = occ.addCylinder(PITCH, PITCH, -1, 0, 0, HIGH - 0.5, outer - 0.8)
    ring, _ = occ.cut([(3, tube)], [(3, bore)])
    body, _ = occ.fuse(body, ring)
    for x in (0.5, 1.5):
        for y in (0.5, 1.5):
            place = (x * PITCH, y * PITCH)
            stud = occ.addCylinder(*place, HIGH - 0.3, 0, 0, STUD + 0.1, RADIUS)
            cone = occ.addCone(*place, HIGH + STUD - 0.2, 0, 0, 0.2, RADIUS, RADIUS - 0.2)
            body, _ = occ.fuse(body, [(3, stud), (3, cone)])
    occ.synchronize()


def _by_cascadio(path: Path, linear: float, angular: float) -> Solid:
    glb = path.with_suffix(f".{linear}.glb")
    with _quiet():
        cascadio.step_to_glb(str(path), str(glb), tol_linear=linear, tol_angular=angular)
    mesh = trimesh.load_scene(glb).to_mesh()
    return Solid(np.asarray(mesh.vertices) * 1000, np.asarray(mesh.faces))  # glTF is in metres


def _by_gmsh(size: float) -> Solid:
    """An unstructured surface mesh, with vertices in the middle of faces too."""
    gmsh.model.mesh.clear()
    gmsh.option.setNumber("Mesh.MeshSizeMax", size)
    gmsh.option.setNumber("Mesh.MeshSizeFromCurvature", 16)
    gmsh.model.mesh.generate(2)
    tags, flat, _ = gmsh.model.mesh.getNodes()
    row = {int(tag): n for n, tag in enumerate(tags)}
    _, corners = gmsh.model.mesh.getElementsByType(2)
    faces = np.array([row[int(tag)] for tag in corners]).reshape(-1, 3)
    return Solid(np.array(flat).reshape(-1, 3), faces)


@pytest.mark.parametrize(("linear", "angular"), [(0.2, 0.5), (0.02, 0.2), (0.005, 0.05)])
def test_a_block_meshed_by_cascadio(step_file: Path, linear: float, angular: float) -> None:
    _check(_by_cascadio(step_file, linear, angular))


@pytest.mark.parametrize("size", [4.0, 1.0])
def test_a_block_meshed_by_gmsh(step_file: Path, size: float) -> None:
    _check(_by_gmsh(size))


def _check(block: Solid) -> None:
    measures = measures_of(placed([(block, np.eye(4))]))
    found = measures.by_shape["S1"]
    assert str(found.name) == "block 2 x 2"
    assert measures.pitch_mm == pytest.approx(PITCH, abs=NEAR)
    assert len(found.studs) == 4
    for stud in found.studs:
        assert stud.radius_mm == pytest.approx(RADIUS, abs=NEAR)
        assert stud.height_mm == pytest.approx(STUD, abs=NEAR)
    joints = joints_of(placed([(block, np.eye(4)), (block, shift(0, 0, HIGH))]))
    joint = only(joints)
    assert (joint.kind, joint.contacts) == ("stud", 4)
    assert joint.gap_mm == pytest.approx(GAP, abs=NEAR)
    assert joint.depth_mm == pytest.approx(STUD - 0.2, abs=NEAR)  # the chamfer does not touch
    assert not joints.problems
