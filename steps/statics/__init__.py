"""Balance of rigid parts: the only place that knows equilibrium; order, glue, pressing and turning ask it."""

from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.programme import Balance, Help, Limit, balance, elastic, limit
from steps.statics.rigid import GROUND, Bodies, Contacts
from steps.statics.standing import Stand, Standing
from steps.statics.structure import Structure, bond_strength

__all__ = [
    "GROUND", "Balance", "Bodies", "Capacity", "Case", "Contacts", "Equilibrium", "Help", "Limit", "Stand",
    "Standing", "Structure", "balance", "bond_strength", "elastic", "limit",
]  # fmt: skip
