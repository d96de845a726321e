"""Which units may go in next without shutting another out.

Every unit has its way in. Putting B in shuts A out when A, on its way, would hit B; so B waits until
every such A is in its place. Only the nearest such A is remembered; when it is placed the next is
looked for.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping

from steps.order.columns import Columns
from steps.order.site import Site


class Readiness:
    """Keeps, for every unplaced unit, one unit that has to go in before it (or none)."""

    def __init__(
        self,
        site: Site,
        ways: Mapping[int, int],
        before: Iterable[tuple[int, int]] = (),
        bent: Container[int] = (),
    ):
        self.site = site
        self.ways = ways
        self.unplaced = dict.fromkeys(range(len(site.units)), True)
        self.friends = [frozenset(unit.parts) for unit in site.units]
        self.bent = bent
        users: dict[int, list[int]] = {}
        for unit, way in sorted(ways.items()):
            if unit in bent:
                continue  # who may shut it out is told by ``before``
            users.setdefault(way, []).extend(site.units[unit].parts)
        self.columns = {way: Columns(site.motion, way, sorted(parts)) for way, parts in sorted(users.items())}
        self.earlier: dict[int, list[int]] = {}  # unit -> units that were asked to go in before it
        for first, second in before:
            self.earlier.setdefault(second, []).append(first)
        self._waits_for: dict[int, int] = {}
        self._all: dict[int, list[int]] = {}  # all that a unit waits for, until the next is placed

    def waits_for(self, unit: int) -> int:
        """An unplaced unit that must go in before ``unit``, or -1 when it may go in now."""
        known = self._waits_for.get(unit, -1)
        if known in self.unplaced:
            return known
        found = self._search(unit)
        self._waits_for[unit] = found
        return found

    def waited_for(self, unit: int) -> Iterator[int]:
        """Every unplaced unit that must go in before ``unit``, looked for as they are asked for; one may come
        more than once."""
        yield from (first for first in self.earlier.get(unit, ()) if first in self.unplaced)
        for columns in self.columns.values():
            for part in self.site.units[unit].parts:
                for other in columns.each_behind(part, self.friends[unit]):
                    yield self.site.unit_of[other]

    def all_waited_for(self, unit: int) -> list[int]:
        """Every unplaced unit that must go in before ``unit``."""
        known = self._all.get(unit)
        if known is None:
            known = self._all[unit] = sorted(set(self.waited_for(unit)))
        return known

    def all_before(self, unit: int, most: int | None = None) -> list[int]:
        """Every unplaced unit that must go in before ``unit``, and before those, and so on; no further than
        ``most`` of them, and those of one unit."""
        found = {unit}
        pending = [unit]
        while pending and (most is None or len(found) - 1 <= most):
            fresh = [other for other in self.all_waited_for(pending.pop()) if other not in found]
            found.update(fresh)
            pending += fresh
        return sorted(found - {unit})

    def place(self, unit: int) -> None:
        """The unit is in its place."""
        del self.unplaced[unit]
        self._all.clear()
        if unit in self.bent:
            return
        columns = self.columns[self.ways[unit]]
        for part in self.site.units[unit].parts:
            columns.remove(part)

    def _search(self, unit: int) -> int:
        return next(self.waited_for(unit), -1)
