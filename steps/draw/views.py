"""From where each step is looked at, and how far its parts are lifted: the same view for as long as it shows
the new parts and where they go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from renderer.camera import ISOMETRIC_ELEVATION
from steps.draw.closer import HIDDEN_PART, HIDDEN_SITES, closer_looks
from steps.draw.heading import heading_of
from steps.draw.scene import StepScene
from steps.draw.studio import Studio
from steps.model import Array, Plan, Sight, Step, View
from steps.progress import over, ticking
from steps.settings import Settings

#: Isometric azimuths, degrees: from the right front first, then round.
ISOMETRIC_AZIMUTHS_DEG = (-45.0, 45.0, 135.0, -135.0)

#: How far parts may be lifted, in usual clear gaps: up to some three pitches.
LIFTS = (1.0, 1.7, 2.5, 3.4)
#: A rung further is worth it where this much more shows of where each thing goes.
WORTH_LIFTING = 0.05
#: Of so many steps the usual view is chosen.
SAMPLED = 12

#: A view serves while every new part shows at least this share, and of where they go this in the mean and
#: that for each.
SERVES_PART, SERVES_SITES = 0.5, 0.7
#: What a change of view costs, in units of the score below: the builder turns the model.
CHANGE_COST = 0.35
#: What it costs of the score that a part, or where one goes, is hidden: it needs a closer look.
HIDDEN_COST = 0.5
#: Weight of the visible share of where parts go, and what it costs to look up from below, which strains,
#: and to lift parts one rung further, which makes all smaller.
SITE_WEIGHT, BELOW_COST, LIFT_COST = 0.8, 0.3, 0.03
#: After a search the view is kept for this many steps while the score, the places and the worst seen part
#: stay this near to what they were: the next parts of a course look alike.
PATIENCE_STEPS, PATIENCE_SCORE = 12, 0.1


@dataclass(frozen=True)
class Look:
    """What a view shows of a step."""

    view: View
    rung: int  #: of LIFTS: how far the parts are lifted
    seen: Mapping[str, float]  #: visible share of each new part, whatever hides it, its own mates too
    things: tuple[float, ...]  #: of each thing, the visible share of what it shows alone
    sites: Mapping[str, float]  #: of each lifted thing, by its first part: of where it goes

    @property
    def least(self) -> float:
        """Visible share of the thing seen worst."""
        return min(self.things, default=1.0)

    @property
    def shown(self) -> float:
        """Of where the things go, the visible share in the mean."""
        return float(np.mean(list(self.sites.values()))) if self.sites else 1.0

    @property
    def serves(self) -> bool:
        return self.least >= SERVES_PART and _enough(self.sites)

    @property
    def score(self) -> float:
        """Higher is better: the worst seen part, the mean, and where they go."""
        cost = BELOW_COST if self.view.elevation < 0 else 0.0
        hidden = (self.least < HIDDEN_PART) + (min(self.sites.values(), default=1.0) < HIDDEN_SITES)
        cost += HIDDEN_COST * hidden + LIFT_COST * self.rung
        mean = float(np.mean(self.things or (1.0,)))
        return self.least + 0.3 * mean + SITE_WEIGHT * min(self.shown, SERVES_SITES) / SERVES_SITES - cost


def _enough(sites: Mapping[str, float]) -> bool:
    """Whether enough shows of where things go."""
    shares = list(sites.values()) or [1.0]
    return float(np.mean(shares)) >= SERVES_SITES and min(shares) >= HIDDEN_SITES


def candidate_views(heading: float = 0.0) -> tuple[tuple[View, ...], tuple[View, ...]]:
    """Isometric views from above, and those to fall back on, from below; of what is turned on the table by
    ``heading`` (radians)."""
    isometric = [
        View(heading + float(np.radians(azimuth)), ISOMETRIC_ELEVATION) for azimuth in ISOMETRIC_AZIMUTHS_DEG
    ]
    return tuple(isometric), tuple(View(view.azimuth, -view.elevation) for view in isometric)


def choose_views(plan: Plan, settings: Settings) -> tuple[Sight, ...]:
    """One sight per step, in step order: the view, how far parts are lifted, what shows of each new part and
    of where it goes, and closer looks where that is little.

    Azimuth and elevation are in the frame in which the step's ``up`` has been turned to +z by the
    smallest turn.
    """
    return choose_with(Studio(plan, settings))


def choose_with(studio: Studio) -> tuple[Sight, ...]:
    """As :func:`choose_views`, in a studio that is there already."""
    steps = studio.plan.order.steps
    if not steps:
        return ()
    latest = candidate_views()[0][_usual_view(studio, steps)]
    kept: dict[str, _Kept] = {}
    sights = []
    for step in over(steps):
        stage = Stage(studio, step)
        last = kept.get(step.assembly) or _Kept(_nearest(stage, latest), step.up)
        look = stage.look(last.now(stage, step))
        if not look.serves and not last.is_patient(look):
            look = _better(stage, look)
            last = _Kept(look.view, step.up, look, PATIENCE_STEPS)
        kept[step.assembly] = replace(last, view=look.view, up=step.up, steps=last.steps - 1)
        latest = look.view
        sights.append(stage.sight(look))
    return tuple(sights)


def _nearest(stage: Stage, view: View) -> View:
    """Of a step's isometric views the one most like another: what is built apart is shown as it goes on."""
    return min(stage.views[0], key=lambda each: round(float(1 - np.cos(each.azimuth - view.azimuth)), 6))


@dataclass(frozen=True)
class _Kept:
    """The view of an assembly's last step, and what it showed when others were last tried."""

    view: View
    up: Array
    look: Look | None = None
    steps: int = 0

    def now(self, stage: Stage, step: Step) -> View:
        """The view of the last step; of a build that has been laid another way, the same view along its axes
        as they now lie."""
        if np.allclose(self.up, step.up):
            return self.view
        return _nearest(stage, self.view)

    def is_patient(self, look: Look) -> bool:
        """Whether the view has been found to be the best for steps much like this one."""
        if self.look is None or self.steps <= 0:
            return False
        worse = self.look.score - look.score, self.look.shown - look.shown, self.look.least - look.least
        return max(worse) <= PATIENCE_SCORE


def _better(stage: Stage, look: Look) -> Look:
    """The best look of the step, the one at hand preferred by the cost of a change. Later choices are
    tried only where none of the earlier ones serves."""
    best, gain = look, CHANGE_COST
    for views in stage.views:
        for view in views:
            other = stage.look(view)
            if other.score - look.score > gain + 1e-9:
                best, gain = other, other.score - look.score
        if best.serves:
            break
    return best


def _usual_view(studio: Studio, steps: Sequence[Step]) -> int:
    """Which of the isometric views serves best over a sample of the steps."""
    sample = [Stage(studio, step) for step in ticking(steps[:: max(1, len(steps) // SAMPLED)])]
    scores = [
        sum(stage.look(stage.views[0][at], LIFTS[:1]).score for stage in ticking(sample))
        for at in range(len(ISOMETRIC_AZIMUTHS_DEG))
    ]
    return int(np.argmax(np.round(scores, 6)))


class Stage:
    """One step, to be looked at from several sides with its parts lifted more or less."""

    def __init__(self, studio: Studio, step: Step) -> None:
        self.studio, self.step = studio, step
        self.views = candidate_views(heading_of(studio, step.assembly, step.up))
        self._scenes: dict[float, StepScene] = {}

    def scene(self, lift: float) -> StepScene:
        if lift not in self._scenes:
            self._scenes[lift] = StepScene(self.studio, self.step, lift)
        return self._scenes[lift]

    def look(self, view: View, lifts: Sequence[float] = LIFTS) -> Look:
        """What the view shows, the parts lifted as little as lets enough of where they go be seen, else as
        far as shows most."""
        best, sites = 0, self.scene(lifts[0]).sites(view)
        for rung in range(1, len(lifts)):
            if _enough(sites):
                break
            further = self.scene(lifts[rung]).sites(view)
            if sum(further.values()) > sum(sites.values()) + WORTH_LIFTING * (rung - best) * len(sites):
                best, sites = rung, further
        seen, things = self.scene(lifts[best]).shares(view)
        return Look(view, best, seen, things, sites)

    def sight(self, look: Look) -> Sight:
        """What is told of the look."""
        scene = self.scene(LIFTS[look.rung])
        lifts = {one.thing.parts[0]: _triple(one.shift) for one in scene.lifted}
        closer = closer_looks(scene, look.view, look.things, look.sites, self.views)
        return Sight(self.step.number, look.view, look.seen, LIFTS[look.rung], look.sites, lifts, closer)


def _triple(shift: Array) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in shift)
    return x, y, z
