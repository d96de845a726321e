"""Numerals of straight strokes, to engrave: plain enough for a wide nozzle, no typeface needed."""

from __future__ import annotations

from manifold3d import Manifold, OpType

#: Strokes of each numeral on a grid two wide and four high: pairs of corners (column, row).
TOP, MIDDLE, BOTTOM = ((0, 4), (2, 4)), ((0, 2), (2, 2)), ((0, 0), (2, 0))
LEFT_HIGH, LEFT_LOW = ((0, 2), (0, 4)), ((0, 0), (0, 2))
RIGHT_HIGH, RIGHT_LOW = ((2, 2), (2, 4)), ((2, 0), (2, 2))
STROKES = {
    "0": (TOP, BOTTOM, LEFT_HIGH, LEFT_LOW, RIGHT_HIGH, RIGHT_LOW),
    "1": (((1, 0), (1, 4)),),
    "2": (TOP, RIGHT_HIGH, MIDDLE, LEFT_LOW, BOTTOM),
    "3": (TOP, RIGHT_HIGH, MIDDLE, RIGHT_LOW, BOTTOM),
    "4": (LEFT_HIGH, MIDDLE, RIGHT_HIGH, RIGHT_LOW),
    "5": (TOP, LEFT_HIGH, MIDDLE, RIGHT_LOW, BOTTOM),
    "6": (TOP, LEFT_HIGH, LEFT_LOW, MIDDLE, RIGHT_LOW, BOTTOM),
    "7": (TOP, RIGHT_HIGH, RIGHT_LOW),
    "8": (TOP, MIDDLE, BOTTOM, LEFT_HIGH, LEFT_LOW, RIGHT_HIGH, RIGHT_LOW),
    "9": (TOP, LEFT_HIGH, MIDDLE, RIGHT_HIGH, RIGHT_LOW, BOTTOM),
}


def numeral(text: str, height: float, stroke: float, depth: float) -> Manifold:
    """``text`` (digits only) as a solid on z = 0, ``depth`` thick, the middle of its box over the origin."""
    unit = (height - stroke) / 4
    advance = 2 * unit + 3 * stroke
    bars = []
    for place, digit in enumerate(text):
        for (x0, y0), (x1, y1) in STROKES[digit]:
            size = [(x1 - x0) * unit + stroke, (y1 - y0) * unit + stroke, depth]
            corner = [place * advance + x0 * unit, y0 * unit, 0.0]
            bars.append(Manifold.cube(size).translate(corner))
    body = Manifold.batch_boolean(bars, OpType.Add)
    box = body.bounding_box()
    return body.translate([-(box[0] + box[3]) / 2, -(box[1] + box[4]) / 2, 0])
