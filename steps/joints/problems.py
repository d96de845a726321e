"""What is wrong with how a placed model hangs together, each with the parts, the figures, and a way out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from renderer.topology import connected
from steps.features.anatomy import anatomy
from steps.joints.leaning import distance
from steps.joints.overlap import Overlap
from steps.model import Array, Joint, Measures, Model, Problem
from steps.progress import ticking

#: A stud engaged over less than this share of its height is only half seated.
SEATED = 0.5
#: Parts whose undersides agree to this share of the unit length lie on one plane.
LEVEL_SHARE = 0.02
#: From this share of parts that touch nothing, on one plane, a model looks like a print layout.
LAYOUT_SHARE = 0.6
#: The least number of parts that can look like a print layout.
LAYOUT_PARTS = 3
#: Poses that differ by less than this share of the unit length put one part exactly on another.
SAME_PLACE_SHARE = 1e-3
#: Studs are all that two parts have in common where their own volume is within this share of it: facets.
SAME_STUDS = 0.1
#: Pairs of parts, the nearest by their boxes, of which the true distance is measured.
PAIRS_MEASURED = 24
#: Groups whose distance is measured so; of more, the boxes' distance has to do.
GROUPS_MEASURED = 20
#: Names listed in one message.
MAX_NAMES = 6


def placed_problems(
    model: Model,
    measures: Measures,
    joints: Sequence[Joint],
    overlaps: Sequence[tuple[int, int, Overlap]],
    unit: float,
) -> tuple[Problem, ...]:
    """Errors ``overlap``, ``same-place``, ``print-layout``, ``floating-part``; warning ``half-seated``;
    notes ``separate-things`` and ``no-feature`` for shapes that only rest."""
    return (
        *_overlaps(model, measures, overlaps, unit),
        *_floating(model, _ties(model, joints, overlaps), unit, measures.up),
        *_half_seated(model, joints),
        *_featureless(model, measures, joints),
    )


def names(model: Model, parts: Sequence[str]) -> str:
    """The parts' names in the model file, the first few of them."""
    shown = [model.part_by_id[part].source for part in parts[:MAX_NAMES]]
    rest = len(parts) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest > 0 else "")


def _overlaps(
    model: Model, measures: Measures, overlaps: Sequence[tuple[int, int, Overlap]], unit: float
) -> list[Problem]:
    problems = []
    for a, b, deep in overlaps:
        first, second = model.parts[a], model.parts[b]
        same = first.shape == second.shape and bool(
            np.abs(first.pose - second.pose).max() < SAME_PLACE_SHARE * unit
        )
        if same:
            code = "same-place"
            text = f"{first.source} and {second.source} lie exactly on each other. Remove one of them."
        else:
            code = "overlap"
            size = f"{deep.depth_mm:.2f} mm ({deep.volume_mm3:.0f} mm³ in common)"
            if not deep.exact:
                size = f"at least {deep.depth_mm:.2f} mm (an open mesh, so not measured further)"
            text = _no_socket(model, measures, a, b, deep) or _no_socket(model, measures, b, a, deep)
            text = text or (
                f"{first.source} and {second.source} stand in each other by {size}, "
                "more than any press fit. Move one of them or mend its mesh."
            )
        problems.append(Problem(code, "error", (first.id, second.id), text))
    return problems


def _no_socket(model: Model, measures: Measures, a: int, b: int, deep: Overlap) -> str:
    """What to say where all that stands in part ``b`` is studs of part ``a``; else empty. Models that were
    drawn to be looked at are so."""
    first, second = model.parts[a], model.parts[b]
    studs = measures.by_shape[first.shape].studs
    if not studs or not deep.exact:
        return ""
    middles = np.array([stud.point + stud.height_mm / 2 * stud.axis for stud in studs])
    places = middles @ first.pose[:3, :3].T + first.pose[:3, 3]
    low, high = model.part_bounds[b]
    within = np.flatnonzero(np.all((places > low) & (places < high), axis=1))
    taken = [studs[row] for row in within]
    volume = sum(np.pi * (stud.radius_mm**2 - stud.bore_mm**2) * stud.height_mm for stud in taken)
    if abs(volume - deep.volume_mm3) > SAME_STUDS * deep.volume_mm3:
        return ""
    many = "1 stud" if len(taken) == 1 else f"{len(taken)} studs"
    return (
        f"{second.source} has no socket where {many} of {first.source} would be, {deep.depth_mm:.2f} mm "
        f"deep in it ({deep.volume_mm3:.0f} mm³): as drawn the two cannot be put together. Give it its "
        "hollow underside, or take a model that was drawn to be printed."
    )


def _ties(
    model: Model, joints: Sequence[Joint], overlaps: Sequence[tuple[int, int, Overlap]]
) -> list[tuple[str, str]]:
    """Pairs that do not float apart: joined ones, and overlapping ones, whose fault is named already."""
    found = [(joint.a, joint.b) for joint in joints]
    return found + [(model.parts[a].id, model.parts[b].id) for a, b, _ in overlaps]


def _floating(model: Model, ties: Sequence[tuple[str, str]], unit: float, up: Array) -> list[Problem]:
    rows = model.index_of
    label = connected(len(model.parts), np.array([(rows[a], rows[b]) for a, b in ties], dtype=np.int64))
    together: dict[int, list[str]] = {}
    for part, number in zip(model.parts, label.tolist(), strict=True):
        together.setdefault(number, []).append(part.id)
    groups = sorted(together.values(), key=lambda group: (-len(group), rows[group[0]]))
    alone = [group[0] for group in groups if len(group) == 1]
    low = lowest_along(model, up)
    level = low.min() + LEVEL_SHARE * unit
    flat = [part for part in alone if low[rows[part]] < level]
    if len(flat) >= max(LAYOUT_PARTS, LAYOUT_SHARE * len(model.parts)):
        return [_print_layout(model, flat)]
    stands = [low[[rows[part] for part in group]].min() < level for group in groups]
    hanging = [group for group, on_table in zip(groups, stands, strict=True) if not on_table]
    standing = [group for group, on_table in zip(groups, stands, strict=True) if on_table]
    main = np.array([rows[part] for part in standing[0]])
    found = [
        _apart(model, group, main, unit, PAIRS_MEASURED if at < GROUPS_MEASURED else 0)
        for at, group in enumerate(hanging)
    ]
    return found + ([_separate(model, standing)] if len(standing) > 1 else [])


def _print_layout(model: Model, flat: Sequence[str]) -> Problem:
    text = (
        f"{len(flat)} of {len(model.parts)} parts touch nothing and lie on one plane: this looks like a "
        "print layout. Hand in the model with its parts put together, or a folder of the parts with a "
        "table of placements."
    )
    return Problem("print-layout", "error", tuple(flat), text)


def lowest_along(model: Model, up: Array) -> Array:
    """(parts,) least height of each part, mm along ``up``."""
    found = np.empty(len(model.parts))
    for row, shape in enumerate(ticking(model.shapes)):
        of = np.flatnonzero(model.shape_index == row)
        ways = np.einsum("pij,i->pj", model.poses[of, :3, :3], up)
        found[of] = (ways @ shape.vertices.T).min(axis=1) + model.poses[of, :3, 3] @ up
    return found


def _separate(model: Model, groups: Sequence[Sequence[str]]) -> Problem:
    listed = "; ".join(names(model, group[:1]) + _and_more(len(group) - 1) for group in groups[:MAX_NAMES])
    more = "; ..." if len(groups) > MAX_NAMES else ""
    text = (
        f"{len(groups)} things stand side by side: no joint ties them together. They are built one after the "
        f"other: {listed}{more}."
    )
    return Problem("separate-things", "note", tuple(group[0] for group in groups), text)


def _and_more(count: int) -> str:
    return f" with {count} more part{'' if count == 1 else 's'}" if count else ""


def _apart(model: Model, group: Sequence[str], main: Array, unit: float, measured: int) -> Problem:
    """One group that hangs in the air; its distance is measured on so many pairs of parts."""
    own = np.array([model.index_of[part] for part in group])
    gap, nearest = _nearest(model, own, main, measured)
    neighbour = model.parts[nearest].source
    about = "" if measured else "about "
    if len(group) > 1:
        who = f"{names(model, group)} ({len(group)} parts) hold together, but the group hangs in the air"
    else:
        who = f"{names(model, group)} hangs in the air"
    text = f"{who}: no joint ties it to the rest. The nearest part is {neighbour}, {about}{gap:.2f} mm away. "
    return Problem("floating-part", "error", tuple(group), text + "Move it into place or leave it out.")


def _nearest(model: Model, own: Array, others: Array, measured: int) -> tuple[float, int]:
    """Least distance between two sets of parts, and the row of the nearest of the others; by their boxes,
    then exactly on the ``measured`` nearest pairs."""
    near: list[tuple[float, int, int]] = []
    for row in own:
        apart = _between_boxes(model.part_bounds[row], model.part_bounds[others])
        for at in np.argsort(apart, kind="stable")[: max(measured, 1)]:
            near.append((float(apart[at]), int(row), int(others[at])))
    near = sorted(near)[: max(measured, 1)]
    best, nearest = np.inf, near[0][2]
    for at_least, first, second in near[:measured]:
        if at_least >= best:
            break
        one, other = (anatomy(model.shape_by_id[model.parts[row].shape]).mesh for row in (first, second))
        if len(one.faces) and len(other.faces):
            found = distance(one, other, (model.poses[first], model.poses[second]))
            if found < best:
                best, nearest = found, second
    return (best, nearest) if np.isfinite(best) else (near[0][0], nearest)


def _between_boxes(box: Array, others: Array) -> Array:
    """(n,) distances from one box to others."""
    apart = np.maximum(np.maximum(others[:, 0] - box[1], box[0] - others[:, 1]), 0.0)
    return np.linalg.norm(apart, axis=1)


def _half_seated(model: Model, joints: Sequence[Joint]) -> list[Problem]:
    problems = []
    for joint in joints:
        studs = [t for t in joint.touches if t.kind == "stud" and t.height_mm > 0]
        if not studs:
            continue
        best = max(studs, key=lambda t: t.depth_mm / t.height_mm)
        if best.depth_mm < SEATED * best.height_mm:
            a, b = (model.part_by_id[part].source for part in (joint.a, joint.b))
            left = best.height_mm - best.depth_mm
            text = (
                f"{b} on {a}: the studs reach in {best.depth_mm:.2f} mm of {best.height_mm:.2f} mm, "
                f"so a gap of {left:.2f} mm is left. Seat the part unless it is meant."
            )
            problems.append(Problem("half-seated", "warning", (joint.a, joint.b), text))
    return problems


def _featureless(model: Model, measures: Measures, joints: Sequence[Joint]) -> list[Problem]:
    """Shapes without a recognised feature whose parts no joint grips."""
    gripped = {part for joint in joints if joint.kind != "rest" for part in (joint.a, joint.b)}
    by_shape: dict[str, list[str]] = {}
    for part in model.parts:
        if part.id not in gripped:
            by_shape.setdefault(part.shape, []).append(part.id)
    problems = []
    for shape in model.shapes:
        loose = tuple(by_shape.get(shape.id, ()))
        if loose and not measures.by_shape[shape.id].features:
            text = f"{names(model, loose)}: no stud, peg, hole or ball was recognised; it can only rest."
            problems.append(Problem("no-feature", "note", loose, text))
    return problems
