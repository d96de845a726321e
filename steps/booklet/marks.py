"""The booklet's own drawn marks, as lines and filled shapes in a unit square centred on (0, 0), y up.

PDF and HTML paint the same values. Joint marks read in black and white; safety signs follow the
colours and outlines of ISO 7010 and GHS with simple pictures drawn here (registered codes from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np

from steps.booklet.boxes import BLACK, WHITE, Polyline

Points = tuple[tuple[float, float], ...]

#: ISO 3864-4 safety colours as sRGB, from memory.
YELLOW, BLUE, RED, GREEN = "#f9a800", "#005387", "#c1121c", "#237f52"
ORANGE = "#ff7900"  # ANSI Z535.1 safety orange, sRGB from memory
FACETS = 40  # of a drawn circle
FLAT = 0.577  # how high a circle flat on the table is drawn from an isometric view, in its widths


def circle(x: float, y: float, radius: float, start: float = 0.0, end: float = 360.0) -> Points:
    """Points on a circle or arc, degrees anticlockwise from the right."""
    count = max(3, int(abs(end - start) / 360 * FACETS) + 1)
    angles = np.radians(np.linspace(start, end, count))
    return tuple((float(x + radius * np.cos(a)), float(y + radius * np.sin(a))) for a in angles)


def moved(points: Points, dx: float, dy: float, factor: float = 1.0) -> Points:
    return tuple((x * factor + dx, y * factor + dy) for x, y in points)


def solid(points: Points, colour: str = BLACK) -> Polyline:
    return Polyline(points, 0.0, None, colour)


def drawn(points: Points, width: float = 0.08, colour: str = BLACK, fill: str | None = None) -> Polyline:
    """A line whose width is a share of the mark's size."""
    return Polyline(points, width, colour, fill)


def box(x0: float, y0: float, x1: float, y1: float) -> Points:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))


def arrow_head(x: float, y: float, angle_deg: float, size: float) -> Points:
    """A filled triangle with its point at (x, y), pointing along the angle."""
    a = np.radians(angle_deg)
    along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    tip = np.array([x, y])
    corners = (tip, tip - size * along + 0.5 * size * across, tip - size * along - 0.5 * size * across)
    return tuple((float(c[0]), float(c[1])) for c in (*corners, tip))


# ------------------------------------------------------------------------------- joints and work


def press() -> list[Polyline]:
    return [
        drawn(((-0.42, 0.38), (0, 0.02), (0.42, 0.38)), 0.1),
        drawn(((-0.42, 0.04), (0, -0.32), (0.42, 0.04)), 0.1),
    ]


def glue() -> list[Polyline]:
    return [solid(box(-0.44, 0.08, 0.44, 0.36)), solid(box(-0.44, -0.36, 0.44, -0.08))]


def dry() -> list[Polyline]:
    """A drop, crossed out: no glue yet."""
    drop = (*circle(0, -0.12, 0.24, -215, 35), (0.0, 0.42))
    return [drawn((*drop, drop[0]), 0.07, BLACK, WHITE), drawn(((-0.42, -0.4), (0.42, 0.4)), 0.1)]


def free() -> list[Polyline]:
    return [
        drawn(circle(0, 0, 0.16), 0.08),
        drawn(circle(0, 0, 0.38, 30, 150), 0.08),
        drawn(circle(0, 0, 0.38, 210, 330), 0.08),
        solid(arrow_head(0.40, 0.08, -62, 0.24)),
        solid(arrow_head(-0.40, -0.08, 118, 0.24)),
    ]


def rest() -> list[Polyline]:
    return [drawn(box(-0.24, -0.26, 0.24, 0.22), 0.07, BLACK, WHITE), solid(box(-0.46, -0.42, 0.46, -0.26))]


def hold() -> list[Polyline]:
    return [
        drawn(box(-0.16, -0.22, 0.16, 0.22), 0.07, BLACK, WHITE),
        solid(arrow_head(-0.2, 0, 0, 0.26)),
        solid(arrow_head(0.2, 0, 180, 0.26)),
    ]


def turn() -> list[Polyline]:
    return [drawn(circle(0, 0, 0.36, -40, 250), 0.09), solid(arrow_head(0.30, -0.36, -105, 0.3))]


def front() -> list[Polyline]:
    """The pointer on the table."""
    return [solid(((0.0, -0.4), (0.42, 0.3), (-0.42, 0.3), (0.0, -0.4)))]


def tip() -> list[Polyline]:
    """Over an edge: half a circle that stands upright."""
    return [
        drawn(moved(circle(0, 0, 0.38, 180, 20), 0, -0.15), 0.09),
        solid(arrow_head(0.36, -0.24, -80, 0.3)),
    ]


def clockwise() -> list[Polyline]:
    """As it lies, seen from above: an arc flat on the table, its open side to the viewer."""
    flat = tuple((x, FLAT * y) for x, y in circle(0, 0, 0.42, 200, -30))
    return [drawn(flat, 0.09), solid(arrow_head(0.22, -0.32, -130, 0.3))]


def anticlockwise() -> list[Polyline]:
    return [replace(line, points=tuple((-x, y) for x, y in line.points)) for line in clockwise()]


def arrow() -> list[Polyline]:
    """Pointing right; the sign's angle turns it."""
    return [drawn(((-0.48, 0), (0.2, 0)), 0.1), solid(arrow_head(0.5, 0, 0, 0.38))]


def wait() -> list[Polyline]:
    return [drawn(circle(0, 0, 0.4), 0.08, BLACK, WHITE), drawn(((0, 0.26), (0, 0), (0.18, -0.1)), 0.08)]


def _person(x: float, foot: float, height: float) -> list[Polyline]:
    head = 0.17 * height
    shoulder = foot + height - 2.2 * head
    body = ((x - 0.24 * height, foot), (x - 0.24 * height, shoulder - 0.1 * height))
    arc = moved(circle(0, 0, 0.24 * height, 180, 0), x, shoulder - 0.1 * height)
    legs = (*arc, (x + 0.24 * height, foot), body[0])
    return [solid(circle(x, foot + height - head, head)), solid((*body, *legs))]


def adult() -> list[Polyline]:
    return _person(0, -0.46, 0.94)


def child() -> list[Polyline]:
    return _person(0, -0.46, 0.64)


def helper() -> list[Polyline]:
    return _person(-0.2, -0.46, 0.9) + _person(0.25, -0.46, 0.58)


def people() -> list[Polyline]:
    return _person(-0.24, -0.46, 0.9) + _person(0.24, -0.46, 0.9)


def tick() -> list[Polyline]:
    return [drawn(box(-0.4, -0.4, 0.4, 0.4), 0.07, BLACK, WHITE)]


def dot() -> list[Polyline]:
    return [solid(circle(0, 0, 0.16))]


def note() -> list[Polyline]:
    return [
        drawn(circle(0, 0, 0.42), 0.07, BLACK, WHITE),
        solid(box(-0.06, -0.26, 0.06, 0.08)),
        solid(circle(0, 0.22, 0.075)),
    ]


def _triangle(size: float = 0.5) -> Points:
    return (
        (-size, -0.43 * size / 0.5),
        (size, -0.43 * size / 0.5),
        (0, 0.46 * size / 0.5),
        (-size, -0.43 * size / 0.5),
    )


def _exclamation(y: float = 0.0, factor: float = 1.0, colour: str = BLACK) -> list[Polyline]:
    stroke = ((-0.055, 0.2), (0.055, 0.2), (0.03, -0.1), (-0.03, -0.1), (-0.055, 0.2))
    return [
        solid(moved(stroke, 0, y, factor), colour),
        solid(moved(circle(0, -0.2, 0.055), 0, y, factor), colour),
    ]


def doubt() -> list[Polyline]:
    hook = circle(0, 0.07, 0.11, 180, -80)
    return [
        drawn(_triangle(0.48), 0.06, BLACK, WHITE),
        drawn((*hook, (0, -0.1)), 0.06),
        solid(circle(0, -0.23, 0.045)),
    ]


def together() -> list[Polyline]:
    """A sub-assembly: boxes in a bracket."""
    return [
        drawn(box(-0.24, -0.34, 0.24, -0.02), 0.07, BLACK, WHITE),
        drawn(box(-0.24, -0.02, 0.24, 0.3), 0.07, BLACK, WHITE),
        drawn(((-0.3, 0.46), (-0.44, 0.46), (-0.44, -0.46), (-0.3, -0.46)), 0.07),
        drawn(((0.3, 0.46), (0.44, 0.46), (0.44, -0.46), (0.3, -0.46)), 0.07),
    ]


# --------------------------------------------------------------------------------- safety signs

FLAME: Points = (
    (-0.02, 0.3), (0.08, 0.14), (0.07, 0.02), (0.14, 0.1), (0.2, -0.06), (0.17, -0.2), (0.06, -0.3),
    (-0.06, -0.3), (-0.17, -0.2), (-0.2, -0.06), (-0.13, 0.06), (-0.1, -0.02), (-0.06, 0.06),
    (-0.06, 0.18), (-0.02, 0.3),
)  # fmt: skip


def _warning(inside: list[Polyline]) -> list[Polyline]:
    return [solid(_triangle(0.5)), solid(moved(_triangle(0.5), 0, -0.015, 0.8), YELLOW), *inside]


def _must(inside: list[Polyline]) -> list[Polyline]:
    return [solid(circle(0, 0, 0.49), BLUE), *inside]


def _must_not(inside: list[Polyline]) -> list[Polyline]:
    slash = np.sqrt(0.5) * 0.43
    return [
        drawn(circle(0, 0, 0.44), 0.1, RED, WHITE),
        *inside,
        drawn(((-slash, slash), (slash, -slash)), 0.09, RED),
    ]


def _diamond(inside: list[Polyline]) -> list[Polyline]:
    corners = ((0, 0.46), (0.46, 0), (0, -0.46), (-0.46, 0), (0, 0.46))
    return [drawn(corners, 0.05, RED, WHITE), *inside]


def warn_general() -> list[Polyline]:
    return _warning(_exclamation(-0.09, 0.95))


def warn_flammable() -> list[Polyline]:
    bar = box(-0.17, -0.31, 0.17, -0.27)
    return _warning([solid(moved(FLAME, 0, -0.09, 0.55)), solid(bar)])


def warn_hot() -> list[Polyline]:
    waves = [
        drawn(tuple((x + 0.035 * float(np.sin(t)), -0.18 + 0.034 * t) for t in np.linspace(0, 7, 12)), 0.04)
        for x in (-0.1, 0.0, 0.1)
    ]
    return _warning([*waves, solid(box(-0.2, -0.3, 0.2, -0.25))])


def warn_corrosive() -> list[Polyline]:
    drops = [solid(circle(-0.1, -0.02, 0.035)), solid(circle(-0.07, -0.12, 0.03))]
    return _warning(
        [
            drawn(((-0.2, 0.06), (-0.02, 0.12)), 0.06),
            *drops,
            solid(
                (
                    (-0.24, -0.3),
                    (-0.24, -0.22),
                    (-0.12, -0.22),
                    (-0.08, -0.26),
                    (-0.02, -0.22),
                    (0.1, -0.22),
                    (0.1, -0.3),
                )
            ),
        ]
    )


def warn_crush() -> list[Polyline]:
    return _warning([
        solid(box(-0.16, 0.03, 0.16, 0.1)),
        solid(box(-0.22, -0.31, 0.22, -0.25)),
        *[solid(moved(box(-0.03, -0.2, 0.03, -0.02), x, 0)) for x in (-0.1, -0.02, 0.06)],
        solid(box(-0.13, -0.23, 0.11, -0.15)),
    ])  # fmt: skip


def wear_goggles() -> list[Polyline]:
    return _must(
        [
            solid(circle(0, 0.02, 0.28), WHITE),
            solid(box(-0.3, -0.02, 0.3, 0.1), BLUE),
            solid(circle(-0.13, 0.03, 0.11), BLUE),
            solid(circle(0.13, 0.03, 0.11), BLUE),
            solid(circle(-0.13, 0.03, 0.06), WHITE),
            solid(circle(0.13, 0.03, 0.06), WHITE),
        ]
    )


def wear_gloves() -> list[Polyline]:
    fingers = [
        solid(moved(box(-0.04, 0.0, 0.04, 0.3), x, y), WHITE)
        for x, y in ((-0.14, 0), (-0.04, 0.04), (0.06, 0.03))
    ]
    thumb = ((0.1, -0.2), (0.26, 0.02), (0.2, 0.1), (0.08, -0.02), (0.1, -0.2))
    return _must(
        [
            *fingers,
            solid(box(-0.18, -0.2, 0.12, 0.04), WHITE),
            solid(thumb, WHITE),
            solid(box(-0.18, -0.34, 0.12, -0.24), WHITE),
        ]
    )


def read_first() -> list[Polyline]:
    left = ((-0.02, -0.22), (-0.3, -0.16), (-0.3, 0.2), (-0.02, 0.14), (-0.02, -0.22))
    right = tuple((-x, y) for x, y in left)
    return _must([solid(left, WHITE), solid(right, WHITE)])


def wash_hands() -> list[Polyline]:
    drops = [solid(circle(x, y, 0.035), WHITE) for x, y in ((0.0, 0.04), (0.08, -0.02), (-0.08, -0.02))]
    tap = ((-0.3, 0.32), (0.04, 0.32), (0.04, 0.16), (-0.04, 0.16), (-0.04, 0.24), (-0.3, 0.24), (-0.3, 0.32))
    right = ((0.06, -0.2), (0.3, -0.12), (0.3, -0.22), (0.06, -0.34))
    left = tuple((-x, y) for x, y in reversed(right))
    hands = (*right, *left, right[0])
    return _must([solid(tap, WHITE), *drops, solid(hands, WHITE)])


def wear_respirator() -> list[Polyline]:
    return _must(
        [
            solid(circle(0, 0.04, 0.28), WHITE),
            solid((*circle(0, -0.1, 0.17, 180, 360), (0.17, 0.04), (-0.17, 0.04)), BLUE),
            solid(circle(-0.1, 0.13, 0.035), BLUE),
            solid(circle(0.1, 0.13, 0.035), BLUE),
            solid(circle(-0.17, -0.16, 0.09), WHITE),
            solid(circle(0.17, -0.16, 0.09), WHITE),
        ]
    )


def no_flame() -> list[Polyline]:
    match = ((-0.03, -0.32), (0.03, -0.32), (0.03, -0.02), (-0.03, -0.02), (-0.03, -0.32))
    return _must_not([solid(match), solid(moved(FLAME, 0, 0.12, 0.55))])


def air_the_room() -> list[Polyline]:
    """An open window with air going through (no registered sign exists: drawn in the style of one)."""
    frame = [
        drawn(box(-0.06, -0.28, 0.26, 0.28), 0.05, WHITE),
        drawn(((0.1, -0.28), (0.1, 0.28)), 0.04, WHITE),
    ]
    air = [
        drawn(tuple((x, y + 0.03 * float(np.sin(16 * x))) for x in np.linspace(-0.34, 0.0, 12)), 0.045, WHITE)
        for y in (-0.12, 0.0, 0.12)
    ]
    return _must([*frame, *air])


def first_aid() -> list[Polyline]:
    return [
        solid(box(-0.46, -0.46, 0.46, 0.46), GREEN),
        solid(box(-0.1, -0.32, 0.1, 0.32), WHITE),
        solid(box(-0.32, -0.1, 0.32, 0.1), WHITE),
    ]


def rinse_eyes() -> list[Polyline]:
    lid = (*circle(0, -0.06, 0.3, 150, 30), *circle(0, 0.2, 0.3, -30, -150))
    drops = [solid(circle(x, y, 0.03), WHITE) for x, y in ((-0.12, 0.26), (0.0, 0.32), (0.12, 0.26))]
    return [
        solid(box(-0.46, -0.46, 0.46, 0.46), GREEN),
        *drops,
        solid(lid, WHITE),
        solid(circle(0, 0.07, 0.08), GREEN),
        drawn(((-0.3, -0.24), (0.3, -0.24)), 0.05, WHITE),
    ]


def ghs01() -> list[Polyline]:
    spikes: list[tuple[float, float]] = []
    for k in range(16):
        radius = 0.26 if k % 2 == 0 else 0.12
        spikes.append((float(radius * np.sin(k * np.pi / 8)), float(radius * np.cos(k * np.pi / 8))))
    return _diamond([solid((*spikes, spikes[0])), solid(circle(0, 0, 0.1), WHITE)])


def ghs02() -> list[Polyline]:
    return _diamond([solid(moved(FLAME, 0, 0.0, 0.75)), solid(box(-0.15, -0.28, 0.15, -0.25))])


def ghs05() -> list[Polyline]:
    return _diamond(
        [
            drawn(((-0.24, 0.1), (-0.02, 0.16)), 0.06),
            solid(circle(-0.08, 0.02, 0.03)),
            solid(circle(0.0, -0.06, 0.03)),
            solid(box(-0.24, -0.18, 0.1, -0.12)),
        ]
    )


def ghs07() -> list[Polyline]:
    return _diamond(_exclamation(0.0, 1.15))


def ghs08() -> list[Polyline]:
    spikes: list[tuple[float, float]] = []
    for k in range(12):
        radius = 0.17 if k % 2 == 0 else 0.07
        spikes.append((float(radius * np.sin(k * np.pi / 6)), float(-0.08 + radius * np.cos(k * np.pi / 6))))
    bust = (*circle(0, -0.16, 0.2, 180, 0), (0.2, -0.24), (-0.2, -0.24))
    return _diamond([solid(circle(0, 0.16, 0.09)), solid(bust), solid((*spikes, spikes[0]), WHITE)])


def ghs09() -> list[Polyline]:
    fish = (
        *circle(0.06, -0.12, 0.1, 0, 180),
        (-0.16, -0.06),
        (-0.16, -0.18),
        (-0.04, -0.12),
        *circle(0.06, -0.12, 0.1, 180, 360),
    )
    trunk = box(-0.14, -0.02, -0.09, 0.24)
    crown = ((-0.115, 0.32), (-0.24, 0.14), (0.01, 0.14), (-0.115, 0.32))
    return _diamond([solid(fish), solid(trunk), solid(crown), solid(box(-0.28, -0.03, 0.28, 0.0))])


MARKS: dict[str, Callable[[], list[Polyline]]] = {
    "press": press,
    "glue": glue,
    "dry": dry,
    "free": free,
    "rest": rest,
    "hold": hold,
    "turn": turn,
    "tip": tip,
    "clockwise": clockwise,
    "anticlockwise": anticlockwise,
    "front": front,
    "arrow": arrow,
    "wait": wait,
    "adult": adult,
    "child": child,
    "helper": helper,
    "people": people,
    "tick": tick,
    "dot": dot,
    "note": note,
    "doubt": doubt,
    "together": together,
    "W001": warn_general,
    "W017": warn_hot,
    "W021": warn_flammable,
    "W023": warn_corrosive,
    "W024": warn_crush,
    "M002": read_first,
    "M004": wear_goggles,
    "M009": wear_gloves,
    "M011": wash_hands,
    "air": air_the_room,
    "M017": wear_respirator,
    "P003": no_flame,
    "E003": first_aid,
    "E011": rinse_eyes,
    "GHS01": ghs01,
    "GHS02": ghs02,
    "GHS05": ghs05,
    "GHS07": ghs07,
    "GHS08": ghs08,
    "GHS09": ghs09,
}


@lru_cache(maxsize=64)
def mark_lines(kind: str) -> tuple[Polyline, ...]:
    """The lines and shapes of a mark; widths are shares of its size. Raises KeyError for an unknown one."""
    return tuple(MARKS[kind]())
