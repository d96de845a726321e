"""Answers already found about one set of joints, kept for whoever asks next.

Order, glue and their settling ask much the same of the same parts, with joints bare, glued, or set halfway.
What balances is a matter of the forces alone: forces found with some joints hold whatever the joints can do,
as long as they can do that. So each is tried, by one product, before a programme is solved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hashlib import blake2b
from weakref import WeakKeyDictionary

import numpy as np

from steps.model import Array, IntArray, Joints, Mask
from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.programme import USE_TOLERANCE, Help

#: The least help of hands (None: the solver cannot tell), and whether any is needed.
Finding = tuple[Help | None, bool]
#: A programme that finds it.
Solver = Callable[[Equilibrium, Case, Capacity], Help | None]


@dataclass(eq=False)
class Findings:
    """Answers by question: bodies, contact points and loads. What it keeps never makes an answer wrong.

    ``carried`` says of a part (row), on the table or not, whether it is carried straight down by others (rows)
    alone; by a digest of the way up and of what supports and weighs where.
    """

    carried: dict[bytes, dict[tuple[int, bool, tuple[int, ...]], bool]] = field(default_factory=dict)
    _found: dict[bytes, list[tuple[Capacity, Finding]]] = field(default_factory=dict)

    def answer(self, equilibrium: Equilibrium, case: Case, solve: Solver) -> tuple[Finding, bool]:
        """What is known of a case, or else what ``solve`` finds; and whether it was asked."""
        capacity = Capacity.of(equilibrium.contacts)
        earlier = self._found.setdefault(_question(equilibrium, case), [])
        for own, found in earlier:
            if _same(own, capacity) or _bears(equilibrium, case, capacity, found):
                return found, False
        help_ = solve(equilibrium, case, capacity)
        found = help_, help_ is None or help_.needed
        earlier.append((capacity, found))
        return found, True


_of_joints: WeakKeyDictionary[Joints, Findings] = WeakKeyDictionary()


def findings_of(joints: Joints) -> Findings:
    """What is known so far of structures of these very joints."""
    return _of_joints.setdefault(joints, Findings())


def _question(equilibrium: Equilibrium, case: Case) -> bytes:
    """The case without what the contacts can do, as a digest."""
    bodies, contacts = equilibrium.bodies, equilibrium.contacts
    who = np.array([case.safety, case.ground], dtype=float)
    what = (bodies.centroid, case.loads, case.held, case.present, contacts.point, contacts.normal)
    return digest_of((*what, contacts.first, contacts.second, who))


def digest_of(arrays: Iterable[Array | IntArray | Mask]) -> bytes:
    """One for all arrays of these shapes and values."""
    digest = blake2b(digest_size=16)
    for each in arrays:
        digest.update(repr(each.shape).encode())
        digest.update(np.ascontiguousarray(each).tobytes())
    return digest.digest()


def _same(one: Capacity, other: Capacity) -> bool:
    names = ("friction", "pull", "grip", "push")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def _bears(equilibrium: Equilibrium, case: Case, capacity: Capacity, found: Finding) -> bool:
    """Whether forces that were found to balance the case are within what the contacts can do."""
    help_, needed = found
    return (
        help_ is not None
        and not needed
        and equilibrium.overload(case, capacity, help_.force) <= USE_TOLERANCE
    )
