"""Balance of rigid parts: load programmes on arrays, and whether parts of a model stand by themselves."""

from steps.statics.programme import (
    GROUND,
    Balance,
    Bodies,
    Contacts,
    Limit,
    balance,
    least_extra,
    least_hand,
    limit,
)
from steps.statics.standing import Stand, Standing, stands
from steps.statics.structure import Structure, bond_strength

__all__ = [
    "GROUND",
    "Balance",
    "Bodies",
    "Contacts",
    "Limit",
    "Stand",
    "Standing",
    "Structure",
    "balance",
    "bond_strength",
    "least_extra",
    "least_hand",
    "limit",
    "stands",
]
