"""From where each step is looked at: the same view for as long as it serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from steps.draw.lift import Lifted, lifted_things, shifts_of
from steps.draw.seeing import Crowd, hidden, visible_share
from steps.draw.studio import Studio
from steps.model import Array, Plan, Sight, Step, View
from steps.settings import Settings

#: ISO 5456-3 dimetric 7/42: elevation and azimuth off the front face, degrees (computed from its angles).
DIMETRIC_ELEVATION_DEG, DIMETRIC_AZIMUTH_DEG = 19.471, 20.705
#: Isometric azimuths, degrees: from the right front first, then round.
ISOMETRIC_AZIMUTHS_DEG = (-45.0, 45.0, 135.0, -135.0)

#: A view serves while every new part shows at least this share and its joints at least that.
SERVES_PART, SERVES_JOINT = 0.5, 0.2
#: What a change of view costs, in units of the score below.
CHANGE_COST = 0.35
#: Weight of the joints' visible share in the score, and of looking up from below, which strains.
JOINT_WEIGHT, BELOW_COST, DIMETRIC_COST = 0.4, 0.3, 0.25
#: Most places of one joint that are looked at.
MOST_TOUCHES = 6


@dataclass(frozen=True)
class Look:
    """What a view shows of a step."""

    view: View
    seen: dict[str, float]  #: visible share of each new part
    joints: float  #: visible share of the places where they join

    @property
    def serves(self) -> bool:
        return min(self.seen.values(), default=1.0) >= SERVES_PART and self.joints >= SERVES_JOINT

    @property
    def score(self) -> float:
        """Higher is better: the worst seen part, the mean, and the joints."""
        shares = list(self.seen.values()) or [1.0]
        cost = BELOW_COST if self.view.elevation < 0 else 0.0
        if abs(self.view.elevation) < ISOMETRIC_ELEVATION - 0.01:
            cost += DIMETRIC_COST
        return min(shares) + 0.3 * float(np.mean(shares)) + JOINT_WEIGHT * self.joints - cost


def candidate_views() -> tuple[tuple[View, ...], tuple[View, ...]]:
    """Isometric views from above, and those to fall back on: dimetric, then isometric from below."""
    isometric = [View(float(np.radians(azimuth)), ISOMETRIC_ELEVATION) for azimuth in ISOMETRIC_AZIMUTHS_DEG]
    dimetric = [
        View(float(np.radians(side + turn)), float(np.radians(DIMETRIC_ELEVATION_DEG)))
        for side in (-90.0, 0.0, 90.0, 180.0)
        for turn in (DIMETRIC_AZIMUTH_DEG, -DIMETRIC_AZIMUTH_DEG)
    ]
    below = [View(view.azimuth, -view.elevation) for view in isometric]
    return tuple(isometric), (*dimetric, *below)


def choose_views(plan: Plan, settings: Settings) -> tuple[Sight, ...]:
    """One sight per step, in step order: the view, and the visible share of each new part.

    Azimuth and elevation are in the frame in which the step's ``up`` has been turned to +z by the
    smallest turn.
    """
    return choose_with(Studio(plan, settings))


def choose_with(studio: Studio) -> tuple[Sight, ...]:
    """As :func:`choose_views`, in a studio that is there already."""
    steps = studio.plan.order.steps
    if not steps:
        return ()
    isometric, others = candidate_views()
    current: dict[str, View] = {}
    usual = _usual_view(studio, steps, isometric)
    sights = []
    for step in steps:
        scene = _Scene(studio, step)
        look = scene.look(current.get(step.assembly, usual))
        if not look.serves:
            look = _better(scene, look, (*isometric, *others))
        current[step.assembly] = look.view
        sights.append(Sight(step.number, look.view, look.seen))
    return tuple(sights)


def _better(scene: _Scene, look: Look, views: Sequence[View]) -> Look:
    """The best look of the step, the one at hand preferred by the cost of a change."""
    best, gain = look, CHANGE_COST
    for view in views:
        other = scene.look(view)
        if other.score - look.score > gain + 1e-9:
            best, gain = other, other.score - look.score
    return best


def _usual_view(studio: Studio, steps: Sequence[Step], views: Sequence[View]) -> View:
    """The isometric view that serves best over a sample of the steps."""
    sample = steps[:: max(1, len(steps) // 12)]
    scenes = [_Scene(studio, step) for step in sample]
    scores = [sum(scene.look(view).score for scene in scenes) for view in views]
    return views[int(np.argmax(np.round(scores, 6)))]


class _Scene:
    """One step, to be looked at from several sides."""

    def __init__(self, studio: Studio, step: Step) -> None:
        self.studio, self.step = studio, step
        self.lifted = lifted_things(studio, step)
        self.earlier = studio.items(studio.earlier(step), "earlier")
        shifts = shifts_of(self.lifted)
        self.new = {part: studio.item(part, "new", shift) for part, shift in shifts.items()}

    def look(self, view: View) -> Look:
        axes = axes_of(view.azimuth, view.elevation, self.step.up)
        crowd = Crowd.of([*self.earlier, *self.new.values()], axes)
        seen = {}
        for one in self.lifted:
            if one.thing.assembly:
                share = self._share_of_many(one, crowd, axes)
                seen.update(dict.fromkeys(one.thing.parts, share))
            else:
                part = one.thing.parts[0]
                seen[part] = round(visible_share(self.new[part], crowd, axes), 3)
        return Look(view, seen, self._joints_seen(crowd, axes))

    def _share_of_many(self, one: Lifted, crowd: Crowd, axes: Array) -> float:
        """A sub-assembly counts as one: hidden only by what is not of it."""
        own = {self.new[part].key for part in one.thing.parts}
        rows = [row for row, item in enumerate(crowd.items) if item.key not in own]
        others = Crowd([crowd.items[row] for row in rows], crowd.low[rows], crowd.high[rows])
        shares = [visible_share(self.new[part], others, axes) for part in one.thing.parts]
        return round(float(np.mean(shares)), 3)

    def _joints_seen(self, crowd: Crowd, axes: Array) -> float:
        points = [
            touch.point + (one.shift + one.way[-1]) / 2
            for one in self.lifted
            if one.is_lifted
            for joint in one.joints
            for touch in joint.touches[:: max(1, len(joint.touches) // MOST_TOUCHES)]
        ]
        if not points:
            return 1.0
        return round(float(1.0 - hidden(np.array(points), crowd, axes).mean()), 3)
