"""Closer looks: a thing that a step's drawing shows too little of, or too little of where it goes, is shown
once more, by itself, with what hides it left out or from another side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps.draw.scene import StepScene
from steps.draw.seeing import Places, hidden, hiders
from steps.model import Array, Closer, View

#: A thing, or the places where it goes, need a closer look where less than this is seen: of a single stud
#: some five places are looked at, so that a little more may be told than shows.
HIDDEN_PART, HIDDEN_SITES = 0.35, 0.45
#: A look that shows so much of the places and so much of the thing is good enough.
GOOD_SITES, GOOD_PART = 0.7, 0.5
#: What it costs a look to be from another side than the drawing; besides, from below; and to leave parts out.
SIDE_COST, BELOW_COST, AWAY_COST = 0.15, 0.1, 0.1
#: Weight of the thing itself beside the places where it goes.
PART_WEIGHT = 0.5
#: The most closer looks of one drawing.
MOST_INSETS = 4


def closer_looks(
    scene: StepScene,
    view: View,
    things: Sequence[float],
    sites: Mapping[str, float],
    others: Sequence[Sequence[View]],
) -> tuple[Closer, ...]:
    """One for each kind of thing that is hidden, or whose places are. ``things``, ``sites``: what of each
    shows in the drawing; ``others``: views to try, by and by."""
    chosen: dict[tuple[str, str, str], int] = {}
    for at, one in enumerate(scene.lifted):
        if things[at] < HIDDEN_PART or sites.get(one.thing.parts[0], 1.0) < HIDDEN_SITES:
            part = scene.studio.plan.model.part_by_id[one.thing.parts[0]]
            chosen.setdefault((one.thing.assembly, part.shape, part.colour), at)
    return tuple(closer_look(scene, at, view, others) for at in list(chosen.values())[:MOST_INSETS])


@dataclass(frozen=True)
class _Try:
    """A closer look that was tried."""

    closer: Closer
    cost: float

    @property
    def score(self) -> float:
        return self.closer.sites + PART_WEIGHT * self.closer.seen - self.cost

    @property
    def is_good(self) -> bool:
        return self.closer.sites >= GOOD_SITES and self.closer.seen >= GOOD_PART


def closer_look(scene: StepScene, at: int, view: View, others: Sequence[Sequence[View]] = ()) -> Closer:
    """The look at a thing that shows most; the drawing's own view where it is good enough, with parts left
    out if need be."""
    found: list[_Try] = []
    for one in _tries(scene, at, view, others):
        found.append(one)
        if one.is_good:
            break
    return max(found, key=lambda one: round(one.score, 6)).closer  # of equal ones the first


def _tries(scene: StepScene, at: int, view: View, others: Sequence[Sequence[View]]) -> Iterator[_Try]:
    yield _tried(scene, at, view, uncovered(scene, at, view), AWAY_COST)
    for views in others:
        for other in views:
            cost = SIDE_COST + BELOW_COST * (other.elevation < 0)
            yield _tried(scene, at, other, scene.earlier, cost)
            yield _tried(scene, at, other, uncovered(scene, at, other), cost + AWAY_COST)


def _tried(scene: StepScene, at: int, view: View, kept: NDArray[np.int64], cost: float) -> _Try:
    axes, one = scene.axes(view), scene.lifted[at]
    crowd = scene.crowd(axes, kept, beside(scene, at))
    places = [Places(np.concatenate(scene.places[at]))] if scene.places[at] else []
    part = Places(_points(scene, at, axes), at)
    *of_places, of_part = hidden([*places, part], crowd, axes)
    names = scene.studio.plan.sequence.ids(scene.earlier[~np.isin(scene.earlier, kept)])
    sites = round(1 - float(of_places[0].mean()), 3) if of_places else 1.0
    seen = round(1 - float(of_part.mean()), 3) if len(of_part) else 0.0  # so thin that no ray meets it
    return _Try(Closer(one.thing.parts, view, names, sites, seen), cost)


def _points(scene: StepScene, at: int, axes: Array) -> Array:
    rows = scene.studio.plan.model.index_of
    return np.concatenate([scene.samples(rows[part], axes) for part in scene.lifted[at].thing.parts])


def beside(scene: StepScene, at: int) -> tuple[int, ...]:
    """The things of the step that a closer look at one of them shows: itself, and those it goes onto."""
    rows = scene.studio.plan.model.index_of
    ends = {rows[part] for joint in scene.lifted[at].joints for part in (joint.a, joint.b)}
    return tuple(sorted({at} | {scene.group[row] for row in ends if row in scene.group}))


def uncovered(scene: StepScene, at: int, view: View) -> NDArray[np.int64]:
    """Rows of the parts in place but for those that stand before the thing, lifted or in its seat, or before
    where it goes, and do not carry it."""
    axes, one = scene.axes(view), scene.lifted[at]
    home = _points(scene, at, axes) - one.shift
    points = [Places(home + shift) for shift in one.way]
    points += [Places(places) for places in scene.places[at]]
    before = hiders(points, scene.crowd(axes, scene.earlier), axes)
    rows = scene.studio.plan.model.index_of
    carriers = {rows[part] for joint in one.joints for part in (joint.a, joint.b)}
    return scene.earlier[~np.isin(scene.earlier, sorted(before - carriers))]
