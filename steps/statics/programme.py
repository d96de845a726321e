"""The conic programme of one case: what is least, or most, among the forces that balance.

Each contact's K (see :class:`steps.statics.equilibrium.Capacity`) is a second-order cone cut off at its pull,
so that the programme, the splitting and the certificates speak of the same set to the letter. Three questions
are asked of it, all by one interior-point solver (Clarabel):

* :func:`elastic`: how little must hands help? Nothing shows that the case holds; else the prices are a
  motion in which it falls;
* :func:`least_use`: how small can the largest share of any capacity be?
* :func:`limit`: by how much can some loads grow?
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import clarabel
import numpy as np
from scipy import sparse

from steps.model import Array, IntArray, frozen_array
from steps.progress import tick
from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.rigid import Bodies, Contacts

#: Share of a capacity by which the programme may pass it, the solver's own tolerance being 1e-8.
USE_TOLERANCE = 1e-6
#: A hand force below this share of the greatest load on a body is rounding.
HAND_TOLERANCE = 1e-5
#: A load factor above this is called unlimited: no contact's capacity bounds it.
UNLIMITED = 1e6
#: Rounds of the interior point after which it has no answer (a sound programme takes 10 to 40).
ROUNDS = 120
#: How the solver factors: of a tower of 1,000 parts in a third of the time of its usual way, which is made
#: for denser ones (measured with clarabel 0.11 on one core).
FACTOR = "qdldl"
#: What the solver makes its matrix firmer by, and refines away again: its usual, and where it loses its
#: footing, as in one of five programmes of branching sculptures and arcades, more.
FIRM = (1e-8, 1e-7)


@dataclass(frozen=True, eq=False)
class Balance:
    """Whether the bodies can balance, with what share of the capacities, and by which forces.

    ``use`` is the least possible largest share of any pull or grip capacity, ``inf`` when no forces
    balance at all, ``nan`` where the solver has no answer; ``reserve`` is its reciprocal. ``force`` (k, 3: N)
    acts on each contact's first body; ``share`` (k,) is the share of its capacity that each contact uses in
    that solution. ``blame`` (k,) sums to one: by how much of themselves the use would fall if a contact's
    capacity grew a little.
    """

    ok: bool
    use: float
    force: Array
    share: Array
    blame: Array

    @property
    def reserve(self) -> float:
        return float("inf") if self.use <= 0 else 1.0 / self.use


@dataclass(frozen=True, eq=False)
class Limit:
    """The greatest factor on the growing loads that can still be balanced (0 or below: not even none)."""

    factor: float
    ok: bool
    force: Array


@dataclass(frozen=True, eq=False)
class Help:
    """The least help of hands: ``hand`` (n, 6: N, N mm) on each body, by the least sum over the bodies of the
    force with the moment over a typical arm; ``force`` (k, 3: N) at the contacts; ``motion`` (6 n,) in which
    it falls without, as :meth:`Equilibrium.excess` takes it."""

    hand: Array
    force: Array
    motion: Array

    @property
    def needed(self) -> bool:
        return bool(np.any(self.hand))


class _Cones:
    """The forces of one case as columns and the K of each contact as cones, for ``A x + s = b``.

    Columns: the normal force of every contact that can bear any, then the two tangents of those that bear
    across. The capacities are the right sides of the rows ``sides``: K's least and greatest normal force, and
    the reach of its cone. ``stronger`` is what they may grow to, which decides what columns there are.
    """

    def __init__(
        self, equilibrium: Equilibrium, case: Case, capacity: Capacity, stronger: Capacity | None = None
    ) -> None:
        self.equilibrium, self.case = equilibrium, case
        self.capacity = own = equilibrium.capacity(case, capacity)
        self.most = most = own if stronger is None else equilibrium.capacity(case, stronger)
        self.pinned = np.isinf(own.grip)
        rubs = np.where(most.push, most.friction, 0.0)
        self.along = np.flatnonzero(most.push | (most.pull > 0))
        bears = self.pinned | (rubs > 0) | (np.where(self.pinned, 0.0, most.grip) > 0)
        self.across = np.flatnonzero(bears)
        self.round = np.flatnonzero(~self.pinned[self.across])
        self.shut = self.along[~own.push[self.along]]
        self.count = len(self.along) + 2 * len(self.across)
        self.free = np.flatnonzero(np.repeat(case.present & ~case.held, 6))
        self.sides = self.sides_with(own)
        place = np.full(len(own.pull), -1)
        place[self.along] = np.arange(len(self.along))
        cones = self.across[self.round]
        count = len(cones)
        rubbing = np.flatnonzero((rubs[cones] > 0) & (place[cones] >= 0))
        first = len(self.along) + 2 * self.round
        rows = np.concatenate([3 * rubbing, 3 * np.arange(count) + 1, 3 * np.arange(count) + 2])
        columns = np.concatenate([place[cones[rubbing]], first, first + 1])
        values = np.concatenate([-rubs[cones[rubbing]], np.full(2 * count, -1.0)])
        cone = sparse.coo_matrix((values, (rows, columns)), shape=(3 * count, self.count))
        least = self._rows(np.arange(len(self.along)), -1.0)
        self.inner = sparse.vstack([least, self._rows(place[self.shut], 1.0), cone])

    def _rows(self, columns: IntArray, sign: float) -> sparse.coo_matrix:
        entries = (np.full(len(columns), sign), (np.arange(len(columns)), columns))
        return sparse.coo_matrix(entries, shape=(len(columns), self.count))

    def sides_with(self, capacity: Capacity) -> Array:
        """(rows,) pull; the greatest push of those that do not push as they are; reach of each cone."""
        cones = self.across[self.round]
        rubs = np.where(capacity.push, capacity.friction, 0.0)
        reach = np.zeros(3 * len(cones))
        reach[::3] = (rubs * capacity.pull + capacity.grip)[cones]
        push = np.where(capacity.push[self.shut], self._hard_push(), 0.0)
        return np.concatenate([capacity.pull[self.along], push, reach])

    def _hard_push(self) -> float:
        """More than any contact has to push in earnest: ten times all loads together."""
        return 10.0 * float(np.abs(self.loads).sum())

    def owners(self) -> IntArray:
        """(rows,) the contact of each capacity row."""
        return np.concatenate([self.along, self.shut, np.repeat(self.across[self.round], 3)])

    @property
    def balanced(self) -> sparse.csc_matrix:
        """(6 free bodies, columns): force and moment / arm."""
        bears = np.zeros((3, len(self.pinned)), dtype=bool)
        bears[0, self.along], bears[1:, self.across] = True, True
        tangents = len(self.along) + np.arange(2 * len(self.across)).reshape(2, -1)
        columns = self.equilibrium.acting(bears, self.case.present & ~self.case.held)
        return columns[np.append(np.arange(len(self.along)), tangents.T)].T

    @property
    def loads(self) -> Array:
        """(6 free bodies,) in units of the case's scale."""
        return self.equilibrium.scaled_loads(self.case)[self.free]

    def solve(
        self,
        cost: Array,
        extra: Any,
        growth: Any | None = None,
        base: float = 1.0,
        more: Sequence[tuple[Any, Array, list[Any]]] = (),
        crushes: bool = True,
    ) -> Any:
        """Least ``cost`` over the forces and the columns of ``extra`` (6 free bodies, e), which act so too.

        ``growth`` (rows of ``sides``, e) says by how much they widen the capacities, ``base`` times what they
        are; ``more`` are further rows (on the extra columns), right sides and cones. Where it ``crushes``, no
        force is beyond what is believed; mostly none comes near, so that it is bounded only where one does.
        The solver's answer, whatever its status.
        """
        extra = sparse.csc_matrix(extra)
        grown = sparse.csc_matrix((len(self.sides), extra.shape[1])) if growth is None else growth
        blocks = [[self.balanced, extra], [self.inner, -grown]]
        right = [-self.loads, base * self.sides]
        linear = len(self.along) + len(self.shut)
        cones: list[Any] = [clarabel.ZeroConeT(len(self.free)), clarabel.NonnegativeConeT(linear)]
        cones += [clarabel.SecondOrderConeT(3)] * len(self.round)
        for matrix, bound, own in more:
            blocks.append([sparse.csc_matrix((matrix.shape[0], self.count)), matrix])
            right.append(bound)
            cones += own
        costs = np.append(np.zeros(self.count), cost)
        found = self._solved(costs, blocks, right, cones)
        if crushes and found.status in _SOLVED and not self.believed(found):
            sides, most = self._within_reason()
            blocks.append([sides, sparse.csc_matrix((sides.shape[0], extra.shape[1]))])
            found = self._solved(
                costs, blocks, [*right, most], [*cones, clarabel.NonnegativeConeT(len(most))]
            )
        return found

    def _solved(self, costs: Array, blocks: list[list[Any]], right: list[Array], cones: list[Any]) -> Any:
        matrix = sparse.bmat(blocks, format="csc")
        settings = clarabel.DefaultSettings()
        settings.verbose, settings.max_iter, settings.max_threads = False, ROUNDS, 1
        settings.direct_solve_method = FACTOR
        nothing = sparse.csc_matrix((matrix.shape[1], matrix.shape[1]))
        for firmer in FIRM:
            settings.static_regularization_constant = firmer
            solver = clarabel.DefaultSolver(nothing, costs, matrix, np.concatenate(right), cones, settings)
            solver.set_termination_callback(_go_on)
            found = solver.solve()
            if found.status not in _LOST and (
                found.status not in _SOLVED or self.greatest(found) <= UNLIMITED
            ):
                break
        return found

    def _within_reason(self) -> tuple[sparse.csc_matrix, Array]:
        """Rows on the forces, and their right sides: no push, and no pin, beyond what is believed."""
        pins = len(self.along) + np.flatnonzero(np.repeat(self.pinned[self.across], 2))
        columns = np.concatenate([np.arange(len(self.along)), pins, pins])
        signs = np.concatenate([np.ones(len(self.along) + len(pins)), np.full(len(pins), -1.0)])
        entries = (signs, (np.arange(len(columns)), columns))
        rows = sparse.csc_matrix(entries, shape=(len(columns), self.count))
        return rows, np.full(len(columns), self.equilibrium.crush(self.case))

    def believed(self, found: Any) -> bool:
        """Whether no force of an answer is beyond what is believed: it is balanced then only as far as
        rounding goes."""
        return self.greatest(found) <= self.equilibrium.crush(self.case) * (1 + USE_TOLERANCE)

    def greatest(self, found: Any) -> float:
        """The greatest force of an answer, in units of the case's scale."""
        return float(np.abs(np.array(found.x)[: self.count]).max(initial=0.0))

    def forces(self, solution: Array, scale: float) -> Array:
        """(k, 3) N on each contact's first body, model axes."""
        local = np.zeros((len(self.pinned), 3))
        local[self.along, 0] = solution[: len(self.along)]
        local[self.across, 1:] = solution[len(self.along) : self.count].reshape(-1, 2)
        return frozen_array(np.einsum("kij,ki->kj", self.equilibrium.frames, local * scale), (None, 3))

    def nothing(self) -> Array:
        """No force anywhere."""
        return self.forces(np.zeros(self.count), 1.0)

    def shares(self, solution: Array) -> Array:
        """(k,) the least share of its pull and grip with which each contact could do what it does."""
        share, along = np.zeros(len(self.pinned)), np.zeros(len(self.pinned))
        along[self.along] = solution[: len(self.along)]
        pulls = self.along[self.capacity.pull[self.along] > 0]
        share[pulls] = np.maximum(-along[pulls], 0.0) / self.capacity.pull[pulls]
        beside = np.hypot(*solution[len(self.along) : self.count].reshape(-1, 2)[self.round].T)
        cones, reach = self.across[self.round], self.sides[len(self.along) + len(self.shut) :: 3]
        rubs = np.where(self.capacity.push, self.capacity.friction, 0.0)[cones]
        wide = reach > 0
        beyond = np.maximum(beside - rubs * along[cones], 0.0)
        share[cones[wide]] = np.maximum(share[cones[wide]], beyond[wide] / reach[wide])
        return frozen_array(share, (None,))

    def blames(self, prices: Array) -> Array:
        """(k,) what each contact's capacity is worth, from the prices of the rows."""
        worth = prices[len(self.free) : len(self.free) + len(self.sides)] * self.sides
        return frozen_array(np.maximum(np.bincount(self.owners(), worth, len(self.pinned)), 0.0), (None,))


def _go_on(_: object) -> bool:
    """What the solver asks each round: whether to end."""
    tick()
    return False


#: The solver lost its footing: an answer may be found with a firmer matrix.
_LOST = (clarabel.SolverStatus.NumericalError, clarabel.SolverStatus.InsufficientProgress)
#: The solver has an answer, to its full or its reduced tolerance.
_SOLVED = (clarabel.SolverStatus.Solved, clarabel.SolverStatus.AlmostSolved)


def elastic(equilibrium: Equilibrium, case: Case, capacity: Capacity) -> Help | None:
    """The least help of hands with which a case balances; None where the solver gives no answer."""
    cones = _Cones(equilibrium, case, capacity)
    hands, bodies = len(cones.free), len(cones.free) // 6
    if not hands:
        return Help(np.zeros_like(case.loads), cones.nothing(), np.zeros(case.loads.size))
    acts = sparse.hstack([sparse.identity(hands), sparse.csc_matrix((hands, bodies))])
    # per body: its sum, then the six forces of the hand
    rows = np.concatenate([7 * np.arange(bodies), np.delete(np.arange(7 * bodies), np.s_[::7])])
    columns = np.concatenate([hands + np.arange(bodies), np.arange(hands)])
    sums = sparse.coo_matrix((np.full(7 * bodies, -1.0), (rows, columns)), shape=(7 * bodies, hands + bodies))
    cost = np.append(np.zeros(hands), np.ones(bodies))
    more = [(sums, np.zeros(7 * bodies), [clarabel.SecondOrderConeT(7)] * bodies)]
    found = cones.solve(cost, acts, more=more)
    if found.status not in _SOLVED or not cones.believed(found):
        return None
    solution, prices = np.array(found.x), np.array(found.z)
    hand, motion = np.zeros(case.loads.size), np.zeros(case.loads.size)
    hand[cones.free] = solution[cones.count : cones.count + hands]
    each = hand.reshape(-1, 6)
    each[np.linalg.norm(each, axis=1) <= HAND_TOLERANCE] = 0.0
    motion[cones.free] = prices[:hands]
    each[:, :3] *= case.scale
    each[:, 3:] *= case.scale * equilibrium.arm
    return Help(
        frozen_array(each, (None, 6)), cones.forces(solution, case.scale), frozen_array(motion, (None,))
    )


#: The solver has nothing to go by.
_NO_ANSWER = (clarabel.SolverStatus.Unsolved, clarabel.SolverStatus.DualInfeasible)
#: The solver has shown that there is none.
_IMPOSSIBLE = (clarabel.SolverStatus.PrimalInfeasible, clarabel.SolverStatus.AlmostPrimalInfeasible)


@dataclass(frozen=True, eq=False)
class Growth:
    """The cheapest growth of capacities with which a case balances: ``share`` (g,) of each group's way, 0 to
    1, None where not even all of it does; ``force`` (k, 3: N) at the contacts then; ``motion`` (6 n,) in
    which it falls without, or, where there is no share, whatever grows."""

    share: Array | None
    force: Array
    motion: Array


def least_growth(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    stronger: Capacity,
    group: IntArray,
    cost: Array,
    limits: sparse.csc_matrix | None = None,
) -> Growth | None:
    """The cheapest growth from ``capacity`` to ``stronger`` with which a case balances; None where the solver
    has no answer at all. Where it stops short of its tolerance the answer is what it has: check the forces.

    ``group`` (k,) numbers the contacts that grow together, -1 for those that do not; ``cost`` (g,) is of the
    whole way of each; the shares, by each row of ``limits`` (l, g), come to no more than one together. It is
    the relaxation of choosing whole groups to strengthen.
    """
    cones = _Cones(equilibrium, case, capacity, stronger)
    groups, owners = len(cost), cones.owners()
    wider = np.maximum(cones.sides_with(cones.most) - cones.sides, 0.0)
    grows = np.flatnonzero((group[owners] >= 0) & (wider > 0))
    entries = (wider[grows], (grows, group[owners][grows]))
    growth = sparse.coo_matrix(entries, shape=(len(cones.sides), groups)).tocsc()
    one = sparse.identity(groups, format="csc")
    some = sparse.csc_matrix((0, groups)) if limits is None else limits
    most = np.concatenate([np.ones(groups + some.shape[0]), np.zeros(groups)])
    bounds = (sparse.vstack([one, some, -one]).tocsc(), most, [clarabel.NonnegativeConeT(len(most))])
    found = cones.solve(cost, sparse.csc_matrix((len(cones.free), groups)), growth, more=[bounds])
    motion = np.zeros(case.loads.size)
    motion[cones.free] = np.array(found.z)[: len(cones.free)]
    if found.status in _IMPOSSIBLE:
        return Growth(None, cones.nothing(), frozen_array(motion, (None,)))
    if not np.all(np.isfinite(found.x)) or found.status in _NO_ANSWER:
        return None
    share = frozen_array(np.clip(np.array(found.x)[cones.count :], 0.0, 1.0), (None,))
    return Growth(share, cones.forces(np.array(found.x), case.scale), frozen_array(motion, (None,)))


def balance(bodies: Bodies, contacts: Contacts, loads: Array) -> Balance:
    """Balance the ``loads`` (n, 6: N, N mm about the centroids) with the least largest share of any capacity.

    ``ok`` when that share is at most one. A dry stack uses no capacity: it balances with use 0 or not at all.
    """
    return least_use(Equilibrium(bodies, contacts), Case.make(loads), Capacity.of(contacts))


def least_use(equilibrium: Equilibrium, case: Case, capacity: Capacity) -> Balance:
    """As :func:`balance`, for one case of an operator."""
    cones = _Cones(equilibrium, case, capacity)
    zeros = frozen_array(np.zeros(len(capacity.pull)), (None,))
    if not np.any(case.loads):
        return Balance(True, 0.0, cones.nothing(), zeros, zeros)
    # the use is reckoned in the greatest capacity, so that its column is of order one
    most = float(cones.sides.max(initial=0.0)) or 1.0
    column = sparse.csc_matrix((len(cones.free), 1))
    at_least = [(sparse.csc_matrix([[-1.0]]), np.zeros(1), [clarabel.NonnegativeConeT(1)])]
    growth = sparse.csc_matrix(cones.sides[:, None] / most)
    found = cones.solve(np.ones(1), column, growth, 0.0, at_least)
    if found.status not in _SOLVED or not cones.believed(found):
        use = np.inf if found.status in _IMPOSSIBLE else np.nan
        return Balance(False, use, cones.nothing(), zeros, zeros)
    solution = np.array(found.x)
    use = float(solution[-1]) / most
    return Balance(
        use <= 1 + USE_TOLERANCE,
        0.0 if use < USE_TOLERANCE else use,
        cones.forces(solution, case.scale),
        cones.shares(solution),
        frozen_array(cones.blames(np.array(found.z)) / most, (None,)),
    )


def limit(bodies: Bodies, contacts: Contacts, loads: Array, growing: Array, safety: float = 1.0) -> Limit:
    """The greatest factor f for which ``loads + f growing`` balances, capacities divided by ``safety``."""
    equilibrium = Equilibrium(bodies, contacts)
    case, more = Case.make(loads, safety=safety), Case.make(growing)
    cones = _Cones(equilibrium, case, Capacity.of(contacts))
    grown = equilibrium.scaled_loads(more)[:, None] * (more.scale / case.scale)
    bounds = (sparse.csc_matrix([[1.0], [-1.0]]), np.array([UNLIMITED, 1.0]), [clarabel.NonnegativeConeT(2)])
    found = cones.solve(-np.ones(1), grown, more=[bounds], crushes=False)
    if found.status not in _SOLVED or cones.greatest(found) > UNLIMITED:
        return Limit(float("-inf"), False, cones.nothing())
    factor = float(found.x[-1])
    factor = float("inf") if factor >= UNLIMITED * (1 - 1e-6) else factor
    return Limit(factor, factor >= 0, cones.forces(np.array(found.x), case.scale))
