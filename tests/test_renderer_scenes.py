"""As many ray scenes as there are shapes, in one process and in those that it forks."""

from __future__ import annotations

import os

import numpy as np
import pytest
import trimesh
from embreex.mesh_construction import TriangleMesh

from renderer.scenes import ray_scene

#: More than a process has thread-local keys.
MANY = 1100


def hits(number: int) -> bool:
    scene = ray_scene(robust=bool(number % 2))
    TriangleMesh(scene, trimesh.creation.box().triangles.astype(np.float32))
    SCENES.append(scene)
    start, way = np.array([[0.1, 0.2, -5.0]], np.float32), np.array([[0.0, 0.0, 1.0]], np.float32)
    return bool(scene.run(start, way)[0] >= 0)


SCENES: list[object] = []


def test_more_scenes_live_at_once_than_a_process_has_keys():
    try:
        assert all(hits(number) for number in range(MANY))
    finally:
        SCENES.clear()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no process is forked here")
def test_a_forked_process_makes_scenes_of_its_own():
    assert hits(0)
    child = os.fork()
    if child == 0:
        os._exit(0 if hits(1) else 1)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    SCENES.clear()
