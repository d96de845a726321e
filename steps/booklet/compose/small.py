"""How many steps may share a page: by how large their drawings would come out there; and their outlines."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from itertools import product

import numpy as np

from renderer.camera import axes_of
from steps.booklet.edition import ROOM_SHARES, paper_of
from steps.draw.frames import CLOSE_PITCH_MM, LEAST_PART_MM, LEAST_PITCH_MM
from steps.draw.studio import USUAL_VIEW
from steps.model import Array, IntArray, Plan, Step
from steps.progress import ticking
from steps.settings import Settings

#: On a quarter stands no step that puts in more things than this.
MOST_ON_QUARTER = 2
#: New parts are lifted by about this many pitches.
LIFT_PITCHES = 1.5


@dataclass(frozen=True)
class Sharing:
    """The most steps that may share a page with one, itself counted, what they must have in common, and how
    wide and high the build is in its drawing, mm of the model."""

    most: int = 1
    view: str = ""
    extent: tuple[float, float] | None = None


def sharing_of(plan: Plan, settings: Settings) -> dict[int, Sharing]:
    """Of every step, by its number."""
    most = 1 if settings.fold or settings.paper == "a5" else settings.steps_per_sheet
    own = min(most, 2) if settings.reader == "child" else most  # of a child's own steps
    adults = {work.number for work in plan.work.steps if work.by == "adult"}
    frame = paper_of(settings).frame
    sizes = [(count, np.array(share) * (frame.width, frame.height)) for count, share in ROOM_SHARES.items()]
    views = {sight.number: sight.view for sight in plan.sights}
    found = {}
    for moment in ticking(plan.sequence.moments):
        number, view = moment.step.number, views.get(moment.step.number, USUAL_VIEW)
        axes = axes_of(view.azimuth, view.elevation, moment.up)
        at_most = most if number in adults else own
        fits = [count for count, room in sizes if count <= at_most and _readable(plan, number, axes, room)]
        if len(moment.arrivals) > MOST_ON_QUARTER or any(each.assembly for each in moment.arrivals):
            fits = [count for count in fits if count < max(ROOM_SHARES)]
        wide, high = _extent(plan, moment.after, axes).tolist()
        found[number] = Sharing(max(fits, default=1), str(axes.round(6).tolist()), (wide, high))
    return found


def whole_extent(plan: Plan) -> tuple[float, float]:
    """How wide and high the finished model is in the usual view, mm."""
    axes = axes_of(USUAL_VIEW.azimuth, USUAL_VIEW.elevation, plan.order.up)
    wide, high = np.ptp(_corners(plan, np.arange(len(plan.model.parts))) @ axes[:2].T, axis=0).tolist()
    return wide, high


def _readable(plan: Plan, number: int, axes: Array, room: Array) -> bool:
    """Whether a drawing of so many mm across and up shows the whole build with studs large enough, or
    else the new parts and where they go, closer."""
    moment = plan.sequence.by_number[number]
    pitch = plan.measures.pitch_mm
    whole, new = _extent(plan, moment.after, axes), _extent(plan, moment.arriving, axes)
    if pitch:
        scales = [float((room / extent).min()) * pitch for extent in (whole, new)]
        return scales[0] >= LEAST_PITCH_MM or scales[1] >= CLOSE_PITCH_MM
    rows = [row for arrival in moment.arrivals if not arrival.assembly for row in arrival.rows.tolist()]
    extents = np.ptp(plan.model.part_bounds[rows], axis=1).max(axis=1)
    return bool((room / whole).min() * extents.min(initial=np.inf) >= LEAST_PART_MM)


def _extent(plan: Plan, rows: IntArray, axes: Array) -> Array:
    """(2,) width and height, model mm, of parts seen along camera axes, lifted."""
    wide, high = np.ptp(_corners(plan, rows) @ axes[:2].T, axis=0)
    lift = LIFT_PITCHES * (plan.measures.pitch_mm or 0.0)
    return np.array([max(wide, 1e-6), max(high, 1e-6) + lift])


def _corners(plan: Plan, rows: IntArray) -> Array:
    """(8 n, 3) corners of the boxes round parts."""
    bounds = plan.model.part_bounds[rows]
    picks = list(product((0, 1), repeat=3))
    return np.concatenate([bounds[:, pick, (0, 1, 2)] for pick in picks])


def turns_or_doubts(step: Step, turned: Container[int]) -> bool:
    """Whether a step has something to say that must not be overlooked: it stands alone."""
    return bool(step.doubtful) or step.number in turned
