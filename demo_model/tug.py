"""A harbour tug on a tilted display stand: 84 parts, 23 shapes.

The ship is laid on a lattice of its own, x towards the bow and y to port, and is then tilted bow up,
so that its keel lies on the stand's wedge and takes the wedge's four pegs. Being wider than the wedge,
the hull cannot grow on the stand: it is built flat, by itself, and set down along the pegs. The
crane's arm is a third lattice, yawed about the ball it turns on and balanced over it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from demo_model import specials
from demo_model.lattice import Builder, Piece, block_piece, cells
from demo_model.scene import Cluster, DemoModel, shift, turn
from demo_model.solids import Module, block

RED, BLACK, DECK, WHITE, BUFF, GLASS = "#a63a2f", "#34414d", "#b98f5a", "#f1eee4", "#d9a441", "#9cc3d5"
RUBBER, STEEL, ORANGE, GREEN, OAK, AMBER = "#3b3836", "#8a9399", "#d9682b", "#3f7a5c", "#8c6a48", "#f2c230"

KEEL_CELLS = (6, 3)  # middle of the keel block on the ship's lattice: it lies on the wedge's middle
STAND_CELL = 3  # the wedge stands one cell off the base's middle, under the ship's centre of mass
WEDGE_LEVEL = 3  # slabs: a base slab and a block below the wedge
CRANE_CELLS = (2, 3)  # middle of the crane's mast
CRANE_YAW = 150.0  # degrees from the bow, to port
DECK_LEVEL = 5  # slabs


def tug(module: Module | None = None, tilt_degrees: float = 25.0) -> DemoModel:
    """The tug, its bow raised by ``tilt_degrees``."""
    module = module or Module()
    stand = Builder("Harbour tug", module)
    kit = _Pieces.of(module, tilt_degrees)
    _lay_stand(stand, kit)
    ship = stand.on(_ship_frame(module, tilt_degrees))
    _lay_hull(ship, kit)
    _lay_deck(ship, kit)
    _hang_fenders(ship, kit)
    _raise_deckhouse(ship, kit)
    _raise_funnels(ship, kit)
    _raise_arch(ship, kit)
    _raise_crane(ship, kit)
    stand.join("wedge", "keel", "peg", 4)
    return stand.model()


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Every piece the tug is made of."""

    plain: dict[tuple[int, int], Piece]
    slabs: dict[tuple[int, int], Piece]
    smooth: dict[tuple[int, int], Piece]
    side: Piece
    bow: Piece
    bow_slab: Piece
    post: Piece
    tyre: Piece
    foot: Piece
    drum: Piece
    cap: Piece
    arch: Piece
    cup: Piece
    ball: Piece
    wedge: Piece
    module: Module
    tilt: float

    @staticmethod
    def of(module: Module, tilt: float) -> _Pieces:
        four = cells(2, 2)
        side = block(4, 1, module, side_studs=True, name="side-stud block 4 x 1")
        bow = specials.bow(module, 2, front_studs=True)
        bow_slab = specials.bow(module, 1, front_studs=False)
        one: tuple[tuple[int, int], ...] = ((0, 0),)
        return _Pieces(
            plain={size: block_piece(*size, module) for size in _BLOCKS},
            slabs={size: block_piece(*size, module, slabs=1) for size in ((4, 4), (4, 2), (2, 1))},
            smooth={size: block_piece(*size, module, slabs=1, smooth=True) for size in ((4, 1), (2, 1))},
            side=Piece(side, 4, 1, 2, cells(4, 1), cells(4, 1)),
            bow=Piece(bow, 2, 4, 2, specials.BOW_CELLS, specials.BOW_CELLS),
            bow_slab=Piece(bow_slab, 2, 4, 1, (), specials.BOW_CELLS),
            post=Piece(specials.post(module), 1, 1, 2, one, one),
            tyre=Piece(specials.tyre(module), 1, 1, 1, (), one),
            foot=Piece(specials.centre_stud_slab(module), 2, 2, 1, (), four),
            drum=Piece(specials.drum(module), 2, 2, 2, (), ()),
            cap=Piece(specials.funnel_cap(module), 2, 2, 1, (), ()),
            arch=Piece(specials.arch(module), 4, 1, specials.ARCH_SLABS, cells(4, 1), ((0, 0), (3, 0))),
            cup=Piece(specials.cup_block(module), 2, 2, 2, (), four),
            ball=Piece(specials.ball_slab(module), 2, 2, 1, four, ()),
            wedge=Piece(specials.wedge(module, tilt), 4, 4, 1, (), cells(4, 4)),
            module=module,
            tilt=tilt,
        )


_BLOCKS = ((4, 4), (4, 2), (4, 1), (2, 2), (2, 1), (1, 1))


def _ship_frame(module: Module, tilt: float) -> NDArray[np.float64]:
    """The ship's lattice in the model: keel middle on slope middle, bow up."""
    m = module.scaled
    keel = shift(-KEEL_CELLS[0] * m.pitch, -KEEL_CELLS[1] * m.pitch, 0)
    height = WEDGE_LEVEL * m.slab + specials.slope_middle(module, tilt)
    place = shift((STAND_CELL + 2) * m.pitch, 4 * m.pitch, height)
    return place @ turn((0, 1, 0), -tilt) @ keel


def _lay_stand(build: Builder, kit: _Pieces) -> None:
    for number, (x, y) in enumerate(((0, 0), (4, 0), (0, 4), (4, 4)), 1):
        build.add(f"base {number}", kit.slabs[4, 4], OAK, x, y, 0)
    build.add("pillar", kit.plain[4, 4], OAK, STAND_CELL, 2, 1)
    build.add("wedge", kit.wedge, OAK, STAND_CELL, 2, WEDGE_LEVEL)


def _lay_hull(build: Builder, kit: _Pieces) -> None:
    """Two courses of blocks in bond, the upper with studs on its sides, and the bow."""
    plain, add = kit.plain, build.add
    for side, y in (("starboard", 0), ("middle", 2), ("port", 4)):
        add(f"bilge aft {side}", plain[4, 2], RED, 0, y, 0)
    add("keel", plain[4, 4], RED, 4, 1, 0)
    for side, y, inner in (("starboard", 0, 1), ("port", 5, 3)):
        add(f"bilge {side}", plain[4, 1], RED, 4, y, 0)
        add(f"bilge fore {side}", plain[4, 2], RED, 8, inner, 0)
        add(f"bilge quarter {side}", plain[2, 1], RED, 8, y, 0)

    add("stern", plain[4, 2], BLACK, 0, 1, 2, quarters=1)
    for side, y, inner, quarters in (("starboard", 0, 1, 0), ("port", 5, 3, 2)):
        add(f"stern quarter {side}", plain[2, 1], BLACK, 0, y, 2)
        add(f"hold aft {side}", plain[4, 2], BLACK, 2, inner, 2)
        add(f"hold fore {side}", plain[4, 2], BLACK, 6, inner, 2)
        add(f"side aft {side}", kit.side, BLACK, 2, y, 2, quarters)
        add(f"side fore {side}", kit.side, BLACK, 6, y, 2, quarters)
    add("fore bulkhead", plain[4, 1], BLACK, 10, 1, 2, quarters=1)
    add("bow", kit.bow, BLACK, 11, 1, 2)


def _lay_deck(build: Builder, kit: _Pieces) -> None:
    slabs, add = kit.slabs, build.add
    add("deck aft starboard", slabs[4, 4], DECK, 0, 0, 4)
    add("deck aft port", slabs[4, 2], DECK, 0, 4, 4)
    add("deck middle starboard", slabs[4, 2], DECK, 4, 0, 4)
    add("deck middle port", slabs[4, 4], DECK, 4, 2, 4)
    add("deck fore", slabs[4, 4], DECK, 8, 1, 4)
    add("bow deck", kit.bow_slab, DECK, 12, 1, 4)
    for side, y in (("starboard", 0), ("port", 5)):
        add(f"deck edge {side}", slabs[2, 1], DECK, 8, y, 4)
        add(f"rail {side}", kit.smooth[4, 1], WHITE, 1, y, DECK_LEVEL)
        add(f"bollard {side}", kit.post, RUBBER, 0, y, DECK_LEVEL)
    add("rail stern", kit.smooth[4, 1], WHITE, 0, 1, DECK_LEVEL, quarters=1)


def _hang_fenders(build: Builder, kit: _Pieces) -> None:
    """Tyres on every second side stud, a smooth slab on the bow: all go on sideways."""
    m = kit.module.scaled
    outward = shift(0, m.clearance, 0) @ turn((1, 0, 0), 90)
    for side in ("starboard", "port"):
        for run in ("aft", "fore"):
            carrier = f"side {run} {side}"
            for number, cell in enumerate((0, 2), 1):
                name = f"tyre {run} {side} {number}"
                pose = build.pose_of(carrier) @ shift(cell * m.pitch, 0, 0) @ outward
                build.put(name, kit.tyre.solid, RUBBER, pose)
                build.join(carrier, name, "stud", 1)
    front = shift(2 * m.pitch - m.clearance, m.pitch, 0) @ turn((0, 0, 1), 90) @ turn((1, 0, 0), 90)
    build.put("bow fender", kit.smooth[2, 1].solid, RUBBER, build.pose_of("bow") @ front)
    build.join("bow", "bow fender", "stud", 2)


def _raise_deckhouse(build: Builder, kit: _Pieces) -> None:
    """Two rings of wall in bond round the boiler, which must go in before the roof, and the wheelhouse."""
    plain, add = kit.plain, build.add
    add("wall starboard", plain[4, 1], WHITE, 7, 1, DECK_LEVEL)
    add("wall port", plain[4, 1], WHITE, 7, 4, DECK_LEVEL)
    add("wall aft", plain[2, 1], WHITE, 7, 2, DECK_LEVEL, quarters=1)
    add("wall fore", plain[2, 1], WHITE, 10, 2, DECK_LEVEL, quarters=1)
    add("boiler", plain[2, 2], ORANGE, 8, 2, DECK_LEVEL)
    level = DECK_LEVEL + 2
    add("windows aft", plain[4, 1], GLASS, 7, 1, level, quarters=1)
    add("windows fore", plain[4, 1], GLASS, 10, 1, level, quarters=1)
    add("windows starboard", plain[2, 1], GLASS, 8, 1, level)
    add("windows port", plain[2, 1], GLASS, 8, 4, level)
    add("roof", kit.slabs[4, 4], GREEN, 7, 1, level + 2)
    add("wheelhouse", plain[4, 2], GLASS, 8, 1, level + 3, quarters=1)
    add("wheelhouse roof", kit.slabs[4, 2], GREEN, 8, 1, level + 5, quarters=1)
    add("lamp", kit.post, AMBER, 8, 2, level + 6)


def _raise_funnels(build: Builder, kit: _Pieces) -> None:
    """The same stack twice: foot, two drums and a cap on one axis."""
    m = kit.module.scaled
    stack = (
        (kit.foot, "foot", BLACK, 0),
        (kit.drum, "drum low", BUFF, 1),
        (kit.drum, "drum high", RED, 3),
        (kit.cap, "cap", BLACK, 5),
    )
    copies, poses = [], []
    for side, y in (("starboard", 0), ("port", 4)):
        names = []
        for piece, label, colour, level in stack:
            names.append(f"funnel {side} {label}")
            build.add(names[-1], piece, colour, 5, y, DECK_LEVEL + level)
        for below, above in pairwise(names):
            build.join(below, above, "stud", 1)
        copies.append(tuple(names))
        poses.append(build.frame @ shift(5 * m.pitch, y * m.pitch, DECK_LEVEL * m.slab))
    members = tuple(f"funnel {label}" for _, label, _, _ in stack)
    build.groups.append(Cluster("funnel", members, tuple(copies), tuple(poses)))


def _raise_arch(build: Builder, kit: _Pieces) -> None:
    """Two piers and the arch that spans them, with a gangway on top."""
    build.add("pier starboard", kit.plain[1, 1], STEEL, 4, 1, DECK_LEVEL)
    build.add("pier port", kit.plain[1, 1], STEEL, 4, 4, DECK_LEVEL)
    build.add("arch", kit.arch, STEEL, 4, 1, DECK_LEVEL + 2, quarters=1)
    build.add("gangway", kit.smooth[4, 1], OAK, 4, 1, DECK_LEVEL + 2 + specials.ARCH_SLABS, quarters=1)


def _raise_crane(build: Builder, kit: _Pieces) -> None:
    """Mast and cup on the ship's lattice; the arm on one of its own, yawed about the ball."""
    m, s, ball = kit.module.scaled, kit.module.scale, specials.BallMeasures.of(kit.module)
    x, y = CRANE_CELLS
    build.add("crane mast", kit.plain[2, 2], STEEL, x - 1, y - 1, DECK_LEVEL)
    build.add("crane cup", kit.cup, STEEL, x - 1, y - 1, DECK_LEVEL + 2)
    height = (DECK_LEVEL + 2) * m.slab + (ball.cup_middle + specials.NECK_LENGTH) * s
    yawed = shift(x * m.pitch, y * m.pitch, height) @ turn((0, 0, 1), CRANE_YAW)
    arm = build.on(build.frame @ yawed @ shift(-m.pitch, -m.pitch, 0))
    arm.add("arm root", kit.ball, ORANGE, 0, 0, 0)
    arm.add("arm tail", kit.slabs[4, 2], ORANGE, -2, 0, 1)
    arm.add("arm weight", kit.plain[2, 2], STEEL, -2, 0, 2)
    arm.add("arm ballast", kit.plain[1, 1], AMBER, -1, 1, 4)
    arm.add("arm tip", kit.slabs[4, 2], ORANGE, 1, 0, 2)
    arm.add("arm hook", kit.plain[1, 1], AMBER, 4, 0, 0)
    build.join("arm root", "crane cup", "ball", 1)
