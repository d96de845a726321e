"""Whether what has been built stands by itself after each step, and what a hand must hold if not.

A cheap proof first, so that a thousand steps are not a thousand programmes: a part that is carried straight
down (:func:`steps.statics.standing.lies_over`) stays so when others are put on it, since every place where
something may press on it was counted. Only new parts, and those that gained a carrier, are looked at again.
A part that is not carried leans, and so do those under it, down to the table: of them :class:`Stand` asks the
programme, again only when what lies on them has changed.

Pressing the next part home is asked in the same spirit (:meth:`Watch.press`): a press that goes straight
down through contacts that push, all the way to the table, does no harm; what certainly slides, lifts or
tips as a whole needs a hand; the programme decides what is left.
"""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable, Sequence

import numpy as np

from steps.model import Array
from steps.progress import tick
from steps.statics import Stand, Structure
from steps.statics.growing import Growing
from steps.statics.pressing import Press, pressing, slides, tips
from steps.statics.standing import OVER_TOLERANCE_MM, UPRIGHT_COSINE, lies_over
from steps.statics.structure import TABLE_TOLERANCE_MM, flat

#: Standard gravity, N per gram.
NEWTON_PER_GRAM = 9.80665e-3


class Watch:
    """One build standing on the table, ``up`` pointing up. Rows are those of the model's parts."""

    def __init__(self, structure: Structure, up: Array, members: Iterable[int]):
        self.structure = structure
        self.up = np.asarray(up, dtype=float)
        self.present: set[int] = set()
        self._ids: set[str] = set()  # of the parts present
        # parts that are not carried, and those under them -> the part and all above it
        self._on_leaning: dict[int, set[int]] = {}
        self.programmes = 0
        self._stand: Stand | None = None
        self._growing: Growing | None = None
        self._hung: dict[int, set[int]] = {}  # part -> parts that hang on its side or under it
        self._bearings: dict[int, Array] = {}  # part -> points under it that push straight on to the table
        self._cleared: dict[int, int] = {}  # part -> how many parts it carried when a programme cleared it
        self._feet = structure.feet(self.up)
        self._members = rows = np.array(sorted(members), dtype=int)
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
        carries = contacts.push & (np.abs(upright) > UPRIGHT_COSINE) & member[upper] & member[lower]
        carries &= low[lower] < low[upper] - OVER_TOLERANCE_MM
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
        return self._unheld(doubtful) if doubtful else ()

    def falls(self, parts: Sequence[int], held: Collection[str]) -> bool:
        """Put parts in; whether something falls now while hands hold those named."""
        doubtful = self.doubts(parts)
        return bool(doubtful) and bool(self._unheld(doubtful, held, names=False))

    def clear(self) -> None:
        """Nothing is built any more."""
        self._ids.clear()
        self._growing = None
        for store in (
            self.present,
            self._on_leaning,
            self._hung,
            self._cleared,
            self._bearings,
        ):
            store.clear()

    def press(self, parts: Sequence[int], way: Array) -> tuple[str, ...]:
        """The parts a hand must hold while ``parts``, not there yet, are pressed home along ``way`` (3,)."""
        names = [self.structure.model.parts[part].id for part in parts]
        press = pressing(self.structure, self._ids, names, way)
        weak = [part for part in press.on.tolist() if not self._bears(part, press)]
        if not weak or not self._yields(press):
            return ()
        return tuple(self.structure.model.parts[part].id for part in sorted(weak))

    def _bears(self, part: int, press: Press) -> bool:
        """Whether the part takes its share of the press straight down to the table.

        What stands is in balance without the press; pushes that carry the press alone can be added to it.
        """
        if not press.is_down(self.up):
            return False
        force, moment = np.split(press.wrench[press.on.tolist().index(part)], 2)
        arm = np.cross(moment, self.up) / -float(force @ self.up)  # from the centroid to where it is pressed
        at = self._centre[part] + flat(arm[None], self.up)
        return _over(at, self._bearing(part))

    def _bearing(self, part: int) -> Array:
        """(k, 2) points under the part from which a push goes straight on to the table."""
        pending = [part]
        while pending:
            here = pending[-1]
            carriers = [under for under in self._below.get(here, ()) if under in self.present]
            unknown = [under for under in carriers if under not in self._bearings]
            if unknown:  # they start lower, so this ends
                pending += unknown
                continue
            pending.pop()
            if here not in self._bearings:
                self._bearings[here] = self._bearing_on(here, carriers)
        return self._bearings[part]

    def _bearing_on(self, part: int, carriers: Sequence[int]) -> Array:
        found = [flat(self._feet.corners[part], self.up)] if self._on_table(part) else []
        for under in carriers:
            points = self._points[self._below[part][under]]
            bearing = self._bearings[under]
            all_over = _over(points, bearing)  # the usual case, in one look
            found.append(points if all_over else points[[_over(point[None], bearing) for point in points]])
        return np.concatenate([np.empty((0, 2)), *found])

    def _yields(self, press: Press) -> bool:
        """Whether what stands needs a hand to bear the press."""
        loads = dict(zip(press.on.tolist(), press.wrench, strict=True))
        stands = self.growing.stands(self.present, loads)
        if stands is None:
            return self._gives_way(press) or not self._withstands(press)
        return not stands

    def _gives_way(self, press: Press) -> bool:
        """Whether what stands certainly slides, is lifted or tips, all of it as one body."""
        rows = sorted(self.present)
        bodies = self.structure.bodies
        masses = bodies.mass_g[rows]
        weight = float(masses.sum()) * NEWTON_PER_GRAM
        if slides(press, self.up, weight, self.structure.friction):
            return True
        on_table = [part for part in rows if self._on_table(part)]
        support = np.concatenate([np.empty((0, 3)), *(self._feet.corners[part] for part in on_table)])
        centre = masses @ bodies.centroid[rows] / masses.sum()
        return tips(press, self.up, weight, centre, support, bodies.centroid[press.on])

    def _withstands(self, press: Press) -> bool:
        """Whether a programme balances the press with what stands."""
        if self._stand is None:
            self._stand = Stand.of(self.structure, self.up)
        found = self._stand.stands(sorted(self._ids), loads=press.on_parts, names=False)
        self.programmes += found.programmes
        return found.ok

    def doubts(self, parts: Sequence[int]) -> list[int]:
        """Put parts in; the parts that lean, and those under them: only a programme could clear them."""
        tick()
        self.present.update(parts)
        self._ids.update(self.structure.model.parts[part].id for part in parts)
        touched = set(parts)
        for part in parts:
            carried = [over for over in self._above.get(part, ()) if over in self.present]
            if carried:
                self._bearings.clear()
            touched.update(carried)
            if not len(self._support(part)):
                for carrier in self._carriers(part):
                    self._hung.setdefault(carrier, set()).add(part)
        carriers = [(part, self._carriers(part)) for part in parts]
        for above in self._on_leaning.values():
            above.update(part for part, under in carriers if not above.isdisjoint(under))
        for part in sorted(touched):
            if not self._carried(part):
                self._suspect(part)
        return sorted(self._on_leaning)

    def _suspect(self, leaning: int) -> None:
        """A part that leans on its grips pushes what carries it off balance too, down to the table."""
        pending = [leaning]
        while pending:
            part = pending.pop()
            if part in self.present and part not in self._on_leaning:
                self._on_leaning[part] = self._with_all_above([part])
                pending += self._carriers(part)

    def _carriers(self, part: int) -> list[int]:
        """Parts now under the part; where none is, and no table, those that grip it."""
        below = [under for under in self._below.get(part, ()) if under in self.present]
        if below or self._on_table(part):
            return below
        return [other for other in self._grips.get(part, ()) if other in self.present]

    def _on_table(self, part: int) -> bool:
        return bool(self._feet.low[part] <= self._table + TABLE_TOLERANCE_MM)

    def _support(self, part: int, without: Container[int] = ()) -> Array:
        """(k, 2) points that carry the part from below now, those on parts of ``without`` left out."""
        below = self._below.get(part, {})
        places = [
            place
            for under, each in below.items()
            if under in self.present and under not in without
            for place in each
        ]
        support = [self._points[places]]
        if self._on_table(part):
            support.append(flat(self._feet.corners[part], self.up))
        return np.concatenate(support)

    def _carried(self, part: int) -> bool:
        loads = [place for each in self._above.get(part, {}).values() for place in each]
        return lies_over(self._points[loads], self._centre[part], self._support(part))

    def _unheld(
        self, doubtful: Sequence[int], held: Collection[str] = (), names: bool = True
    ) -> tuple[str, ...]:
        """What more a hand must hold; a part once cleared is not asked for again until what it carries
        changes. Without ``names`` it may be any of the parts."""
        if all(self._cleared.get(part) == len(self._on_leaning[part]) for part in doubtful):
            return ()
        index = self.structure.model.index_of
        stands = self.growing.stands(self.present, held=frozenset(index[name] for name in held))
        if stands:
            if not held:
                self._cleared.update({part: len(self._on_leaning[part]) for part in doubtful})
            return ()
        ids = [part.id for part in self.structure.model.parts]
        if stands is False and not names:
            return tuple(ids[part] for part in doubtful)
        if stands is False and not held and (hold := self.growing.hold(self.present)):
            return tuple(ids[part] for part in hold)
        if self._stand is None:
            self._stand = Stand.of(self.structure, self.up)
        found = self._stand.stands([ids[part] for part in sorted(self.present)], held=held, names=names)
        self.programmes += found.programmes
        if not found.ok:
            self.growing.fell(found.motion)
        if found.ok and not held:
            self._cleared.update({part: len(self._on_leaning[part]) for part in doubtful})
        return () if found.ok else found.hold or tuple(ids[part] for part in doubtful)

    @property
    def growing(self) -> Growing:
        """The balance of the build as far as it has come."""
        if self._growing is None:
            self._growing = Growing(self.structure, self.up, self._members.tolist())
        return self._growing

    def _with_all_above(self, parts: Iterable[int]) -> set[int]:
        """The parts, all that lies on them and all that hangs on those."""
        found: set[int] = set()
        pending = list(parts)
        while pending:
            part = pending.pop()
            if part not in found:
                found.add(part)
                pending += [over for over in self._above.get(part, ()) if over in self.present]
                pending += self._hung.get(part, ())
        return found


def _over(points: Array, support: Array) -> bool:
    """Whether the points (k, 2) lie over the hull of ``support`` (m, 2)."""
    return len(support) > 2 and lies_over(points, support.mean(axis=0), support)


def _grips(structure: Structure) -> dict[int, dict[int, float]]:
    """Newtons that hold each part to each of its neighbours, by row; rests hold nothing."""
    found: dict[int, dict[int, float]] = {}
    rows = structure.model.index_of
    for joint in structure.joints.joints:
        if joint.kind != "rest":
            a, b = rows[joint.a], rows[joint.b]
            found.setdefault(a, {})[b] = found.setdefault(b, {})[a] = joint.hold_n
    return found
