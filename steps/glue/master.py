"""The least effort that ties what must be one piece and meets all cuts known.

Variables are the joints that may be glued. What must be one piece asks for a connected set: alone that is a
spanning tree of least cost, exact (Kruskal 1956). A *cut* is a linear demand ``a . x >= 1`` that a load case
makes (:mod:`steps.glue.proofs`). Cuts are priced into the costs (Lagrangian relaxation, Held and Karp 1971):
for any prices the spanning tree of the reduced costs, with all joints of negative ones, bounds every set from
below; the prices are improved step by step, and each tree is mended and thinned to a set that meets all cuts.
Where a gap is left a mixed-integer programme closes it, if it is asked to and it is not too large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree

from steps.model import Array, IntArray, Mask
from steps.progress import patiently

#: Rounds in which the prices are improved.
ROUNDS = 120
#: Rounds without a better bound after which the step is halved.
PATIENCE = 6
#: Entries of the programme for an exact answer above which it is not asked, its rounds, and the nodes of the
#: branch and bound tree after which a round gives up.
EXACT_WORK, EXACT_ROUNDS, NODES = 40_000, 12, 200
#: What an entry of such a programme costs, of a contact in a programme of a load case: measured on a tilted
#: model of 31 parts that a child pulls at.
ENTRY = 3.0
#: Costs that differ by less are one cost: far below the least weight of an effort.
SAME = 1e-7
#: A set is the least when it is this near its bound: what tells like joints apart weighs less, and no exact
#: answer is worth its time for that.
NEAR_BOUND = 1e-4


@dataclass(frozen=True, eq=False)
class Cut:
    """The ``share`` (c,) in (0, 1] of the ``joints`` (c,) rows that are glued must come to one or more."""

    joints: IntArray
    share: Array

    def met(self, chosen: Mask) -> bool:
        """Whether a set (mask over all joints) meets it."""
        return float(self.share[chosen[self.joints]].sum()) >= 1 - 1e-9


@dataclass(frozen=True, eq=False)
class Ties:
    """What must be tied: ``low`` and ``high`` (j,) the pieces (0 to ``pieces`` - 1) that each joint ties,
    alike where it ties nothing; ``cost`` (j,) its effort, inf where it may not be glued; ``free`` (j,) joints
    that are glued at any rate. Pieces are those that hold together without glue."""

    low: IntArray
    high: IntArray
    pieces: int
    cost: Array
    free: Mask
    one_piece: bool


@dataclass(frozen=True)
class CoveringSet:
    """The joints (rows) of the best set found, its ``effort`` and the ``bound`` below which no set's lies;
    the ``work`` of exact programmes for it, as that of so many contacts in programmes of load cases."""

    joints: frozenset[int]
    effort: float
    bound: float
    work: float = 0.0


def least_effort(ties: Ties, cuts: Sequence[Cut]) -> CoveringSet:
    """The best set found, within counted rounds. There must be no cut that not even all joints meet."""
    may = np.isfinite(ties.cost)
    plain = _spanning(ties, np.where(may, ties.cost, np.inf)) | ties.free
    best = _thinned(ties, cuts, mended(cuts, plain, ties.cost))
    effort, bound = _effort(ties, best), _effort(ties, plain)
    if not cuts or effort <= bound + SAME:
        return CoveringSet(_rows(best), effort, min(bound, effort))
    matrix = _matrix(cuts, len(ties.cost))
    prices, scale, stale = np.zeros(len(cuts)), 1.0, 0
    for _ in range(ROUNDS):
        reduced = np.where(may, ties.cost - prices @ matrix, np.inf)
        chosen = _spanning(ties, reduced) | ties.free | (may & (reduced < 0))
        lower = float(reduced[chosen & may].sum() + prices.sum())
        if lower > bound + SAME:
            bound, stale = lower, 0
        else:
            stale += 1
        ready = _thinned(ties, cuts, mended(cuts, chosen, np.maximum(reduced, SAME)))
        if _effort(ties, ready) < effort - SAME:
            best, effort = ready, _effort(ties, ready)
        short = 1.0 - matrix @ chosen
        if effort <= bound + SAME or not np.any(short[(prices > 0) | (short > 0)]):
            break
        if stale >= PATIENCE:
            scale, stale = scale / 2, 0
        step = scale * (effort - lower) / max(float(short @ short), 1e-12)
        prices = np.maximum(prices + step * short, 0.0)
    return CoveringSet(_rows(best), effort, min(bound, effort))


def _matrix(cuts: Sequence[Cut], count: int) -> sparse.csr_matrix:
    rows = np.repeat(np.arange(len(cuts)), [len(cut.joints) for cut in cuts])
    columns = np.concatenate([cut.joints for cut in cuts])
    shares = np.concatenate([cut.share for cut in cuts])
    return sparse.coo_matrix((shares, (rows, columns)), shape=(len(cuts), count)).tocsr()


def _effort(ties: Ties, chosen: Mask) -> float:
    return float(ties.cost[chosen].sum())


def _rows(chosen: Mask) -> frozenset[int]:
    return frozenset(np.flatnonzero(chosen).tolist())


def _spanning(ties: Ties, cost: Array) -> Mask:
    """(j,) the joints of a tree, or forest, of least cost over the pieces; none where that is not the aim."""
    chosen = np.zeros(len(cost), dtype=bool)
    if not ties.one_piece:
        return chosen
    rows = np.flatnonzero(np.isfinite(cost) & (ties.low != ties.high))
    order = rows[np.lexsort((rows, cost[rows].round(9)))]
    low, high = np.minimum(ties.low, ties.high)[order], np.maximum(ties.low, ties.high)[order]
    _, first = np.unique(low * ties.pieces + high, return_index=True)
    # ranks as weights: the same tree for the same order of costs, negative ones included
    graph = sparse.coo_matrix((first + 1.0, (low[first], high[first])), shape=(ties.pieces, ties.pieces))
    chosen[order[minimum_spanning_tree(graph.tocsr()).data.astype(np.int64) - 1]] = True
    return chosen


def mended(cuts: Sequence[Cut], chosen: Mask, cost: Array) -> Mask:
    """The set with joints added until all cuts are met: for each the cheapest by what it gives."""
    grown = chosen.copy()
    for cut in cuts:
        rest = 1.0 - float(cut.share[grown[cut.joints]].sum())
        if rest <= 1e-9:
            continue
        open_ = ~grown[cut.joints] & np.isfinite(cost[cut.joints])
        rows, share = cut.joints[open_], cut.share[open_]
        for at in np.lexsort((rows, (cost[rows] / np.minimum(share, rest)).round(9))):
            if rest <= 1e-9:
                break
            grown[rows[at]] = True
            rest -= float(share[at])
    return grown


def _thinned(ties: Ties, cuts: Sequence[Cut], chosen: Mask) -> Mask:
    """The set without the joints, dearest first, that neither a cut nor the one piece needs."""
    needed = ties.free.copy()
    slack = np.array([float(cut.share[chosen[cut.joints]].sum()) - 1.0 for cut in cuts])
    of_joint: dict[int, list[tuple[int, float]]] = {}
    for number, cut in enumerate(cuts):
        for row, share in zip(cut.joints.tolist(), cut.share.tolist(), strict=True):
            if chosen[row]:
                of_joint.setdefault(row, []).append((number, share))
    for row in of_joint:
        needed[row] |= any(slack[number] < share - 1e-9 for number, share in of_joint[row])
    # those of the set that a tree of it can do without, once what is needed is in the tree
    needed |= _spanning(ties, np.where(chosen, np.where(needed, -1.0, ties.cost), np.inf))
    kept = chosen.copy()
    spare = np.flatnonzero(chosen & ~needed)
    for row in spare[np.lexsort((spare, -ties.cost[spare].round(9)))].tolist():
        own = of_joint.get(row, [])
        if all(slack[number] >= share - 1e-9 for number, share in own):
            kept[row] = False
            for number, share in own:
                slack[number] -= share
    return kept


def exactly(ties: Ties, cuts: Sequence[Cut], known: CoveringSet) -> CoveringSet:
    """The least set by mixed-integer programme, in which what stays apart is cut off again and again; what is
    known already where it is near its bound, or where that takes too long."""
    if known.effort <= known.bound + NEAR_BOUND:
        return known
    rows = np.flatnonzero(np.isfinite(ties.cost))
    number = np.full(len(ties.cost), -1)
    number[rows] = np.arange(len(rows))
    demands = [(number[cut.joints], cut.share) for cut in cuts]
    low, high = ties.low[rows], ties.high[rows]
    if ties.one_piece:
        demands += _apart(ties, rows, np.arange(ties.pieces))
    if len(rows) * len(demands) > EXACT_WORK:
        return known
    effort, best, bound, work = known.effort, known.joints, known.bound, 0.0
    for _ in range(EXACT_ROUNDS):
        work += ENTRY * sum(len(columns) for columns, _ in demands)
        solved = _programme(ties.cost[rows], demands, ties.free[rows])
        if solved is None:
            break
        chosen, least = solved
        bound = max(bound, least)
        used = np.flatnonzero(chosen)
        graph = sparse.coo_matrix((np.ones(len(used)), (low[used], high[used])), shape=(ties.pieces,) * 2)
        fresh = _apart(ties, rows, connected_components(graph, directed=False)[1]) if ties.one_piece else []
        if not fresh:
            best, effort = frozenset(rows[used].tolist()), float(ties.cost[rows[used]].sum())
            break
        demands += fresh
    if effort > known.effort:
        best, effort = known.joints, known.effort
    return CoveringSet(best, effort, min(bound, effort), work)


def _apart(ties: Ties, rows: IntArray, label: IntArray) -> list[tuple[IntArray, Array]]:
    """Of the joints round each lot of pieces with one label, at least one; none round what has no others."""
    one, other = label[ties.low[rows]], label[ties.high[rows]]
    found = []
    for lot in np.unique(label):
        round_ = np.flatnonzero((one == lot) != (other == lot))
        if len(round_):
            found.append((round_, np.ones(len(round_))))
    return found


def _programme(
    cost: Array, demands: Sequence[tuple[IntArray, Array]], free: Mask
) -> tuple[Mask, float] | None:
    """The cheapest set that meets all demands, and a bound of it."""
    at_row = np.repeat(np.arange(len(demands)), [len(columns) for columns, _ in demands])
    columns = np.concatenate([columns for columns, _ in demands])
    shares = np.concatenate([share for _, share in demands])
    matrix = sparse.coo_matrix((shares, (at_row, columns)), shape=(len(demands), len(cost))).tocsr()
    programme = partial(
        milp,
        cost,
        constraints=LinearConstraint(matrix, 1.0 - 1e-9, np.inf),
        integrality=1,
        bounds=Bounds(free.astype(float), 1.0),
        # a presolved answer that is off when taken back is repaired by a run that writes to standard output
        options={"node_limit": NODES, "mip_rel_gap": 0.0, "presolve": False},
    )
    found = patiently(programme)
    if found.x is None or found.mip_dual_bound is None:
        return None
    return found.x > 0.5, float(found.mip_dual_bound)
