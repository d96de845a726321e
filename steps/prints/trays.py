"""Which prints go together into a tray: those that a run of steps takes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steps.prints.items import PrintItem

#: A tray is closed at the end of the step with which it holds this many parts: what one finds by looking.
#: Common practice, no source.
TRAY_PARTS = 20


@dataclass(frozen=True)
class Tray:
    """Copies of each item (its row) for a run of steps."""

    first: int
    last: int
    counts: Mapping[int, int]


def trays_of(items: Sequence[PrintItem], needed: Mapping[str, int]) -> tuple[Tray, ...]:
    """Trays in building order; ``needed`` is part -> first step. Every part with a step is in one tray."""
    by_step: dict[int, Counter[int]] = {}
    for row, item in enumerate(items):
        for part in item.parts:
            if part in needed:
                by_step.setdefault(needed[part], Counter())[row] += 1
    trays: list[Tray] = []
    steps: list[int] = []
    held: Counter[int] = Counter()
    for step in sorted(by_step):
        steps.append(step)
        held += by_step[step]
        if held.total() >= TRAY_PARTS:
            trays.append(Tray(steps[0], steps[-1], dict(sorted(held.items()))))
            steps, held = [], Counter()
    if steps:
        trays.append(Tray(steps[0], steps[-1], dict(sorted(held.items()))))
    return tuple(trays)
