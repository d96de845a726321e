"""A harbour beacon of 12 parts and 5 shapes, for a first try."""

from __future__ import annotations

from demo_model.lattice import Builder, block_piece
from demo_model.scene import DemoModel
from demo_model.solids import Module

STONE, WHITE, RED, IRON, AMBER = "#9a9c98", "#f2f0e8", "#c23b2e", "#4a5056", "#e8a628"


def beacon(module: Module | None = None) -> DemoModel:
    """A stone plinth, a banded tower, a gallery with two rails, a lamp and its roof."""
    module = module or Module()
    stone, tower = block_piece(4, 2, module), block_piece(2, 2, module)
    gallery = block_piece(4, 4, module, slabs=1)
    rail, roof = (block_piece(*size, module, slabs=1, smooth=True) for size in ((4, 1), (2, 2)))
    build = Builder("Beacon", module)
    build.add("plinth front", stone, STONE, 0, 0, 0)
    build.add("plinth back", stone, STONE, 0, 2, 0)
    build.add("plinth left", stone, STONE, 0, 0, 2, quarters=1)
    build.add("plinth right", stone, STONE, 2, 0, 2, quarters=1)
    build.add("tower low", tower, RED, 1, 1, 4)
    build.add("tower middle", tower, WHITE, 1, 1, 6)
    build.add("tower high", tower, RED, 1, 1, 8)
    build.add("gallery", gallery, IRON, 0, 0, 10)
    build.add("rail front", rail, WHITE, 0, 0, 11)
    build.add("rail back", rail, WHITE, 0, 3, 11)
    build.add("lamp", tower, AMBER, 1, 1, 11)
    build.add("roof", roof, RED, 1, 1, 13)
    return build.model()
