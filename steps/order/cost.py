"""What makes an order good for people: one documented cost, used by every choice the planner makes.

A finished order of a site costs the sum of five parts (:func:`cost_of`); the walk that builds it up step
by step (:mod:`steps.order.build`) uses the same weights to choose the next unit. Weights can be set under
[order.weights] in stepleaf.toml by the names below. All distances are in pitches, so that the same model
at another scale is ordered alike. No published weights are known for this; these were chosen by looking
at plans, following the order of importance in the checklist of Agrawala et al. (SIGGRAPH 2003) and Heiser
et al. (2004): visible, near, alike, one direction.

    hands      direction  another direction of the hand than in the step before
               side       (choice only) a move that is not straight down waits for those that are
               turn       turning the build, or a finished sub-assembly, over; back again costs the same
               apart      (choice only) a sub-assembly more, where turning the build would serve as well
    eyes       eyes       a whole step's new parts hidden in the best of four views; shares in proportion
    sense      up         a step one pitch below the floor reached before ("from the table up"); what stands
                          by itself on the rest raises no floor
               hop, far   one pitch of distance from the step before; in a choice at most ``far`` pitches
               kind       another shape or colour than before
               pair       (choice only) what faces a new part across the middle of the assembly comes with it
               module     (choice only) what stands by itself on the rest is finished before others are begun
               stray      (choice only) a unit whose neighbours at its height are in already comes first
               step       one more step to draw and read
               together   leaving a group that was asked to be kept together before it is done
    stability  hold       a step after which a hand must hold, by the cheap tests
    glue       slack      going from joints that press to joints that slide (likely glued), or back: sittings
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

from steps.errors import WrongSettings


@dataclass(frozen=True)
class Weights:
    """One number per part of the cost; see the module's text. Chosen by looking at the plans."""

    up: float = 20.0
    eyes: float = 12.0
    stray: float = 5.0
    pair: float = 15.0
    module: float = 200.0
    hop: float = 1.0
    far: float = 60.0
    kind: float = 3.0
    direction: float = 6.0
    side: float = 8.0
    slack: float = 2.0
    step: float = 8.0
    turn: float = 60.0
    apart: float = 40.0
    together: float = 80.0
    hold: float = 20.0


def weights_from(wished: Mapping[str, float]) -> Weights:
    """The weights with the user's changes. Raises WrongSettings for a name that does not exist."""
    known = {each.name for each in fields(Weights)}
    unknown = sorted(set(wished) - known)
    if unknown:
        raise WrongSettings(
            f"order.weights: no weight is called {', '.join(unknown)}; there are {', '.join(sorted(known))}."
        )
    return Weights(**{name: float(value) for name, value in wished.items()})
