"""Which steps can be read on half a sheet: by how large their drawing would come out there."""

from __future__ import annotations

from collections.abc import Container
from itertools import product

import numpy as np

from renderer.camera import axes_of
from steps.booklet.edition import paper_of
from steps.draw.studio import USUAL_VIEW
from steps.model import Array, IntArray, Plan, Step
from steps.settings import Settings

#: Stud spacing on paper below which a step wants a whole sheet, mm: a stud of 0.6 of it is then 4.2 mm wide
#: (by eye).
LEAST_PITCH_MM = 7.0
#: The same where no spacing was measured: the largest extent of the smallest new part, mm (by eye).
LEAST_PART_MM = 16.0
#: Of half a sheet's width and height, what the drawing gets: margins for balloons, and the strip below.
WIDTH_SHARE, HEIGHT_SHARE = 0.82, 0.42
#: New parts are lifted by about this many pitches.
LIFT_PITCHES = 1.5


def small_steps(plan: Plan, settings: Settings) -> frozenset[int]:
    """Numbers of the steps whose drawing can be read on half a sheet."""
    if settings.steps_per_sheet < 2 or settings.reader == "child" or settings.fold or settings.paper == "a5":
        return frozenset()
    frame = paper_of(settings).frame
    room = np.array([WIDTH_SHARE * frame.width / 2, HEIGHT_SHARE * frame.height])
    return frozenset(
        number for number, extent in _extents(plan).items() if _readable(plan, number, room / extent)
    )


def _readable(plan: Plan, number: int, scale: Array) -> bool:
    """Whether a drawing at the scale, paper mm per model mm across and up, shows studs large enough."""
    pitch = plan.measures.pitch_mm
    if pitch:
        return bool(scale.min() * pitch >= LEAST_PITCH_MM)
    arrivals = plan.sequence.by_number[number].arrivals
    rows = [row for arrival in arrivals if not arrival.assembly for row in arrival.rows.tolist()]
    extents = np.ptp(plan.model.part_bounds[rows], axis=1).max(axis=1)
    return bool(scale.min() * extents.min(initial=np.inf) >= LEAST_PART_MM)


def _extents(plan: Plan) -> dict[int, Array]:
    """(2,) width and height, model mm, of what each step's drawing shows in its view."""
    sights = {sight.number: sight.view for sight in plan.sights}
    found = {}
    lift = LIFT_PITCHES * (plan.measures.pitch_mm or 0.0)
    for moment in plan.sequence.moments:
        number = moment.step.number
        view = sights.get(number, USUAL_VIEW)
        axes = axes_of(view.azimuth, view.elevation, moment.up)
        wide, high = np.ptp(_corners(plan, moment.after) @ axes[:2].T, axis=0)
        found[number] = np.array([max(wide, 1e-6), max(high, 1e-6) + lift])
    return found


def _corners(plan: Plan, rows: IntArray) -> Array:
    """(8 n, 3) corners of the boxes round parts."""
    bounds = plan.model.part_bounds[rows]
    picks = list(product((0, 1), repeat=3))
    return np.concatenate([bounds[:, pick, (0, 1, 2)] for pick in picks])


def turns_or_doubts(step: Step, turned: Container[int]) -> bool:
    """Whether a step has something to say that must not be overlooked: it stands alone."""
    return bool(step.doubtful) or step.number in turned
