"""From where each step is looked at: the same view for as long as it serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.table import Item
from steps.draw.lift import Lifted, lifted_things, shifts_of
from steps.draw.seeing import Crowd, Places, hidden
from steps.draw.studio import Studio
from steps.model import Array, Plan, Sight, Step, View
from steps.progress import over
from steps.settings import Settings

#: ISO 5456-3 dimetric 7/42: elevation and azimuth off the front face, degrees (computed from its angles).
DIMETRIC_ELEVATION_DEG, DIMETRIC_AZIMUTH_DEG = 19.471, 20.705
#: Isometric azimuths, degrees: from the right front first, then round.
ISOMETRIC_AZIMUTHS_DEG = (-45.0, 45.0, 135.0, -135.0)

#: A view serves while every new part shows at least this share and its joints at least that.
SERVES_PART, SERVES_JOINT = 0.5, 0.5
#: The latter for a step that attaches a sub-assembly: it is aimed at several places at once.
SERVES_WHOLE = 0.7
#: What a change of view costs, in units of the score below.
CHANGE_COST = 0.35
#: Contacts are looked at this far outside their end (mm), so that they do not hide themselves.
CLEAR_MM = 0.1
#: A part seen less than this is hidden: it would need an inset, and that costs so much of the score. A view
#: that hides where it joins costs the same.
HIDDEN_SHARE, HIDDEN_COST = 0.35, 0.5
#: Weight of the joints' visible share in the score, and of looking up from below, which strains.
JOINT_WEIGHT, BELOW_COST, DIMETRIC_COST = 0.4, 0.3, 0.25
#: After a search the view is kept for this many steps while the score, the joints and the worst seen part
#: stay this near to what they were: the next parts of a course look alike.
PATIENCE_STEPS, PATIENCE_SCORE = 12, 0.1


@dataclass(frozen=True)
class Look:
    """What a view shows of a step."""

    view: View
    seen: dict[str, float]  #: visible share of each new part, whatever hides it, its own mates too
    things: tuple[float, ...]  #: of each thing, the visible share of what it shows alone
    joints: float  #: share of their joints of which some place is seen; of a sub-assembly's, of the places
    wanted: float = SERVES_JOINT  #: of that share, for the view to serve

    @property
    def least(self) -> float:
        """Visible share of the thing seen worst."""
        return min(self.things, default=1.0)

    @property
    def serves(self) -> bool:
        return self.least >= SERVES_PART and self.joints >= self.wanted

    @property
    def score(self) -> float:
        """Higher is better: the worst seen part, the mean, and the joints."""
        shares = self.things or (1.0,)
        cost = BELOW_COST if self.view.elevation < 0 else 0.0
        if abs(self.view.elevation) < ISOMETRIC_ELEVATION - 0.01:
            cost += DIMETRIC_COST
        cost += HIDDEN_COST * ((self.least < HIDDEN_SHARE) + (self.joints < self.wanted))
        return self.least + 0.3 * float(np.mean(shares)) + JOINT_WEIGHT * self.joints - cost


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
    usual = _usual_view(studio, steps, isometric)
    kept: dict[str, _Kept] = {}
    sights = []
    for step in over(steps):
        scene = _StepScene(studio, step)
        last = kept.setdefault(step.assembly, _Kept(usual))
        look = scene.look(last.view)
        if not look.serves and not last.is_patient(look):
            look = _better(scene, look, isometric, others)
            last = _Kept(look.view, look, PATIENCE_STEPS)
        kept[step.assembly] = replace(last, steps=last.steps - 1)
        sights.append(Sight(step.number, look.view, look.seen))
    return tuple(sights)


@dataclass(frozen=True)
class _Kept:
    """The view of an assembly's last step, and what it showed when others were last tried."""

    view: View
    look: Look | None = None
    steps: int = 0

    def is_patient(self, look: Look) -> bool:
        """Whether the view has been found to be the best for steps much like this one."""
        if self.look is None or self.steps <= 0:
            return False
        worse = self.look.score - look.score, self.look.joints - look.joints, self.look.least - look.least
        return max(worse) <= PATIENCE_SCORE


def _better(scene: _StepScene, look: Look, *choices: Sequence[View]) -> Look:
    """The best look of the step, the one at hand preferred by the cost of a change. Later choices are
    tried only where none of the earlier ones serves."""
    best, gain = look, CHANGE_COST
    for views in choices:
        for view in views:
            other = scene.look(view)
            if other.score - look.score > gain + 1e-9:
                best, gain = other, other.score - look.score
        if best.serves:
            break
    return best


def shares_of_things(studio: Studio, step: Step) -> tuple[float, ...]:
    """Of each thing that a step puts in, in their order: the visible share of what it shows alone, in the
    step's view. That of a single part is as measured when the view was chosen; 1 without sights."""
    things = [one.thing for one in lifted_things(studio, step)]
    single = [studio.seen_share(step, thing.parts[0]) for thing in things]
    if not studio.has_sight(step) or all(len(thing.parts) == 1 for thing in things):
        return tuple(single)
    measured = _StepScene(studio, step).look(studio.view(step.number)).things
    return tuple(
        share if len(thing.parts) == 1 else of_all
        for thing, share, of_all in zip(things, single, measured, strict=True)
    )


def _usual_view(studio: Studio, steps: Sequence[Step], views: Sequence[View]) -> View:
    """The isometric view that serves best over a sample of the steps."""
    sample = steps[:: max(1, len(steps) // 12)]
    scenes = [_StepScene(studio, step) for step in sample]
    scores = [sum(scene.look(view).score for scene in scenes) for view in views]
    return views[int(np.argmax(np.round(scores, 6)))]


class _StepScene:
    """One step, to be looked at from several sides."""

    def __init__(self, studio: Studio, step: Step) -> None:
        self.studio, self.step = studio, step
        self.lifted = lifted_things(studio, step)
        rows = studio.plan.model.index_of
        self.earlier = studio.moment(step).before
        self.shifts = {rows[part]: shift for part, shift in shifts_of(self.lifted).items()}
        groups = [(rows[part], at) for at, one in enumerate(self.lifted) for part in one.thing.parts]
        self.group = dict(groups)

    def _item(self, key: int) -> Item:
        shift = self.shifts.get(key)
        return self.studio.item(self.studio.plan.model.parts[key].id, "earlier", shift)

    def _crowd(self, axes: Array) -> Crowd:
        """Earlier parts in place and new parts lifted."""
        bounds = self.studio.bounds_along(axes)
        new = np.array(list(self.shifts), dtype=np.int64)
        keys = np.concatenate([self.earlier, new])
        shifts = np.array(list(self.shifts.values())).reshape(-1, 3) @ axes.T
        moved = np.concatenate([np.zeros((len(self.earlier), 3)), shifts])
        group = np.concatenate([np.full(len(self.earlier), -1), [self.group[key] for key in self.shifts]])
        return Crowd(keys, bounds[keys, 0] + moved, bounds[keys, 1] + moved, group.astype(int), self._item)

    def look(self, view: View) -> Look:
        axes = axes_of(view.azimuth, view.elevation, self.step.up)
        parts = [Places(self._samples(key, axes), group) for key, group in self.group.items()]
        opened = self._joint_places()
        joints = [Places(points) for points, _ in opened]
        crowd = self._crowd(axes)
        hides = hidden([*parts, *joints], crowd, axes)
        seen, things = self._shares(parts, hides[: len(parts)], self._hidden_by_mates(parts, crowd, axes))
        found = [
            1.0 - float(one.mean()) if whole else float(not one.all())
            for one, (_, whole) in zip(hides[len(parts) :], opened, strict=True)
        ]
        wanted = SERVES_WHOLE if self.step.attaches else SERVES_JOINT
        return Look(view, seen, things, round(float(np.mean(found)), 3) if found else 1.0, wanted)

    def _hidden_by_mates(self, parts: Sequence[Places], crowd: Crowd, axes: Array) -> list[NDArray[np.bool_]]:
        """For each new part, whether another part of its own thing lies before each of its points."""
        found = [np.zeros(len(places.points), dtype=bool) for places in parts]
        for at, one in enumerate(self.lifted):
            if len(one.thing.parts) == 1:
                continue
            own = [row for row, places in enumerate(parts) if places.group == at]
            mates = hidden([Places(parts[row].points) for row in own], crowd.only(crowd.group == at), axes)
            for row, by_mates in zip(own, mates, strict=True):
                found[row] = by_mates
        return found

    def _shares(
        self,
        parts: Sequence[Places],
        by_others: Sequence[NDArray[np.bool_]],
        by_mates: Sequence[NDArray[np.bool_]],
    ) -> tuple[dict[str, float], tuple[float, ...]]:
        """The visible share of each new part; and of each thing, of what it shows alone."""
        ids = [self.studio.plan.model.parts[key].id for key in self.group]
        shown = [~(others | mates) for others, mates in zip(by_others, by_mates, strict=True)]
        seen = {
            part: round(float(one.mean()), 3) if len(one) else 0.0
            for part, one in zip(ids, shown, strict=True)
        }
        things = []
        for at in range(len(self.lifted)):
            own = [row for row, places in enumerate(parts) if places.group == at]
            alone = sum(int((~by_mates[row]).sum()) for row in own)
            things.append(round(sum(int(shown[row].sum()) for row in own) / max(alone, 1), 3))
        return seen, tuple(things)

    def _samples(self, key: int, axes: Array) -> Array:
        return self.studio.samples(self.studio.plan.model.parts[key], axes) + self.shifts[key]

    def _joint_places(self) -> list[tuple[Array, bool]]:
        """For each joint that opens when the parts are lifted, where each contact ends towards the lifted
        part: tips of studs, mouths of sockets; and whether it is a sub-assembly's, which is heavy and
        must be aimed at all of its places."""
        return [
            (
                np.array(
                    [
                        touch.point + seat + _outward(one) * (touch.depth_mm / 2 + CLEAR_MM)
                        for touch in joint.touches
                    ]
                ),
                bool(one.thing.assembly),
            )
            for one in self.lifted
            if one.is_lifted
            for joint, seat in zip(one.joints, one.seats, strict=True)
            if joint.touches
        ]


def _outward(one: Lifted) -> Array:
    """(3,) unit, out of the seat: against the last leg of the move."""
    leg = one.way[-2] - one.way[-1]
    return np.asarray(leg / max(float(np.linalg.norm(leg)), 1e-12))
