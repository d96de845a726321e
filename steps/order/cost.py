"""What makes an order good for people: one documented cost, used by every choice the planner makes.

Weights can be set under [order.weights] in stepleaf.toml by the names below. All distances are in
pitches, so that the same model at another scale is ordered alike.

    up         going up by one pitch while something lower could still be placed ("from the table up")
    hop        one pitch of distance from what was placed last ("walk along neighbours")
    far        longest hop that still counts, pitches: beyond it a hop is a hop
    kind       another shape or colour than the last part ("alike together")
    direction  another direction of the hand than the last part
    side       a move that is not straight down
    slack      a joint that may need glue (slides or looser) among ones that press, or the other way
    step       one more step to draw and read
    turn       turning the build over
    together   leaving a group that was asked to be kept together before it is done
    hold       a hand that must hold while a part goes in
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

from steps.errors import WrongSettings


@dataclass(frozen=True)
class Weights:
    """One number per part of the cost; see the module's text. Chosen by looking at the plans."""

    up: float = 10.0
    hop: float = 1.0
    far: float = 12.0
    kind: float = 3.0
    direction: float = 6.0
    side: float = 8.0
    slack: float = 2.0
    step: float = 8.0
    turn: float = 60.0
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
