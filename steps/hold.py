"""How hard a joint holds and how hard it is to close: bands of newtons, from the walls that bend.

A stud is squeezed between walls, ribs and tubes that give way; it floats between them until the forces
balance, and friction does the rest (:mod:`steps.force`). The squeeze is the file's gap less the printer's
error, once for each face; modulus, friction, walls and error scatter, and time takes its share of the hold.
No published pull-off of a printed stud joint was found: these are mechanics, not yet measurement, until pulls
on the fit card are in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.card import CLASSES, by_calliper, measured_pull_n, printed_gap, told
from steps.fit import NOTHING_N, SAFETY_OF_LOW, fit_of, within
from steps.force.bands import ASKED, NO_FORCE, Band, bands_of, shared_deviation
from steps.force.felt import Felt, Force
from steps.force.floating import settle_along
from steps.force.lips import ball_force, collar_force, pin_force
from steps.force.printed import (
    CALLIPER_ERROR_MM,
    CARD_SIGMA,
    CRACK_STRAIN,
    HOLE_SIGMA,
    MODEL_SIGMA,
    MODULUS_SIGMA,
    OWN_ERROR_MM,
    SHARED_ERROR_MM,
    Z90,
    Print,
    face_error,
    wall_sigma,
)
from steps.force.snaps import SHAVES, edge_factor, mating_factor, mating_sensitivity
from steps.force.springs import Springs, springs_of
from steps.materials import material
from steps.model import KIND_ORDER, Array, Fit, Touch
from steps.settings import Settings
from steps.strength import one_hand_n

#: A chamfer so deep (mm) takes a stud past the foot of its socket's mouth (proposal).
PAST_FOOT_MM = 0.3
#: Axes within this of each other are one axis (cosine): their studs float together.
SAME_AXIS = 0.999
#: Powers of the wall's thickness in the stiffness behind a line: a bent plate, ring or rod; a hole.
POWERS = {"wall": 3.0, "tube": 3.0, "pin": 0.0, "hole": 1.0}
#: The tightest and loosest class where nothing measured says anything.
ANY: tuple[Fit, Fit] = (CLASSES[0], CLASSES[-1])
#: Where a figure is from when it is no estimate.
MEASURED, BY_CARD, NO_GRIP = "from your measured pull-off", "by your fit card", "nothing grips"


@dataclass(frozen=True)
class Hold:
    """Bands in newtons: to pull apart when aged, to press home when fresh; each touch's own class; whether
    closing it would crack something; where the figures are from."""

    hold: Band
    push: Band
    fits: tuple[Fit, ...]  #: of each touch, in order; "none" for a rest
    cracks: bool
    source: str

    @property
    def estimated(self) -> bool:
        """Whether nobody measured it."""
        return self.source not in (MEASURED, BY_CARD, NO_GRIP)


def hold_of(touches: Sequence[Touch], settings: Settings, share_n: float = 0.0) -> Hold:
    """Hold and push of all gripping touches of one joint together, pulled along its axis. Raises nothing.

    ``share_n`` newtons is what each contact has to hold: the weight of the lighter part over the contacts.
    """
    made = Print.of(settings)
    (contacts,) = contacts_at(touches, (0.0,), settings, share_n)
    pull, push = NO_FORCE, NO_FORCE
    for force, _ in contacts:
        pull, push = pull + force.pull, push + force.push
    cracks = any(force.felt.strain > CRACK_STRAIN and fit == "tight" for force, fit in contacts)
    source = _source([touch for touch in touches if _gripping(touch)], settings)
    fits = tuple(fit for _, fit in contacts)
    return Hold(_clean(pull.times(*made.ageing)), _clean(push), fits, cracks, source)


def contacts_at(
    touches: Sequence[Touch], offsets_mm: Sequence[float], settings: Settings, share_n: float = 0.0
) -> list[list[tuple[Force, Fit]]]:
    """Force and class of each contact with its stud, peg or ball larger in radius by each offset (mm), as a
    list of touches for each offset; what was measured on the card binds them at the gap that is left."""
    made = Print.of(settings)
    forces = forces_at(touches, offsets_mm, settings)
    found: list[list[tuple[Force, Fit]]] = []
    for offset, row in zip(offsets_mm, forces, strict=True):
        contacts: list[tuple[Force, Fit]] = []
        for touch, bare in zip(touches, row, strict=True):
            if not _gripping(touch):
                contacts.append((Force(), "none"))
                continue
            bounds = told(touch.gap_mm - offset, touch.kind, settings) or ANY
            force = _bound(bare, bounds, share_n, made)
            contacts.append((force, within(fit_of(force, share_n, made), *bounds)))
        found.append(contacts)
    return found


def _gripping(touch: Touch) -> bool:
    return touch.kind != "rest" and touch.grips


def forces_at(touches: Sequence[Touch], offsets_mm: Sequence[float], settings: Settings) -> list[list[Force]]:
    """The force of each contact with its stud, peg or ball larger in radius by each offset (mm), as a list of
    touches for each offset; the card's letters aside."""
    made, offsets = Print.of(settings), np.asarray(offsets_mm, dtype=np.float64)
    found = [[Force()] * len(touches) for _ in offsets]
    floating = []
    for row, touch in enumerate(touches):
        if not _gripping(touch):
            continue
        closes = _closes(touch, made)
        own = [_alone(touch, offset, closes, made, settings) for offset in offsets.tolist()]
        for at, force in enumerate(own):
            found[at][row] += force
        if touch.kind != "ball" and not any(force.measured for force in own):
            floating.append(row)
    for group in _by_axis(touches, floating):
        for at, forces in enumerate(_friction([touches[row] for row in group], made, settings, offsets)):
            for row, force in zip(group, forces, strict=True):
                found[at][row] += force
    return found


def _alone(touch: Touch, offset: float, closes: float, made: Print, settings: Settings) -> Force:
    """What a touch has of itself, without the friction that it shares: a pull that was measured, a ball past
    its lip, a pin held at both ends, a collar. ``closes`` mm is what the printer takes from its gap."""
    if touch.snap_mm <= 0:
        pull = measured_pull_n(touch.gap_mm - offset, touch.kind, settings, closes)
        if pull is not None:
            return _measured(pull)
    if touch.kind == "ball":
        return ball_force(touch, made, offset)
    if touch.kind == "hinge":
        return pin_force(touch, material(settings.material).tensile_mpa, made)
    return collar_force(touch, made, offset) if touch.snap_mm > 0 else Force()


def _bound(force: Force, bounds: tuple[Fit, Fit], share_n: float, made: Print) -> Force:
    """A touch's force within what the card's letter says of it; pulls that were measured stay as they are.

    T: its push is above one hand's. P: within it, and it holds its share with the safety factor. S: within
    it, and it holds less. L: nothing.
    """
    if bounds == ANY and not force.measured:
        return replace(force, push=force.push.above(force.pull))
    tightest, loosest = (CLASSES.index(fit) for fit in bounds)
    hand, need = one_hand_n(), SAFETY_OF_LOW * share_n
    pull, push = force.pull, force.push
    if not force.measured:
        aged = pull.times(*made.ageing)
        if loosest <= CLASSES.index("press"):
            aged = aged.at_least(need)
        if tightest >= CLASSES.index("slide"):
            aged = aged.at_most(need)
        if tightest >= CLASSES.index("loose"):
            aged = NO_FORCE
        pull = aged.times(*(1 / kept for kept in made.ageing))
    if tightest >= CLASSES.index("press"):
        pull, push = pull if force.measured else pull.at_most(hand), push.at_most(hand)
    if loosest == CLASSES.index("tight"):
        push = push.at_least(hand)
    push = NO_FORCE if tightest >= CLASSES.index("loose") else push.above(pull)
    return replace(force, pull=pull, push=push)


def _closes(touch: Touch, made: Print) -> float:
    """What the printer likely takes from each side of a touch's gap, mm."""
    errors = [face_error(face, made.printer) for face in touch.faces]
    return face_error("boss", made.printer) + (float(np.mean(errors)) if errors else 0.0)


def _source(gripping: Sequence[Touch], settings: Settings) -> str:
    """Where the figure comes from, by the strongest touch."""
    if not gripping:
        return NO_GRIP
    strongest = min(gripping, key=lambda t: KIND_ORDER.index(t.kind))
    if strongest.snap_mm == 0 and measured_pull_n(strongest.gap_mm, strongest.kind, settings) is not None:
        return MEASURED
    if told(strongest.gap_mm, strongest.kind, settings) is not None:
        return BY_CARD
    if strongest.kind == "stud":
        return f"estimated from the gap{' by your callipers' if by_calliper(settings) else ''}"
    if any(t.kind == "hinge" for t in gripping):
        return "estimated from the pin's own strength"
    return "estimated from the lip" if any(t.snap_mm > 0 for t in gripping) else "estimated from the gap"


def _by_axis(touches: Sequence[Touch], rows: Sequence[int]) -> list[list[int]]:
    """Rows of touches that have lines, those of one axis together."""
    groups: list[list[int]] = []
    for row in rows:
        touch = touches[row]
        if len(touch.backings) != len(touch.points) or not len(touch.points):
            continue
        mates = (g for g in groups if abs(float(touches[g[0]].axis @ touch.axis)) > SAME_AXIS)
        mate = next(mates, None)
        if mate is None:
            groups.append([row])
        else:
            mate.append(row)
    return groups


# ------------------------------------------------------------------------------- friction


def _friction(group: Sequence[Touch], made: Print, settings: Settings, offsets: Array) -> list[list[Force]]:
    """Studs and pegs of one axis, larger in radius by each offset: of each its share of the friction of the
    squeezed lines, and of the peak as they enter."""
    squeeze, deviation = _squeeze(group, made, settings)
    error = ASKED * deviation / 2  # of both sides together, half to each line
    line = _line(offsets, error)
    along = squeeze + line[:, None]
    if along.max() <= 0:
        return [[Force()] * len(group) for _ in offsets]
    springs = springs_of(group, made)
    grip, strain = _grip(springs, along, made)
    entry, eased = _entry(group, springs, along, made)
    sigma = _sigma(group, made)
    asked = offsets[:, None] + error
    pulls, pushes = (_read(line, forces, asked) for forces in (grip, entry))
    pull = bands_of(pulls.sum(axis=2), float(np.hypot(made.mu_sigma, sigma)))
    push = bands_of(pushes.sum(axis=2), float(np.hypot(eased * made.mu_sigma, sigma)))
    felt = [_read(line, forces, offsets) for forces in (grip, entry, strain)]
    return [
        _split(pull[at], push[at].above(pull[at]), pulls[at], pushes[at], [each[at] for each in felt])
        for at in range(len(offsets))
    ]


def _line(offsets: Array, error: Array) -> Array:
    """Rising shifts (mm) of all lines alike at which forces are asked: the errors about each offset."""
    if len(offsets) == 1:
        return np.asarray(offsets[0] + error)
    low, high = offsets.min() + error[0], offsets.max() + error[-1]
    return np.linspace(low, high, int(np.ceil((high - low) / (error[1] - error[0]))) + 1)


def _read(line: Array, forces: Array, at: Array) -> Array:
    """(..., touches) of forces known along a line, drawn straight between."""
    return np.stack([np.interp(at, line, forces[:, k]) for k in range(forces.shape[1])], axis=-1)


def _split(pull: Band, push: Band, pulls: Array, pushes: Array, felt: Sequence[Array]) -> list[Force]:
    """The forces of each touch, from the bands of all together."""
    grip, entry, strain = felt
    own = [Felt(float(g), float(max(g, e)), float(s)) for g, e, s in zip(grip, entry, strain, strict=True)]
    return [
        Force(pull.times(by), push.times(into), one)
        for by, into, one in zip(_shares(pulls), _shares(pushes), own, strict=True)
    ]


def _shares(forces: Array) -> list[float]:
    """What each touch has of the whole, where the squeeze is greatest."""
    total = float(forces[-1].sum())
    return [float(force) / total if total > 0 else 0.0 for force in forces[-1]]


def _grip(springs: Springs, squeezes: Array, made: Print) -> tuple[Array, Array]:
    """(k, touches) newtons of friction, and the greatest strain behind each touch's lines."""
    forces = settle_along(springs.give, squeezes, springs.ways)
    strain = forces * springs.strain
    grip = made.mu * _by_touch(_capped(forces, springs), springs)
    count = grip.shape[1]
    worst = np.stack([strain[:, springs.touch == k].max(axis=1, initial=0.0) for k in range(count)], axis=1)
    return grip, worst


def _entry(group: Sequence[Touch], springs: Springs, along: Array, made: Print) -> tuple[Array, float]:
    """(k, touches) newtons to push each touch in where it enters, and how much of the friction's scatter they
    carry. A chamfer opens the mouth along its slope; a square edge is rounded by half a layer on each
    part."""
    chamfers = np.array([touch.slope for touch in group])
    past = np.array([touch.height_mm - touch.depth_mm >= PAST_FOOT_MM for touch in group]) & (chamfers > 0)
    foot = np.where(past, 0.0, made.printer.foot_mm)[springs.touch]
    wider = np.sqrt(springs.at_mouth)
    give = springs.give * wider[:, None] * wider
    pressed = _capped(settle_along(give, along + foot, springs.ways), springs)
    opened = np.maximum(pressed @ give, 0.0)
    square = edge_factor(made.mu, opened, made.printer.layer_mm)
    slopes = np.where(chamfers > 0, np.minimum(chamfers, SHAVES), 0.0)
    leads = np.array([mating_factor(made.mu, slope) for slope in slopes])[springs.touch]
    factor = np.where((chamfers > 0)[springs.touch], leads, square)
    eased = float(np.mean([mating_sensitivity(made.mu, slope) for slope in slopes]))
    return _by_touch(pressed * factor, springs), eased


def _squeeze(group: Sequence[Touch], made: Print, settings: Settings) -> tuple[Array, float]:
    """(lines,) mm by which each line is likely squeezed, and the standard deviation of the error, both
    sides."""
    deviation = shared_deviation(SHARED_ERROR_MM, OWN_ERROR_MM, len(group))
    found = []
    for touch in group:
        if touch.kind == "stud" and by_calliper(settings):
            found.append(touch.gap_mm - printed_gap(settings) - touch.gaps_mm)
            deviation = CALLIPER_ERROR_MM
            continue
        errors = [face_error(face, made.printer) for face in touch.faces]
        found.append(face_error("boss", made.printer) + np.array(errors) - touch.gaps_mm)
    return np.concatenate(found), deviation


def _capped(forces: Array, springs: Springs) -> Array:
    """A wall that is strained to cracking presses no harder."""
    return np.minimum(forces, CRACK_STRAIN / np.maximum(springs.strain, 1e-12))


def _by_touch(forces: Array, springs: Springs) -> Array:
    """(k, touches) sums over the lines of each touch."""
    count = int(springs.touch.max()) + 1
    return np.stack([forces[:, springs.touch == k].sum(axis=1) for k in range(count)], axis=1)


def _sigma(group: Sequence[Touch], made: Print) -> float:
    """Standard deviation of the logarithm of the stiffness: modulus, walls and model, mean over the lines."""
    backings = [backing for touch in group for backing in touch.backings]
    squares = [
        (HOLE_SIGMA if backing.kind == "hole" else MODEL_SIGMA) ** 2
        + (POWERS[backing.kind] * wall_sigma(backing.thickness_mm, made.printer)) ** 2
        for backing in backings
    ]
    return float(np.sqrt(MODULUS_SIGMA**2 + np.mean(squares)))


def _measured(pull_off: float) -> Force:
    """A fresh pull-off measured on one stud; pressing it home takes as much at least."""
    band = Band(*(pull_off * float(np.exp(z * CARD_SIGMA)) for z in (-Z90, 0.0, Z90)))
    return Force(band, band, Felt(pull_off, pull_off, 0.0), measured=True)


def _clean(band: Band) -> Band:
    return Band(*(value if value > NOTHING_N else 0.0 for value in (band.low, band.likely, band.high)))
