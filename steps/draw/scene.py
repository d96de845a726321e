"""One step as it is drawn, to be measured: what shows of the new parts and of where they go."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.camera import axes_of
from renderer.table import Item
from steps.draw.lift import in_hand, lifted_things
from steps.draw.seeing import Crowd, Places, hidden, samples
from steps.draw.sites import sites_of
from steps.draw.studio import Studio
from steps.model import Array, Step, View


class StepScene:
    """One step, its parts lifted by so many usual clear gaps, to be looked at from several sides."""

    def __init__(self, studio: Studio, step: Step, lift: float) -> None:
        self.studio, self.step = studio, step
        self.lifted = lifted_things(studio, step, lift)
        rows = studio.plan.model.index_of
        self.earlier = studio.moment(step).before
        self.group = {rows[part]: at for at, one in enumerate(self.lifted) for part in one.thing.parts}
        self.places = [sites_of(one) for one in self.lifted]

    # ------------------------------------------------------------------------ what stands

    def item(self, key: int) -> Item:
        """A part as it stands in the drawing."""
        at = self.group.get(key)
        item = self.studio.item(self.studio.plan.model.parts[key].id, "earlier")
        return item if at is None else in_hand(item, self.lifted[at])

    def crowd(
        self, axes: Array, earlier: NDArray[np.int64] | None = None, things: Sequence[int] = ()
    ) -> Crowd:
        """Parts in place and new parts lifted; ``earlier``: only these rows of them, and of the new ones only
        ``things``."""
        bounds = self.studio.bounds_along(axes)
        if earlier is None:
            earlier, things = self.earlier, range(len(self.lifted))
        new = np.array([key for key, at in self.group.items() if at in things], dtype=np.int64)
        keys = np.concatenate([earlier, new])
        low, high = bounds[keys, 0].copy(), bounds[keys, 1].copy()
        for row, key in enumerate(new.tolist(), start=len(earlier)):
            if self.lifted[self.group[key]].thing.move.turn is None:
                shift = axes @ self.lifted[self.group[key]].shift
                low[row], high[row] = low[row] + shift, high[row] + shift
            else:
                seen = self.item(key).outer @ axes.T
                low[row], high[row] = seen.min(axis=0), seen.max(axis=0)
        group = np.concatenate([np.full(len(earlier), -1), [self.group[key] for key in new.tolist()]])
        return Crowd(keys, low, high, group.astype(int), self.item)

    def axes(self, view: View) -> Array:
        return axes_of(view.azimuth, view.elevation, self.step.up)

    def samples(self, key: int, axes: Array) -> Array:
        """(n, 3) places on what a new part shows alone."""
        one = self.lifted[self.group[key]]
        if one.thing.move.turn is not None and one.is_lifted:
            return samples(self.item(key), axes)
        return self.studio.samples(self.studio.plan.model.parts[key], axes) + one.shift

    # ----------------------------------------------------------------------- what is seen

    def sites(self, view: View) -> dict[str, float]:
        """Of each lifted thing, by its first part, the visible share of where it goes: of its places on the
        parts that receive it."""
        axes = self.axes(view)
        wanted = [at for at, places in enumerate(self.places) if places]
        points = [Places(np.concatenate(self.places[at])) for at in wanted]
        hides = hidden(points, self.crowd(axes), axes) if points else []
        return {
            self.lifted[at].thing.parts[0]: round(1 - float(hide.mean()), 3)
            for at, hide in zip(wanted, hides, strict=True)
        }

    def shares(self, view: View) -> tuple[dict[str, float], tuple[float, ...]]:
        """The visible share of each new part; and of each thing, of what it shows alone."""
        axes = self.axes(view)
        parts = [Places(self.samples(key, axes), group) for key, group in self.group.items()]
        crowd = self.crowd(axes)
        by_mates = self._hidden_by_mates(parts, crowd, axes)
        by_others = hidden(parts, crowd, axes)
        shown = [~(others | mates) for others, mates in zip(by_others, by_mates, strict=True)]
        ids = [self.studio.plan.model.parts[key].id for key in self.group]
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
