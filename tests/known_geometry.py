"""What verify works out of the meshes alone, worked out once for many plans of one model.

A test that spoils a plan in a hundred ways verifies the same meshes a hundred times. Only functions of their
arguments are kept, by the content of these, to the last bit: what a change of the plan alters is read anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from functools import wraps
from typing import Any

import numpy as np
import pytest

from steps.model import Shape
from steps.verify import footing, measured, solids


def content(value: object) -> object:
    """A key by which equal values are equal."""
    if isinstance(value, np.ndarray):
        return value.shape, value.dtype.str, value.tobytes()
    if isinstance(value, Shape):
        return content(value.vertices), content(value.faces)
    if is_dataclass(value):
        return type(value), *(content(getattr(value, each.name)) for each in fields(value))
    return value


def kept(read: Callable[..., Any]) -> Callable[..., Any]:
    known: dict[object, Any] = {}

    @wraps(read)
    def once(*given: object) -> Any:
        key = tuple(map(content, given))
        if key not in known:
            known[key] = read(*given)
        return known[key]

    return once


@pytest.fixture(autouse=True, scope="module")
def known_geometry() -> Iterator[None]:
    """For a module of tests: imported there, it acts on all of them."""
    with pytest.MonkeyPatch.context() as patch:
        for room, names in (
            (solids, ("welded", "smoothed", "walls", "thinned", "unfolded", "crease_edges", "bvh")),
            (footing, ("shared_faces",)),
            (measured, ("shared_area",)),
        ):
            for name in names:
                patch.setattr(room, name, kept(getattr(room, name)))
        patch.setattr(measured.CrossCut, "of", staticmethod(kept(measured.CrossCut.of)))
        yield
