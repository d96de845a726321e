"""What follows from large values, kept for the last of them that were asked, and made again for the others.

A model of a thousand fine meshes would hold several times itself in normals, neighbours and ray scenes, of
which hardly any are asked for twice. What is let go is made again to the last bit when it is asked for.
"""

from __future__ import annotations

from typing import Protocol
from weakref import ref


class Forgetful(Protocol):
    """A value that can let go of what follows from it."""

    def forget(self) -> None: ...


class Recent:
    """The values asked last, of so much ``weight`` in all."""

    def __init__(self, weight: int) -> None:
        self.weight = weight
        self._weights: dict[ref[Forgetful], int] = {}
        self._sum = 0

    def use(self, value: Forgetful, weight: int) -> None:
        """What follows from the value is about to be made: those asked longest ago let go of theirs."""
        own = ref(value)
        self._sum += weight - self._weights.pop(own, 0)
        self._weights[own] = weight
        while self._sum > self.weight and len(self._weights) > 1:
            oldest = next(iter(self._weights))
            self._sum -= self._weights.pop(oldest)
            if (other := oldest()) is not None:
                other.forget()
