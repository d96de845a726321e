"""A load case with many joints taken as rigid: a few pieces instead of all parts.

What falls apart although some joints are taken as rigid falls apart without: that *no* is final, and the way
the pieces move names the joints of which one must be glued. What balances so holds if within each piece a
tree of its strongest joints passes on the forces that meet there (see :mod:`steps.glue.screen`): that *yes*
is a proof. Where a joint of the tree is too weak for that, the joints round what hangs on it are no longer
taken as rigid, and the question is asked again, in the end with no rigid joint at all.
"""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components, depth_first_order, dijkstra, minimum_spanning_tree

from steps.glue.cases import Case
from steps.glue.screen import Holds
from steps.model import Array, IntArray
from steps.statics import GROUND, Contacts, Structure
from steps.statics.programme import CONE_SIDES, tangents
from steps.statics.solver import solve_priced

Mask = NDArray[np.bool_]

#: The piece of a part that is not there.
ABSENT = -2

#: A hand force below this share of the greatest load is rounding; the solver's own feasibility is 1e-7.
HAND_TOLERANCE = 1e-6
#: Two pieces that move apart by less than this, where what falls moves by one, stay together.
STILL = 1e-6
#: Contacts whose forces are kept in answers of one case, or of all lifts of the same parts: 12 MB.
KEPT = 500_000
#: Parts whose trees take as long to look at as a programme of 1,000 columns.
TREE_PARTS = 300
#: Columns whose solving takes as long as setting up a programme does.
SET_UP = 600
#: Times the joints round what is too weak are freed before the programme is solved without rigid joints.
ROUNDS = 8


#: What a unit force is: a push or a pull along the normal, a pin across it either way, one side of a cone.
PUSH, PULL, PIN, SIDE = range(4)


@dataclass(frozen=True, eq=False)
class Forces:
    """Unit forces at contacts, (k,) each: the row of its ``contact``, its ``way`` (k, 3), its ``kind``, the
    most it can be when the joint is not glued and when it is (N), the cone it uses up and the cone it widens
    (rows, -1 for none). Cones, (c,) each: the row of the contact, and what it grips without a push (N)."""

    contacts: Contacts
    joint: IntArray
    contact: IntArray
    way: Array
    kind: IntArray
    plain: Array
    strong: Array
    uses: IntArray
    widens: IntArray
    cone: IntArray
    grip_plain: Array
    grip_strong: Array

    @staticmethod
    def of(plain: Contacts, strong: Contacts, joint: IntArray) -> Forces:
        """``strong`` are the contacts when all joints that may be are glued; they can do no less."""
        pinned = np.isinf(strong.grip)
        pushes, pulls, pins = (
            np.flatnonzero(strong.push),
            np.flatnonzero(strong.pull > 0),
            np.flatnonzero(pinned),
        )
        cones = np.flatnonzero(~pinned & ((strong.friction > 0) | (strong.grip > 0)))
        sides = np.repeat(cones, CONE_SIDES)
        first, second = tangents(strong.normal)
        angle = np.tile(2 * np.pi * np.arange(CONE_SIDES) / CONE_SIDES, len(cones))[:, None]
        round_cone = first[sides] * np.cos(angle) + second[sides] * np.sin(angle)
        ways = [strong.normal[pushes], -strong.normal[pulls], first[pins], second[pins], round_cone]
        kind = np.repeat([PUSH, PULL, PIN, SIDE], [len(pushes), len(pulls), 2 * len(pins), len(sides)])
        rubs = (plain.friction > 0) | (plain.grip > 0)
        can = [plain.push[pushes], np.isinf(plain.grip[pins]), np.isinf(plain.grip[pins]), rubs[sides]]
        uses, widens = np.full(len(kind), -1), np.full(len(kind), -1)
        uses[kind == SIDE] = np.repeat(np.arange(len(cones)), CONE_SIDES)
        cone_of = np.full(len(strong), -1)
        cone_of[cones] = np.arange(len(cones))
        widens[kind == PUSH] = cone_of[pushes]
        most, pulled = np.full(len(kind), np.inf), kind == PULL
        most[~pulled] = np.where(np.concatenate(can), np.inf, 0.0)
        most[pulled] = plain.pull[pulls]
        glued = np.full(len(kind), np.inf)
        glued[pulled] = strong.pull[pulls]
        contact = np.concatenate([pushes, pulls, pins, pins, sides])
        return Forces(
            strong, joint, contact, np.concatenate(ways), kind, most, glued, uses, widens,
            cones, plain.grip[cones], strong.grip[cones],
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fall:
    """How rigid pieces move when they cannot be held: each part's piece (-1 held, -2 not there), each piece's
    velocity and turning about the model's middle (pieces + 1, 6; the last is what is held)."""

    label: IntArray
    motion: Array


@dataclass(frozen=True, eq=False)
class _Answer:
    """Least sum of hand forces (in the greatest load) that balances the pieces; how they move without hands
    (None: nobody knows); by contact the force on its first body, N, and the share of its capacity."""

    hand: float
    motion: Array | None
    force: Array
    share: Array


@dataclass(frozen=True, eq=False)
class _Weak:
    """Trees of joints (see :meth:`Rigid._forest`), the parts whose joint is too weak for what hangs on it,
    and by joint what it must hold (N), 0 where it is in no tree."""

    order: IntArray
    above: IntArray
    joint: IntArray
    tops: IntArray
    need: Array


class Rigid:
    """One load case asked with joints taken as rigid. ``programmes`` counts what was solved, ``work`` adds up
    the squares of their thousands of columns, as their time does."""

    def __init__(
        self,
        structure: Structure,
        plain: Contacts,
        strong: Contacts,
        case: Case,
        whole: Case | None = None,
        bears: Mask | None = None,
    ) -> None:
        """``whole`` is the case that this is part of, standing on the same table; ``bears``, by contact: of
        those with what is held only these count, and only as they push."""
        self.case, self.bodies = case, structure.bodies
        self.joints = len(structure.joints.joints)
        count = len(structure.bodies)
        self.there, self.held = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        self.there[case.parts], self.held[case.held] = True, True
        there, moving = self.there, self.there & ~self.held
        used = there[plain.first] & there[plain.second] & (moving[plain.first] | moving[plain.second])
        self._barred = np.zeros(self.joints, dtype=bool)  # joints that must not be taken as rigid
        if bears is not None:
            self._barred[structure.joint[self.held[plain.first] | self.held[plain.second]]] = True
            held = self.held[plain.first] | self.held[plain.second]
            used &= bears | ~held
            bare = {name: np.where(held, 0.0, getattr(plain, name)) for name in ("friction", "pull", "grip")}
            plain = replace(plain, **bare)
            strong = replace(
                strong, **{name: np.where(held, bare[name], getattr(strong, name)) for name in bare}
            )
        weak, firm, joint = plain.take(used), strong.take(used), structure.joint[used]
        if case.table:
            table, _ = structure.table_contacts((whole or case).parts, case.up)
            table = table.take(moving[table.first])
            weak, firm = Contacts.join([weak, table]), Contacts.join([firm, table])
            joint = np.concatenate([joint, np.full(len(table), -1)])
        self.forces = Forces.of(weak, firm, joint)
        self.middle = structure.bodies.centroid[case.parts].mean(axis=0)
        reach = np.linalg.norm(structure.bodies.centroid[case.parts] - self.middle, axis=1)
        self.length = float(max(reach.mean(), 1.0))  # a typical arm, mm: moments are reckoned in it
        self.loads = np.where(self.there[:, None], case.loads, 0.0)
        self.loads[:, 3:] += np.cross(structure.bodies.centroid - self.middle, self.loads[:, :3])
        self.scale = float(np.abs(self.loads[:, :3]).max()) or 1.0
        self._freed = np.zeros(self.joints, dtype=bool)  # what had to be freed for the last proof
        self._answers: dict[bytes, _Answer] = {}
        self.need = np.zeros(self.joints)  # N that each joint must hold in the last proof, without safety
        self.programmes, self.work = 0, 0.0

    def held_by(self, case: Case) -> Rigid:
        """A case that differs only in which one part is held: where that is in the same rigid piece, the
        programmes are the same, so their answers are shared."""
        other = copy(self)
        other.case = case
        other.held = mask_of(case.held, len(self.there))
        other._freed = np.zeros(self.joints, dtype=bool)
        other.programmes, other.work = 0, 0.0
        return other

    # ------------------------------------------------------------------ questions

    def holds(
        self, glued: Mask, holds: Holds, most_pieces: int | None = None
    ) -> tuple[bool, Fall | None, Mask]:
        """Whether the case holds with the ``glued`` joints; how it falls if not (None: not found out), and
        the joints that were not taken as rigid. ``holds`` are what the joints hold when so glued. No
        programme of more than ``most_pieces`` is asked: that is not found out."""
        freed = self._barred.copy()
        for again in range(ROUNDS + 1):
            rigid = (holds.pull > 0) & ~freed
            if again == ROUNDS:
                rigid[:], freed[:] = False, True
            label, pieces = self.pieces(rigid, holds)
            if most_pieces is not None and pieces > most_pieces:
                break
            found = self._balance(label, pieces, glued)
            if found.hand > HAND_TOLERANCE:
                return False, None if found.motion is None else Fall(label, found.motion), freed
            self.work += len(self.case.parts) / TREE_PARTS
            weak = self._too_weak(rigid, holds, found.force)
            if not len(weak.tops):
                self._freed = freed
                self.need = np.maximum(weak.need, self._shared(found.share) * holds.pull / self.case.safety)
                return True, None, freed
            freed |= self._round_weak(weak, rigid, holds) | self._freed
        return False, None, freed

    def weak_joints(self, glued: Mask, holds: Holds) -> IntArray | None:
        """Joints of the trees that are too weak where all that hold are rigid; None where those do not make
        one piece with what is held."""
        rigid = holds.pull > 0
        label, pieces = self.pieces(rigid, holds)
        if pieces:
            return None
        weak = self._too_weak(rigid, holds, self._balance(label, pieces, glued).force)
        return np.sort(weak.joint[weak.tops])

    def falls(self, glued: Mask, holds: Holds, freed: Mask) -> Fall | None:
        """How it falls with the ``glued`` joints even when all that hold but the ``freed`` are rigid."""
        label, pieces = self.pieces((holds.pull > 0) & ~freed, holds)
        found = self._balance(label, pieces, glued)
        falls = found.hand > HAND_TOLERANCE and found.motion is not None
        return Fall(label, found.motion) if falls and found.motion is not None else None

    def falls_alone(self, parts: Mask) -> bool:
        """Whether these parts as one rigid piece fall off the rest, the rest being held and nothing glued."""
        label = np.where(parts, 0, GROUND)
        label[~self.there] = ABSENT
        return self._balance(label, 1, np.zeros(self.joints, dtype=bool)).hand > HAND_TOLERANCE

    def apart(self, fall: Fall, holds: Holds, joints: IntArray) -> IntArray:
        """Those of the joints whose two parts move apart in a fall."""
        one, other = holds.first[joints], holds.second[joints]
        inside = self.there[one] & self.there[other]
        joints, one, other = joints[inside], one[inside], other[inside]
        motion = fall.motion[fall.label[one]] - fall.motion[fall.label[other]]
        slip = motion[:, :3] + np.cross(motion[:, 3:], holds.middle[joints] - self.middle)
        turn = motion[:, 3:] * self.length
        return joints[np.maximum(np.abs(slip).max(axis=1), np.abs(turn).max(axis=1)) > STILL]

    # ------------------------------------------------------------------ pieces

    def pieces(self, rigid: Mask, holds: Holds) -> tuple[IntArray, int]:
        """The piece of each part (GROUND held, ABSENT not there), and how many pieces can move."""
        rows = np.flatnonzero(rigid & self.there[holds.first] & self.there[holds.second])
        first, second, held = holds.first[rows], holds.second[rows], self.case.held
        if len(held) > 1:
            first = np.append(first, held[1:])
            second = np.append(second, np.full(len(held) - 1, held[0]))
        count = len(self.there)
        graph = sparse.coo_matrix((np.ones(len(first)), (first, second)), shape=(count, count))
        found = connected_components(graph, directed=False)[1]
        parts = self.case.parts
        own = found[parts]
        if len(held):
            own = np.where(own == found[held[0]], GROUND, own)
        names, number = np.unique(own, return_inverse=True)
        number = number - int(names[0] == GROUND)
        label = np.full(count, ABSENT)
        label[parts] = number
        return label, int(number.max(initial=-1)) + 1

    def _balance(self, label: IntArray, pieces: int, glued: Mask) -> _Answer:
        key = label.tobytes() + np.packbits(glued).tobytes()
        if key not in self._answers:
            if len(self._answers) * len(self.forces.contacts) >= KEPT:
                self._answers.clear()
            self._answers[key] = self._solved(label, pieces, glued)
        return self._answers[key]

    def _solved(self, label: IntArray, pieces: int, glued: Mask) -> _Answer:
        forces, count = self.forces, len(self.forces.contacts)
        force, share = np.zeros((count, 3)), np.zeros(count)
        if pieces == 0:
            return _Answer(0.0, None, force, share)
        programme = _Programme(self, label, pieces, glued)
        self.programmes += 1
        self.work += ((programme.columns + SET_UP) / 1000) ** 2
        found = programme.solve()
        if found is None:
            return _Answer(float("inf"), None, force, share)
        size, motion = found
        np.add.at(force, forces.contact[programme.used], size[:, None] * forces.way[programme.used])
        return _Answer(programme.hand, motion, force, programme.shares(size))

    def _shared(self, share: Array) -> Array:
        """By joint the greatest share of any of its contacts."""
        joint, most = self.forces.joint, np.zeros(self.joints + 1)
        np.maximum.at(most, joint, share)  # the table's, -1, go to the last
        return most[:-1]

    # ------------------------------------------------------------------ within the pieces

    def _too_weak(self, rigid: Mask, holds: Holds, contact_force: Array) -> _Weak:
        """The parts that hang on a joint of the pieces' trees that is too weak for it: trees of strongest
        joints, or of short ways to the roots where those do better."""
        strongest = self._weak_in(rigid, holds, contact_force, shallow=False)
        if not len(strongest.tops):
            return strongest
        shortest = self._weak_in(rigid, holds, contact_force, shallow=True)
        return shortest if len(shortest.tops) < len(strongest.tops) else strongest

    def _weak_in(self, rigid: Mask, holds: Holds, contact_force: Array, shallow: bool) -> _Weak:
        contacts = self.forces.contacts
        wrench = self.loads.copy()
        arm = contacts.point - self.middle
        there = np.hstack([contact_force, np.cross(arm, contact_force)])
        np.add.at(wrench, contacts.first, there)
        real = contacts.second != GROUND
        np.add.at(wrench, contacts.second[real], -there[real])
        wrench[self.held] = 0.0
        order, above, joint = self._forest(rigid, holds, shallow)
        for row in order[::-1]:
            if above[row] >= 0:
                wrench[above[row]] += wrench[row]
        hung = order[joint[order] >= 0]
        on = joint[hung]
        force = np.linalg.norm(wrench[hung, :3], axis=1)
        lever = wrench[hung, 3:] - np.cross(holds.middle[on] - self.middle, wrench[hung, :3])
        moment = np.linalg.norm(lever, axis=1)
        with np.errstate(divide="ignore"):
            need = force + np.where(moment > 1e-9, moment / holds.arm[on], 0.0)
        needs = np.zeros(self.joints)
        needs[on] = need
        return _Weak(order, above, joint, hung[need * self.case.safety > holds.pull[on]], needs)

    def _round_weak(self, weak: _Weak, rigid: Mask, holds: Holds) -> Mask:
        """Rigid joints round all that hangs on a joint that is too weak for it."""
        found = np.zeros(self.joints, dtype=bool)
        place, size = np.argsort(weak.order), np.ones(len(weak.order), dtype=np.int64)
        for row in weak.order[::-1]:
            if weak.above[row] >= 0:
                size[place[weak.above[row]]] += size[place[row]]
        for top in weak.tops:
            inside = np.zeros(len(self.there), dtype=bool)
            inside[weak.order[place[top] : place[top] + size[place[top]]]] = True
            found |= rigid & (inside[holds.first] != inside[holds.second])
        return found

    def _forest(self, rigid: Mask, holds: Holds, shallow: bool) -> tuple[IntArray, IntArray, IntArray]:
        """The pieces' trees, of strongest joints or ``shallow`` ones of short ways: the parts, each followed
        by all that hang on it; the part above each (by row, -1 for roots); its joint."""
        count = len(self.there)
        rows = np.flatnonzero(rigid & self.there[holds.first] & self.there[holds.second])
        rows = rows[np.lexsort((rows, -(holds.pull * holds.arm)[rows].round(6)))]
        node = np.arange(count)
        held = self.case.held
        if len(held):
            node[held] = held[0]
        low = np.minimum(node[holds.first[rows]], node[holds.second[rows]])
        high = np.maximum(node[holds.first[rows]], node[holds.second[rows]])
        _, first = np.unique(low * count + high, return_index=True)  # the strongest of each pair
        first = first[low[first] != high[first]]
        shape = (count + 1, count + 1)
        ends = (low[first], high[first])
        tree = minimum_spanning_tree(sparse.coo_matrix((first + 1.0, ends), shape=shape)).tocoo()
        labels = connected_components(tree, directed=False)[1][:count]
        roots = np.unique(labels, return_index=True)[1]
        if len(held):
            roots = np.where(labels[roots] == labels[held[0]], held[0], roots)
        if shallow:
            firm = (holds.pull * holds.arm)[rows[first]]
            length = 2.0 - firm / max(firm.max(initial=0.0), 1e-9)  # a strong joint is half as far
            ways = _with_root(length, ends, roots, count)
            above = dijkstra(ways, directed=False, indices=count, return_predecessors=True)[1][:count]
            hung = np.flatnonzero((above >= 0) & (above < count))
            links = _with_root(np.ones(len(hung)), (above[hung], hung), roots, count)
        else:
            links = _with_root(tree.data, (tree.row, tree.col), roots, count)
        order, above = depth_first_order(links, count, directed=False)
        by_pair = dict(
            zip(zip(low[first].tolist(), high[first].tolist(), strict=True), rows[first], strict=True)
        )
        above = np.where((above == count) | (above < 0), -1, above)[:count]
        joint = np.array(
            [
                -1 if up < 0 else by_pair[min(row, int(up)), max(row, int(up))]
                for row, up in enumerate(above.tolist())
            ]
        )
        return order[1:], above, joint


def _with_root(
    length: Array, ends: tuple[IntArray, IntArray], roots: IntArray, count: int
) -> sparse.csr_matrix:
    """A graph of ``count`` nodes and one more that leads to the roots."""
    data = np.concatenate([length, np.ones(len(roots))])
    row, column = np.append(ends[0], np.full(len(roots), count)), np.append(ends[1], roots)
    return sparse.coo_matrix((data, (row, column)), shape=(count + 1, count + 1)).tocsr()


class _Programme:
    """Pieces, the forces between them, and hands that push every piece as little as need be."""

    def __init__(self, rigid: Rigid, label: IntArray, pieces: int, glued: Mask) -> None:
        self.rigid, self.pieces, self.hand = rigid, pieces, 0.0
        forces = rigid.forces
        contacts = forces.contacts
        first = label[contacts.first]
        second = np.where(contacts.second == GROUND, GROUND, label[contacts.second])
        glue = np.append(glued, False)[forces.joint]  # the table is never glued
        most = np.where(glue[forces.contact], forces.strong, forces.plain)
        self.used = np.flatnonzero((first != second)[forces.contact] & (most > 0))
        self.most = most[self.used] / (rigid.case.safety * rigid.scale)
        self.first, self.second = first[forces.contact[self.used]], second[forces.contact[self.used]]
        cones = np.unique(forces.uses[self.used])
        self.cones = cones[cones >= 0]
        grip = np.where(glue[forces.cone], forces.grip_strong, forces.grip_plain)
        self.grip = grip[self.cones] / (rigid.case.safety * rigid.scale)
        moving = np.flatnonzero(label >= 0)
        self.centre = np.zeros((pieces, 3))
        np.add.at(self.centre, label[moving], rigid.bodies.centroid[moving] - rigid.middle)
        self.centre /= np.bincount(label[moving], minlength=pieces)[:, None]
        self.load = np.zeros((pieces, 6))
        np.add.at(self.load, label[moving], rigid.loads[moving])
        self.load[:, 3:] -= np.cross(self.centre, self.load[:, :3])

    @cached_property
    def columns(self) -> int:
        return len(self.used) + 12 * self.pieces

    def solve(self) -> tuple[Array, Array] | None:
        """The size of each force, N, and the motion of each piece and of what is held."""
        count, rows = len(self.used), 6 * self.pieces
        matrix = self._matrix()
        limits = np.zeros((self.columns, 2))
        limits[:, 1] = np.inf
        limits[:count][self.rigid.forces.kind[self.used] == PIN, 0] = -np.inf
        limits[:count, 1] = self.most
        cost = np.append(np.zeros(count), np.ones(2 * rows))
        right = -self.load / self.rigid.scale
        right[:, 3:] /= self.rigid.length
        low = np.append(right.ravel(), np.full(len(self.cones), -np.inf))
        high = np.append(right.ravel(), self.grip)
        found = solve_priced(cost, matrix, low, high, limits, feasible=True)
        if found is None:
            return None
        self.hand = found.value
        motion = np.zeros((self.pieces + 1, 6))
        motion[:-1] = found.price[:rows].reshape(-1, 6)
        motion[:, 3:] /= self.rigid.length
        motion[:-1, :3] -= np.cross(motion[:-1, 3:], self.centre)
        return found.solution[:count] * self.rigid.scale, motion

    def shares(self, size: Array) -> Array:
        """By contact the share of what it can pull or grip that forces of these sizes (N) use."""
        forces, used = self.rigid.forces, self.used
        share = np.zeros(len(forces.contacts))
        scaled = size / self.rigid.scale
        pulls = np.flatnonzero(forces.kind[used] == PULL)
        share[forces.contact[used[pulls]]] = scaled[pulls] / self.most[pulls]
        beyond = np.zeros(len(forces.cone) + 1)
        np.add.at(beyond, forces.uses[used], scaled)
        np.add.at(beyond, forces.widens[used], -forces.contacts.friction[forces.contact[used]] * scaled)
        beyond, held = beyond[self.cones], self.grip > 0
        at = forces.cone[self.cones[held]]
        share[at] = np.maximum(share[at], beyond[held] / self.grip[held])
        return share

    def _matrix(self) -> sparse.csc_matrix:
        forces, used, rows = self.rigid.forces, self.used, 6 * self.pieces
        point = forces.contacts.point[forces.contact[used]] - self.rigid.middle
        entries, at_row, at_column = [], [], []
        for piece, sign in ((self.first, 1.0), (self.second, -1.0)):
            real = np.flatnonzero(piece >= 0)
            way = sign * forces.way[used[real]]
            turn = np.cross(point[real] - self.centre[piece[real]], way) / self.rigid.length
            entries.append(np.hstack([way, turn]).ravel())
            at_row.append((6 * piece[real, None] + np.arange(6)).ravel())
            at_column.append(np.repeat(real, 6))
        number = np.full(len(forces.cone) + 1, -1)
        number[self.cones] = rows + np.arange(len(self.cones))
        for cone, value in (
            (forces.uses[used], np.ones(len(used))),
            (forces.widens[used], -forces.contacts.friction[forces.contact[used]]),
        ):
            own = np.flatnonzero(number[cone] >= 0)
            entries.append(value[own])
            at_row.append(number[cone[own]])
            at_column.append(own)
        hands = np.arange(2 * rows)
        entries.append(np.where(hands < rows, 1.0, -1.0))
        at_row.append(hands % rows)
        at_column.append(len(used) + hands)
        index = (np.concatenate(at_row), np.concatenate(at_column))
        shape = (rows + len(self.cones), self.columns)
        return sparse.coo_matrix((np.concatenate(entries), index), shape=shape).tocsc()


def mask_of(rows: Iterable[int], count: int) -> Mask:
    """True at the rows."""
    mask = np.zeros(count, dtype=bool)
    mask[list(rows)] = True
    return mask
