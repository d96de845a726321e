"""How to slice each print: walls, top, infill, lines, bridges, ears. All of it common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

import numpy as np

from steps.model import Model
from steps.prints.items import PrintItem
from steps.settings import PrinterSettings
from steps.wording import Phrase, phrase, phrase_n

#: A closed top is at least so thick, mm; over sparse infill (below this share) it sags and wants more.
TOP_MM, SPARSE, SPARSE_TOP_MM = 0.8, 0.15, 1.0
#: Walls of what is pressed together are at least so many lines: fewer crack along a layer.
LEAST_LINES = 3
#: Prints shorter than the first (mm) have more walls than infill; from the second on infill is most of them.
SMALL_MM, LARGE_MM = 40.0, 150.0
SMALL_INFILL, LARGE_INFILL = 0.20, 0.10
#: A print that carries this many times its own mass is filled as a small one.
HEAVY = 10.0
#: Flat prints from this length on, lower than this share of it, are laid in lines half as wide again.
FLAT_MM, FLAT_SHARE, WIDE = 100.0, 0.25, 1.5
#: Bridges from this length on want a slow line and the whole fan.
BRIDGE_MM = 10.0
#: Why each of it.
WALLS = phrase("Walls: what is pressed together cracks along a layer where walls are thin.")
TOP = phrase("Top: thin tops sag between the lines of the infill, over sparse infill most.")
INFILL = phrase("Infill: as set; a middling print holds by its walls.")
SMALL = phrase("Infill of prints under {n} mm: it costs next to nothing and stiffens thin walls.", n=SMALL_MM)
LARGE = phrase("Infill of prints from {n} mm on: most of the plastic; the walls carry.", n=LARGE_MM)
CARRYING = phrase("Infill under a load of over {n} times its own mass: walls buckle over hollows.", n=HEAVY)
LINES = phrase("Wide lines on large flat prints: fewer of them, less time, and better hold on the bed.")
BRIDGES = phrase("Bridges: threads sag until they are cold.")
EARS = phrase("Ears: sharp corners shrink and lift from the bed.")


@dataclass(frozen=True)
class Advice:
    """What to set for one print, and why."""

    what: Phrase
    why: Phrase


def advice_of(item: PrintItem, printer: PrinterSettings, carried_g: float = 0.0) -> tuple[Advice, ...]:
    """What to set for one print; ``carried_g`` is the mass that rests on one copy."""
    laid = item.laid
    size = np.ptp(laid.vertices, axis=0)
    infill, filled = _infill(float(size.max()), carried_g, laid.use.grams, printer)
    lines = max(LEAST_LINES, round(printer.wall_mm / printer.nozzle_mm))
    top = ceil((SPARSE_TOP_MM if infill < SPARSE else TOP_MM) / printer.layer_mm - 1e-9)
    told = [
        Advice(phrase_n("{n} line of wall", "{n} lines of wall", lines), WALLS),
        Advice(phrase_n("{n} layer on top", "{n} layers on top", top), TOP),
        filled,
    ]
    if size[:2].max() >= FLAT_MM and size[2] <= FLAT_SHARE * size[:2].max():
        told.append(Advice(phrase("lines {n} % of the nozzle wide", n=round(100 * WIDE)), LINES))
    if laid.lie.hanging.bridge_mm >= BRIDGE_MM:
        long = round(laid.lie.hanging.bridge_mm)
        told.append(Advice(phrase("bridge of {n} mm: slow, fan full", n=long), BRIDGES))
    if len(laid.ears):
        told.append(Advice(phrase_n("{n} ear", "{n} ears", len(laid.ears)), EARS))
    return tuple(told)


def _infill(
    longest_mm: float, carried_g: float, own_g: float, printer: PrinterSettings
) -> tuple[float, Advice]:
    """The share of infill, and what is said of it."""
    if carried_g > HEAVY * own_g:
        share, why = max(SMALL_INFILL, printer.infill), CARRYING
        what = phrase("infill {n} % (carries {mass} g)", n=round(100 * share), mass=round(carried_g))
        return share, Advice(what, why)
    share, why = printer.infill, INFILL
    if longest_mm < SMALL_MM:
        share, why = max(SMALL_INFILL, printer.infill), SMALL
    elif longest_mm >= LARGE_MM:
        share, why = min(LARGE_INFILL, printer.infill), LARGE
    return share, Advice(phrase("infill {n} %", n=round(100 * share)), why)


def carried_grams(model: Model, grams: Mapping[str, float]) -> dict[str, float]:
    """Mass that a placed part may have to carry: of all that stands over its outline, each shared out over
    its own outline. An upper bound, by boxes; ``grams`` is of each shape."""
    if not model.placed or any(not len(shape.vertices) for shape in model.shapes):
        return {}
    boxes = model.part_bounds
    low, high = boxes[:, 0], boxes[:, 1]
    masses = np.array([grams.get(part.shape, 0.0) for part in model.parts])
    area = np.maximum(np.prod((high - low)[:, :2], axis=1), 1e-9)
    found = {}
    for row, part in enumerate(model.parts):
        over = np.minimum(high, high[row]) - np.maximum(low, low[row])
        shared = np.prod(np.maximum(over[:, :2], 0.0), axis=1) / area
        above = low[:, 2] > (low[row, 2] + high[row, 2]) / 2
        found[part.id] = float((masses * shared)[above].sum())
    return found
