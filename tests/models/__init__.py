"""Seeded models with known truth, for tests and benchmarks: ``structure`` and, by family, ``family``."""

from tests.models.families import BUILDABLE, FAMILIES, UNBUILDABLE, family
from tests.models.files import model_of, write
from tests.models.structures import STRUCTURES, structure
from tests.models.value import Made, Put, Slide, TrueJoint, Turn

__all__ = [
    "BUILDABLE",
    "FAMILIES",
    "STRUCTURES",
    "UNBUILDABLE",
    "Made",
    "Put",
    "Slide",
    "TrueJoint",
    "Turn",
    "family",
    "model_of",
    "structure",
    "write",
]
