"""Pictures as values: in what order their strokes are drawn."""

from __future__ import annotations

import numpy as np

from renderer.picture import Stroke, by_kind


def line(x: float, width: float, grey: float = 0.0) -> Stroke:
    return Stroke(np.array([[x, 0.0], [x, 1.0]]), width, grey=grey)


def test_strokes_of_one_kind_come_together_and_none_is_covered_by_white_that_came_before_it() -> None:
    """Thin lines, then a line with its white casing under it, thin as they are: the casing first."""
    strokes = [line(0, 0.2), line(1, 0.5), line(2, 0.2), line(3, 0.9, grey=1.0), line(4, 0.2), line(5, 0.5)]
    drawn = [(kind, [each[0, 0] for each in lines]) for kind, lines in by_kind(strokes)]
    assert drawn == [
        ((0.2, (), 0.0), [0.0, 2.0]),
        ((0.5, (), 0.0), [1.0]),
        ((0.9, (), 1.0), [3.0]),
        ((0.2, (), 0.0), [4.0]),
        ((0.5, (), 0.0), [5.0]),
    ]
    assert list(by_kind([])) == []
