"""Which units may go in next without shutting another out.

Every unit has its way in. Putting B in shuts A out when A, on its way, would hit B; so B waits until
every such A is in its place. Only the nearest such A is remembered; when it is placed the next is
looked for.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping

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

    def waits_for(self, unit: int) -> int:
        """An unplaced unit that must go in before ``unit``, or -1 when it may go in now."""
        known = self._waits_for.get(unit, -1)
        if known in self.unplaced:
            return known
        found = self._search(unit)
        self._waits_for[unit] = found
        return found

    def all_waited_for(self, unit: int, most: int = 9) -> list[int]:
        """Every unplaced unit that must go in before ``unit``, at most ``most``."""
        found = {first for first in self.earlier.get(unit, ()) if first in self.unplaced}
        for columns in self.columns.values():
            for part in self.site.units[unit].parts:
                for other in columns.all_behind(part, self.friends[unit]):
                    found.add(self.site.unit_of[other])
                    if len(found) >= most:
                        return sorted(found)
        return sorted(found)

    def all_before(self, unit: int) -> list[int]:
        """Every unplaced unit that must go in before ``unit``, and before those, and so on."""
        found: set[int] = set()
        pending = [unit]
        while pending:
            fresh = set(self.all_waited_for(pending.pop(), len(self.unplaced) + 1)) - found - {unit}
            found |= fresh
            pending += sorted(fresh)
        return sorted(found)

    def place(self, unit: int) -> None:
        """The unit is in its place."""
        del self.unplaced[unit]
        if unit in self.bent:
            return
        columns = self.columns[self.ways[unit]]
        for part in self.site.units[unit].parts:
            columns.remove(part)

    def _search(self, unit: int) -> int:
        for first in self.earlier.get(unit, ()):
            if first in self.unplaced:
                return first
        for columns in self.columns.values():
            for part in self.site.units[unit].parts:
                other = columns.behind(part, self.friends[unit])
                if other >= 0:
                    return self.site.unit_of[other]
        return -1
