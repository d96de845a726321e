"""What holds once the glue of earlier steps has set.

The order comes before the choice of glue, so it reckons with the joints that cannot do without: those
that are glued by the first rule of ``steps.glue``; once the glue is chosen, :mod:`steps.order.settled` asks
again with what really is. A step with glue ends with its fixture time, hence only what a step itself brings
has to be held while it sets.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import replace

from steps.bonding import Bonding, needs_glue
from steps.settings import Settings
from steps.statics import Structure, bond_strength


def cured(structure: Structure, bonding: Bonding, settings: Settings) -> Structure:
    """The structure with every joint glued that cannot do without; itself where nothing is."""
    if settings.adhesive == "none":
        return structure
    needed = {joint.id for joint in structure.joints.joints if needs_glue(joint, bonding)}
    return bonded(structure, needed | bonding.forced)


def bonded(structure: Structure, glued: Set[str]) -> Structure:
    """The structure with the given joints glued and set; itself where there are none."""
    if not glued:
        return structure
    held = tuple(
        replace(joint, hold_n=max(joint.hold_n, bond_strength(joint))) if joint.id in glued else joint
        for joint in structure.joints.joints
    )
    return replace(
        structure, joints=replace(structure.joints, joints=held), contacts=structure.glued(sorted(glued))
    )
