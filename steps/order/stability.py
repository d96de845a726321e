"""Whether what has been built stands by itself after each step, and what a hand must hold if not.

Three questions, the cheap ones first, so that a thousand steps are not a thousand programmes:

1. Is the part carried straight down (:func:`steps.statics.standing.lies_over`)? It then stays so when
   others are put on it, since every place where something may press on it was counted. Only new
   parts, and those that gained a carrier, are looked at again.
2. If not: with everything above it as one body, do its own grips hold that body with a reserve of
   :data:`AMPLE`? A lever estimate, not a proof.
3. If not: the load programme, asked again only when what lies on such parts has changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from steps.model import Array
from steps.statics import Stand, Structure
from steps.statics.standing import UPRIGHT_COSINE, lies_over
from steps.statics.structure import TABLE_TOLERANCE_MM, flat

#: Grips that hold so many times what the lever estimate asks of them are not looked at more closely.
AMPLE = 8.0
#: Standard gravity, N per gram.
NEWTON_PER_GRAM = 9.80665e-3


class Watch:
    """One build standing on the table, ``up`` pointing up. Rows are those of the model's parts."""

    def __init__(self, structure: Structure, up: Array, members: Iterable[int]):
        self.structure = structure
        self.up = np.asarray(up, dtype=float)
        self.present: set[int] = set()
        self._on_leaning: dict[int, set[int]] = {}  # part that is not carried -> it and all above it
        self._doubtful: dict[int, bool] = {}  # of those, whether the lever estimate fails; missing: not known
        self.programmes = 0
        self._stand: Stand | None = None
        self._last: tuple[tuple[int, ...], tuple[str, ...]] = ((), ())
        self._feet = structure.feet(self.up)
        rows = np.array(sorted(members), dtype=int)
        self._table = float(self._feet.low[rows].min()) if len(rows) else 0.0
        self._centre = flat(structure.bodies.centroid, self.up)
        self._gather(rows)
        self._grips = _grips(structure)

    def _gather(self, rows: Array) -> None:
        """Which contacts carry each member from below, and which press on it from above."""
        contacts, low = self.structure.contacts, self._feet.low
        member = np.zeros(len(low), dtype=bool)
        member[rows] = True
        upright = contacts.normal @ self.up
        upper = np.where(upright > 0, contacts.first, contacts.second)
        lower = np.where(upright > 0, contacts.second, contacts.first)
        carries = contacts.push & (np.abs(upright) > UPRIGHT_COSINE) & (low[lower] < low[upper])
        carries &= member[upper] & member[lower]
        at = np.flatnonzero(carries)
        self._points = flat(contacts.point[at], self.up)
        self._below: dict[int, dict[int, list[int]]] = {}
        self._above: dict[int, dict[int, list[int]]] = {}
        for place, (over, under) in enumerate(zip(upper[at].tolist(), lower[at].tolist(), strict=True)):
            self._below.setdefault(over, {}).setdefault(under, []).append(place)
            self._above.setdefault(under, {}).setdefault(over, []).append(place)

    def add(self, parts: Sequence[int]) -> tuple[str, ...]:
        """Put parts in; the ids of the parts a hand must hold now, none when it stands by itself."""
        doubtful = self.doubts(parts)
        return self._held(doubtful) if doubtful else ()

    def clear(self) -> None:
        """Nothing is built any more."""
        self.present.clear()
        self._on_leaning.clear()
        self._doubtful.clear()

    def doubts(self, parts: Sequence[int]) -> list[int]:
        """Put parts in; the parts that only a load programme could clear of leaning."""
        self.present.update(parts)
        touched = set(parts)
        for part in parts:
            touched.update(over for over in self._above.get(part, ()) if over in self.present)
        for leaning, above in self._on_leaning.items():
            grown = [part for part in parts if not above.isdisjoint(self._below.get(part, ()))]
            if grown or leaning in touched:
                above.update(grown)
                self._doubtful.pop(leaning, None)
        for part in touched:
            if self._carried(part):
                self._on_leaning.pop(part, None)
                self._doubtful.pop(part, None)
            elif part not in self._on_leaning:
                self._on_leaning[part] = self._with_all_above([part])
        for part in self._on_leaning:
            if part not in self._doubtful:
                self._doubtful[part] = not self._amply_held(part)
        return sorted(part for part, is_doubtful in self._doubtful.items() if is_doubtful)

    def _support(self, part: int) -> Array:
        """(k, 2) points that carry the part from below now."""
        below = self._below.get(part, {})
        places = [place for under, each in below.items() if under in self.present for place in each]
        support = [self._points[places]]
        if self._feet.low[part] <= self._table + TABLE_TOLERANCE_MM:
            support.append(flat(self._feet.corners[part], self.up))
        return np.concatenate(support)

    def _carried(self, part: int) -> bool:
        loads = [place for each in self._above.get(part, {}).values() for place in each]
        return lies_over(self._points[loads], self._centre[part], self._support(part))

    def _amply_held(self, part: int) -> bool:
        """Lever estimate: the part and all above it tip over their nearest support against its grips."""
        body = sorted(self._on_leaning[part])
        masses = self.structure.bodies.mass_g[body]
        weight = float(masses.sum()) * NEWTON_PER_GRAM
        centre = np.average(self._centre[body], axis=0, weights=masses)
        inside = self._on_leaning[part]
        grip = sum(
            hold
            for other, hold in self._grips.get(part, {}).items()
            if other in self.present and other not in inside
        )
        support = self._support(part)
        if not len(support):  # gripped from the side or from above only
            return grip >= AMPLE * weight
        middle = support.mean(axis=0)
        lever = float(np.linalg.norm(support - middle, axis=1).max())
        outward = (centre - middle) / max(float(np.linalg.norm(centre - middle)), 1e-9)
        beyond = float((centre - middle) @ outward - ((support - middle) @ outward).max())
        return beyond < -lever / 10 or grip * lever >= AMPLE * weight * max(beyond, 0.0) + 1e-12

    def _held(self, doubtful: Sequence[int]) -> tuple[str, ...]:
        region = tuple(sorted(self._with_all_above(doubtful)))
        if region != self._last[0]:
            if self._stand is None:
                self._stand = Stand.of(self.structure, self.up)
            names = [part.id for part in self.structure.model.parts]
            found = self._stand.stands([names[part] for part in sorted(self.present)])
            self.programmes += found.programmes
            held = () if found.ok else (found.hold or tuple(names[part] for part in doubtful))
            self._last = (region, held)
        return self._last[1]

    def _with_all_above(self, parts: Iterable[int]) -> set[int]:
        found: set[int] = set()
        pending = list(parts)
        while pending:
            part = pending.pop()
            if part not in found:
                found.add(part)
                pending += [over for over in self._above.get(part, ()) if over in self.present]
        return found


def _grips(structure: Structure) -> dict[int, dict[int, float]]:
    """Newtons that hold each part to each of its neighbours, by row; rests hold nothing."""
    found: dict[int, dict[int, float]] = {}
    rows = structure.model.index_of
    for joint in structure.joints.joints:
        if joint.kind != "rest":
            a, b = rows[joint.a], rows[joint.b]
            found.setdefault(a, {})[b] = found.setdefault(b, {})[a] = joint.hold_n
    return found
