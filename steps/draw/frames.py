"""What part of the model a step's drawing shows, and one frame for as many steps in a row as it serves:
the model stays where it is from page to page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from steps.draw.lift import lifted_things
from steps.draw.studio import Studio
from steps.model import Array, Step
from steps.progress import ticking

#: Free margin round a step's drawing, for balloons (mm on paper).
STEP_MARGIN_MM = 7.0
#: The same in shares of a small field, as cameras have it.
MOST_MARGIN = 0.4
#: A step keeps the frame of its neighbours while its own picture would be at most this much larger.
SERVES_SHARE = 0.9
#: A close-up serves several steps where their new parts stay this share of its size off its rim: enough to
#: see what is next to them.
RIM_SHARE = 0.06
#: A close-up comes closer than the usual one, and then the new parts, lifted, take no more of its width or
#: height than this: what they go on is seen (by eye).
MOST_FOCUS = 0.7
#: Where the whole build would make the stud pitch smaller than this on paper (mm), the drawing shows the
#: neighbourhood of the new parts instead: a stud of 0.6 pitch stays 3.6 mm wide (by eye).
LEAST_PITCH_MM = 6.0
#: The pitch of such a close-up: what is cut off should show well.
CLOSE_PITCH_MM = 7.0
#: Nor is the pitch drawn larger than this: a single small part need not fill a sheet.
GREATEST_PITCH_MM = 34.0
#: As both where there is no pitch: the largest extent of the smallest new part on paper (mm).
LEAST_PART_MM = 12.0


def frame_of(studio: Studio, step: Step, width_mm: float, height_mm: float) -> Array:
    """(2, 2) least and greatest right and up, mm, of what the drawing of a step shows in a field of the
    given size on paper; shared with its neighbours in the same view."""
    key = (round(width_mm, 3), round(height_mm, 3))
    if key not in studio.frames:
        studio.frames[key] = _all_frames(studio, width_mm, height_mm)
    return studio.frames[key][step.number]


@dataclass(frozen=True, eq=False)
class _Shown:
    """What one step's drawing could show: boxes (2, 2), mm."""

    number: int
    whole: Array  #: the build so far, new parts lifted and in place
    focus: Array  #: the new parts alone
    widest: float  #: field beyond which it is a close-up, mm
    close: float  #: field of a close-up

    def is_close_up(self, ratio: float) -> bool:
        return bool(np.isfinite(self.focus).all()) and _need(self.whole, ratio) > self.widest


def _all_frames(studio: Studio, width_mm: float, height_mm: float) -> dict[int, Array]:
    """The frame of every step: steps of one assembly in a row that share their view, and in which the build
    only grows, share a frame."""
    frames: dict[int, Array] = {}
    run: list[_Shown] = []
    kept: tuple[str, bytes] | None = None
    bounds, built, there = np.zeros((0, 2, 3)), np.zeros((2, 2)), 0
    rows = studio.plan.model.index_of
    for step in ticking(studio.plan.order.steps):
        axes, moment = studio.axes(step), studio.moment(step)
        place = (step.assembly, axes.round(9).tobytes())
        if place != kept or len(moment.before) < there:  # another build, or some of it is off again
            frames.update(_shared(studio, run, width_mm, height_mm))
            run, kept, bounds = [], place, studio.bounds_along(axes)
            built = _around(bounds[moment.before, :, :2])
        there = len(moment.after)
        lifted = lifted_things(studio, step)
        focus = built[None][:0]
        for one in lifted:
            of = bounds[[rows[part] for part in one.thing.parts], :, :2]
            focus = np.concatenate([focus, of, of + (axes @ one.shift)[:2]])
        built = _around(np.concatenate([built[None], focus]))
        widest = _widest(studio, step, width_mm)
        close = widest * LEAST_PITCH_MM / CLOSE_PITCH_MM
        run.append(_Shown(step.number, built, _around(focus), widest, close))
    frames.update(_shared(studio, run, width_mm, height_mm))
    return frames


def _widest(studio: Studio, step: Step, width_mm: float) -> float:
    """Model mm across a drawing of ``width_mm`` beyond which the neighbourhood is shown instead of the whole:
    no bound without a pitch, where only a sub-assembly is attached."""
    pitch = studio.plan.measures.pitch_mm
    width_mm = _free(width_mm)
    if pitch:
        return width_mm * pitch / LEAST_PITCH_MM
    part_of = studio.plan.model.part_by_id
    sizes = [studio.solids[part_of[part].shape].extent for part in step.adds]
    return width_mm * min(sizes, default=np.inf) / LEAST_PART_MM


def _no_larger(studio: Studio, box: Array, width_mm: float) -> Array:
    """The box, grown about its middle until the drawing's pitch is no larger than it may be."""
    pitch = studio.plan.measures.pitch_mm
    least = width_mm * pitch / GREATEST_PITCH_MM if pitch else 0.0
    missing = least - float(box[1, 0] - box[0, 0])
    aside = np.array([max(0.0, missing) / 2, 0.0])
    return np.array([box[0] - aside, box[1] + aside])


def _shared(studio: Studio, run: Sequence[_Shown], width_mm: float, height_mm: float) -> dict[int, Array]:
    """The frame of each step of a run in one view."""
    ratio = _ratio(width_mm, height_mm)
    boxes = [_no_larger(studio, box, width_mm) for box in _boxes(run, ratio)]
    return {one.number: frame for one, frame in zip(run, shared_frames(boxes, ratio), strict=True)}


def _ratio(width_mm: float, height_mm: float) -> float:
    """Width over height of a field, its margin left out."""
    return _free(width_mm) / _free(height_mm)


def _free(size_mm: float) -> float:
    """A field's width or height without its margin, which takes least of a small one."""
    return size_mm - 2 * min(STEP_MARGIN_MM, MOST_MARGIN * size_mm)


def _boxes(run: Sequence[_Shown], ratio: float) -> list[Array]:
    """What each step shows: the whole; where that is too large, a close-up, the same for as many steps as
    have their new parts in it."""
    boxes: list[Array] = []
    while len(boxes) < len(run):
        at = len(boxes)
        one = run[at]
        if not one.is_close_up(ratio):
            boxes.append(one.whole)
            continue
        focus = one.focus[1] - one.focus[0]
        usual = np.array([one.close, one.close / ratio])
        # closer where the build is narrower, or lower, than that: else its sides would be empty
        closer = usual * min(1.0, float(((one.whole[1] - one.whole[0]) / usual).min()))
        size = np.clip(np.maximum(closer, focus / MOST_FOCUS), focus, np.maximum(usual, focus))
        union, stop = one.focus, at + 1
        while stop < len(run) and run[stop].is_close_up(ratio):
            wider = _union(union, run[stop].focus)
            if ((wider[1] - wider[0]) > (1 - 2 * RIM_SHARE) * size).any():
                break
            union, stop = wider, stop + 1
        boxes.extend([_window(run[stop - 1].whole, union, size)] * (stop - at))
    return boxes


def _window(whole: Array, focus: Array, size: Array) -> Array:
    """As much of the whole round the focus as has the size."""
    size = np.minimum(size, whole[1] - whole[0])
    low = np.clip(focus.mean(axis=0) - size / 2, whole[0], whole[1] - size)
    return np.array([low, low + size])


def _around(boxes: Array) -> Array:
    """The box (2, 2) around boxes (n, 2, 2); of none an inverted, infinite one."""
    low = boxes[:, 0].min(axis=0, initial=np.inf)
    return np.array([low, boxes[:, 1].max(axis=0, initial=-np.inf)])


def shared_frames(boxes: Sequence[Array], ratio: float) -> tuple[Array, ...]:
    """For each step's box (2, 2) (least and greatest right and up, mm) the box to frame: grown to hold
    its neighbours in a run as long as every picture of the run stays near its own largest size.

    ``ratio``: width of the drawing field over its height.
    """
    frames: list[Array] = []
    started, union, least = 0, np.zeros((2, 2)), np.inf
    for at, box in enumerate(boxes):
        wider = _union(union, box) if at > started else box
        fewest = min(least, _need(box, ratio)) if at > started else _need(box, ratio)
        if at > started and fewest < SERVES_SHARE * _need(wider, ratio):
            frames.extend([union] * (at - started))
            started, wider, fewest = at, box, _need(box, ratio)
        union, least = wider, fewest
    frames.extend([union] * (len(boxes) - started))
    return tuple(frames)


def _union(one: Array, two: Array) -> Array:
    return np.array([np.minimum(one[0], two[0]), np.maximum(one[1], two[1])])


def _need(box: Array, ratio: float) -> float:
    """How wide a field the box needs."""
    width, height = box[1] - box[0]
    return max(float(width), float(height) * ratio, 1e-9)
