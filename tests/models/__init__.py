"""Seeded models with known truth, for tests and benchmarks: ``structure`` and, by family, ``family``."""

from tests.models.files import model_of, write
from tests.models.structures import STRUCTURES, structure
from tests.models.value import Made, Put, Slide, TrueJoint, Turn

__all__ = ["STRUCTURES", "Made", "Put", "Slide", "TrueJoint", "Turn", "model_of", "structure", "write"]
