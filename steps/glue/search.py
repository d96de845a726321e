"""What the search for the least glue knows of one model: what its joints hold, and whether cases hold."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from steps.glue.cases import Case, solve
from steps.glue.pieces import Fall, Mask, Rigid, mask_of
from steps.glue.screen import Holds, holds_of, proved_lifts
from steps.model import Array, IntArray
from steps.statics import Contacts, Stand, Structure

Value = TypeVar("Value")

#: Parts above which a model is very large: its programmes have at most so many pieces, since larger ones take
#: minutes each; what they do not tell stays unsettled.
VERY_LARGE, MOST_PIECES = 800, 300
#: What leans is asked on its own where it is at most this share of the parts.
WORTH = 0.8


@dataclass(eq=False)
class Search:
    """``programmes`` and ``work`` (see :class:`Rigid`) count what has been solved. What it keeps of each
    case never changes an answer."""

    structure: Structure
    strength: Array  #: (joints,) N when glued, 0 for joints that may not be
    forced: frozenset[int]
    alike: tuple[Sequence[int], ...] = ()
    programmes: int = 0
    work: float = 0.0
    #: By case (id) what each joint must hold in the last proof that it holds, N, without safety.
    need: dict[int, Array] = field(default_factory=dict)
    _rigid: dict[int, Rigid] = field(default_factory=dict)
    _lift: dict[bytes, Rigid] = field(default_factory=dict)
    _region: dict[int, Rigid | None] = field(default_factory=dict)
    _stands: dict[tuple[float, ...], Stand] = field(default_factory=dict)
    _holds: dict[bytes, Holds] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ids = [joint.id for joint in self.structure.joints.joints]
        self.may: IntArray = np.flatnonzero(self.strength > 0)
        self.plain = self.structure.contacts
        self.strong = self.structure.glued({ids[row]: float(self.strength[row]) for row in self.may})
        self.plain_holds = holds_of(self.structure, self.plain)
        self.strong_holds = holds_of(self.structure, self.strong)
        self.group = np.arange(len(self.strength))
        for several in self.alike:
            rows = [row for row in several if self.strength[row] > 0]
            self.group[rows] = min(rows, default=0)

    # ------------------------------------------------------------------ one set of glued joints

    def closed(self, glued: Iterable[int]) -> frozenset[int]:
        """The joints and all that are glued when they are."""
        groups = self.group[np.array(sorted(glued), dtype=np.int64)]
        return frozenset(self.may[np.isin(self.group[self.may], groups)].tolist())

    def contacts(self, glued: Iterable[int]) -> Contacts:
        pick = mask_of(glued, len(self.strength))[self.structure.joint]
        plain, strong = self.plain, self.strong
        return replace(
            plain,
            pull=np.where(pick, strong.pull, plain.pull),
            grip=np.where(pick, strong.grip, plain.grip),
            push=np.where(pick, strong.push, plain.push),
        )

    def holds_with(self, glued: Iterable[int]) -> Holds:
        pick = mask_of(glued, len(self.strength))
        plain, strong = self.plain_holds, self.strong_holds
        return Holds(
            np.where(pick, strong.pull, plain.pull),
            np.where(pick, strong.arm, plain.arm),
            np.where(pick[:, None], strong.middle, plain.middle),
            plain.first,
            plain.second,
        )

    def pieces(self, holds: Holds, case: Case) -> IntArray:
        """A label per part: parts joined by joints that can pull have one label, and so have those held."""
        count = len(self.structure.bodies)
        live = holds.pull > 0
        rows, columns = [holds.first[live]], [holds.second[live]]
        if len(case.held) > 1:
            rows.append(case.held[1:])
            columns.append(np.full(len(case.held) - 1, case.held[0]))
        row, column = np.concatenate(rows), np.concatenate(columns)
        there = mask_of(case.parts, count)
        inside = there[row] & there[column]
        graph = sparse.coo_matrix((np.ones(inside.sum()), (row[inside], column[inside])), (count, count))
        return connected_components(graph, directed=False)[1]

    # ------------------------------------------------------------------ whether cases hold

    def rigid(self, case: Case) -> Rigid:
        if id(case) not in self._rigid:
            lift = case.kind == "lift" and len(case.held) == 1
            alike = self._lift.get(case.parts.tobytes()) if lift else None
            self._rigid[id(case)] = (
                Rigid(self.structure, self.plain, self.strong, case) if alike is None else alike.held_by(case)
            )
            if lift:
                self._lift.setdefault(case.parts.tobytes(), self._rigid[id(case)])
        return self._rigid[id(case)]

    def counted(self, rigid: Rigid, ask: Callable[[Rigid], Value]) -> Value:
        """The answer, its programmes and work added to the count."""
        programmes, work = rigid.programmes, rigid.work
        answer = ask(rigid)
        self.programmes += rigid.programmes - programmes
        self.work += rigid.work - work
        return answer

    def holds(self, glued: Iterable[int], case: Case) -> tuple[bool, Fall | None, Mask]:
        """Whether a case holds, else how it falls (None: not found out) and the joints that were not taken as
        rigid."""
        rows = sorted(glued)
        mask, holds = mask_of(rows, len(self.strength)), self.holds_with(rows)
        most = MOST_PIECES if len(case.parts) > VERY_LARGE else None
        region = self.region(case)
        if region is not None and self.counted(region, lambda each: each.holds(mask, holds, most))[0]:
            self.need[id(case)] = region.need
            return True, None, np.zeros(len(mask), dtype=bool)
        rigid = self.rigid(case)
        found = self.counted(rigid, lambda each: each.holds(mask, holds, most))
        if found[0]:
            self.need[id(case)] = rigid.need
        return found

    def weak_joints(self, glued: Iterable[int], case: Case) -> IntArray | None:
        """Joints of the trees that are too weak for a case: with none of them it holds; None where the joints
        that hold do not make one piece with what is held."""
        rows = sorted(glued)
        mask, holds = mask_of(rows, len(self.strength)), self.holds_with(rows)
        return self.counted(self.rigid(case), lambda each: each.weak_joints(mask, holds))

    def region(self, case: Case) -> Rigid | None:
        """Of a case that stands on the table only what leans, the rest being ground that pushes straight up;
        None where that is all there is."""
        if not case.table or len(case.held):
            return None
        if id(case) not in self._region:
            leans, under, bears = self._leaning(case)
            small = replace(case, parts=np.union1d(leans, under), held=under)
            worth = len(leans) <= WORTH * len(case.parts)
            self._region[id(case)] = (
                Rigid(self.structure, self.plain, self.strong, small, case, bears) if worth else None
            )
        return self._region[id(case)]

    def carried(self, case: Case) -> bool:
        """Whether every part of a case that stands on the table is carried straight down, or every part that
        is pressed on, the rest standing as it did: pushes that carry the press alone can be added to that."""
        if not case.table or (len(case.held) and not case.on):
            return False
        leans = self._leaning(case)[0]
        return not np.isin(leans, case.on).any() if case.on else not len(leans)

    def _leaning(self, case: Case) -> tuple[IntArray, IntArray, Mask]:
        key = tuple(case.up.tolist())
        if key not in self._stands:
            self._stands[key] = Stand.of(self.structure, case.up)
        return self._stands[key].leaning(case.parts, case.aslant)

    def quickly_proved(self, glued: Iterable[int], cases: Sequence[Case]) -> set[int]:
        """The ids of cases that hold by the quick proofs: a tree of strong joints, parts carried straight."""
        found = {id(case) for case in cases if self.carried(case)}
        holds, centroid = self.holds_with(glued), self.structure.bodies.centroid
        for lifts in _lifts_alike(cases):
            ok = proved_lifts(holds, lifts, centroid)
            found |= {id(case) for case, proof in zip(lifts, ok, strict=True) if proof}
        return found

    def failing(self, glued: Iterable[int], cases: Sequence[Case], first_only: bool = False) -> list[Case]:
        """The cases that fail with a set glued."""
        rows = sorted(glued)
        proved = self.quickly_proved(rows, cases)
        failed = []
        for case in cases:
            if id(case) not in proved and not self.holds(rows, case)[0]:
                failed.append(case)
                if first_only:
                    break
        return failed

    def first_to_give(self, case: Case) -> tuple[int, float]:
        """With everything glued, the joint that most limits the load, and how many times what it can hold is
        asked of it, safety included; -1 and infinity where no forces balance at all."""
        self.programmes += 1
        balance, joint = solve(self.structure, self.contacts(self.may.tolist()), case)
        blame = np.bincount(joint + 1, balance.blame, minlength=1)[1:]
        if not np.isfinite(balance.use) or blame.max(initial=0.0) <= 0:
            return -1, float("inf")
        return int(np.argmax(blame.round(6))), balance.use * case.safety


def _lifts_alike(cases: Sequence[Case]) -> list[list[Case]]:
    """Lifts by one part, those of the same parts together."""
    found: dict[bytes, list[Case]] = {}
    for case in cases:
        if case.kind == "lift" and len(case.held) == 1:
            found.setdefault(case.parts.tobytes(), []).append(case)
    return list(found.values())
