"""Print files as binary STL."""

from __future__ import annotations

import numpy as np

from steps.model import Array, IntArray

#: One facet: normal, three corners, and two bytes without a meaning.
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
HEADER_BYTES = 80


def stl_bytes(vertices: Array, faces: IntArray) -> bytes:
    """``vertices`` (n, 3) mm and ``faces`` (m, 3) as a file; a facet without area has no normal."""
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    facets = np.zeros(len(faces), FACET)
    facets["normal"] = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    facets["corners"] = corners
    return bytes(HEADER_BYTES) + np.uint32(len(faces)).tobytes() + facets.tobytes()
