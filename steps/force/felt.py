"""What one contact does: its bands, and what fingers feel of it."""

from __future__ import annotations

from dataclasses import dataclass

from steps.force.bands import NO_FORCE, Band


@dataclass(frozen=True)
class Felt:
    """What one contact is likely to do: pull fresh and push, N, and the greatest strain when it is closed."""

    pull_n: float
    push_n: float
    strain: float

    def __add__(self, other: Felt) -> Felt:
        return Felt(self.pull_n + other.pull_n, self.push_n + other.push_n, max(self.strain, other.strain))


NOT_FELT = Felt(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Force:
    """One contact: bands of the fresh pull and of the push, N, and what is felt; whether its pull was
    measured."""

    pull: Band = NO_FORCE
    push: Band = NO_FORCE
    felt: Felt = NOT_FELT
    measured: bool = False

    def __add__(self, other: Force) -> Force:
        measured = self.measured or other.measured
        return Force(self.pull + other.pull, self.push + other.push, self.felt + other.felt, measured)
