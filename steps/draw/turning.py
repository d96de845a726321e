"""How what lies on the table is turned between two drawings: tipped over some edge, then turned as it
lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from renderer.camera import axes_of
from steps.draw.studio import USUAL_VIEW
from steps.model import Array, IntArray, Plan, View

#: Less than this is no turn (degrees): as little as counts as another way up.
SAME_DEG = 1.0


@dataclass(frozen=True)
class ViewTurn:
    """Whole degrees; first the tip, about a level line, then the spin, seen from above."""

    tip_deg: int  #: 0 to 180
    spin_deg: int  #: -180 to 180, positive anticlockwise


@dataclass(frozen=True, eq=False)
class Turned:
    """What is turned before a step, and how it lies in its last drawing and in the next."""

    assembly: str
    turning: ViewTurn
    before: tuple[View, Array]  #: and what points up
    after: tuple[View, Array]
    rows: IntArray  #: of its parts as it lay
    copy: IntArray  #: of those, as it lies: of another copy where that is attached


def turned_before(plan: Plan, step_number: int, attached: str = "") -> Turned | None:
    """How the build is turned before a step, or a sub-assembly that the step attaches; None where it lies as
    it was last drawn."""
    moment, views = plan.sequence.by_number[step_number], {sight.number: sight.view for sight in plan.sights}
    after = views.get(step_number, USUAL_VIEW), moment.up
    if attached:
        last = plan.sequence.by_assembly[attached][-1]
        rows = last.after
        arrival = next(each for each in moment.arrivals if each.assembly == attached)
        copies = plan.order.assembly_by_id[attached].copies
        index = plan.model.index_of
        by_part = dict(
            zip(copies[0], next(one for one in copies if set(one) == set(arrival.parts)), strict=True)
        )
        copy = np.array([index[by_part[plan.model.parts[row].id]] for row in rows.tolist()], dtype=np.int64)
    elif moment.previous is None:
        return None
    else:
        last, rows = plan.sequence.by_number[moment.previous.number], moment.before
        copy = rows
    before = views.get(last.step.number, USUAL_VIEW), last.up
    old, new = (plan.model.parts[some[0]].pose[:3, :3] for some in (rows, copy))
    turning = turning_between(before, after, new @ old.T)
    return None if turning is None else Turned(last.assembly.id, turning, before, after, rows, copy)


def turning_between(
    before: tuple[View, Array], after: tuple[View, Array], moved: Array | None = None
) -> ViewTurn | None:
    """How to turn what one drawing shows so that it lies as in the next, each by its view and what points up;
    None where nothing is turned. ``moved`` (3, 3): how it is turned in the model between the two."""
    old, new = (axes_of(view.azimuth, 0.0, up) for view, up in (before, after))
    whole = (
        new if moved is None else new @ moved
    ) @ old.T  # from the viewer's right, up and toward to the same
    rises = whole.T @ (0.0, 1.0, 0.0)  # what points up afterwards
    tip = float(np.degrees(np.arctan2(np.hypot(rises[0], rises[2]), rises[1])))
    tips = _tips(rises) if tip >= SAME_DEG else [np.eye(3)]
    spin = min((_spin(whole @ tipped.T) for tipped in tips), key=lambda angle: (round(abs(angle), 6), angle))
    found = ViewTurn(_whole(tip), _whole(spin) if _whole(spin) != -180 else 180)
    return found if found != ViewTurn(0, 0) else None


def _whole(degrees: float) -> int:
    return 0 if abs(degrees) < SAME_DEG else round(degrees)


def _spin(turn: Array) -> float:
    """Degrees about the upright, anticlockwise seen from above."""
    return float(np.degrees(np.arctan2(turn[0, 2], turn[0, 0])))


def _tips(rises: Array) -> list[Array]:
    """(3, 3) the smallest turns that take ``rises`` up; what goes right over goes away from the viewer or
    aside."""
    if rises[1] < -1 + 1e-9:
        return [np.diag([1.0, -1.0, -1.0]), np.diag([-1.0, -1.0, 1.0])]
    x, y, z = rises
    skew = np.array([[0, -x, 0], [x, 0, z], [0, -z, 0]])  # of rises x up
    return [np.eye(3) + skew + skew @ skew / (1 + y)]
