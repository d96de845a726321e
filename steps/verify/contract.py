"""That a plan keeps the contract of the plan file, by itself and against its model's parts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from pydantic import ValidationError
from scipy.spatial import cKDTree

from steps.model import KIND_ORDER, Array, Model
from steps.planfile import AssemblyEntry, JointEntry, PlanFile, StepEntry
from steps.settings import Settings
from steps.value_faults import place_of, what_is_wrong
from steps.verify.report import Check

#: Settings that the replay itself reads.
REPLAYED = ("material", "aim", "refit", "glue")
#: How far a plan's vectors may be off unit length, and poses off rigid: rounding in the file is 1e-10.
UNIT_TOLERANCE = 1e-6
#: A plan's pose may differ from the model's by so much at any corner of the part, mm.
POSE_TOLERANCE_MM = 1e-3
#: A joint and its touches agree to this, mm and mm2: the file rounds to 1e-4 at the most.
ROUNDED_MM = 2e-4
#: Copies are one rigid motion apart when their vertices agree to this, mm: meshes in a file carry float32.
COPY_TOLERANCE_MM = 0.05
#: Parts tried when looking for the motion between two copies: the first few may be symmetric solids,
#: whose poses differ by a symmetry while the copies match.
MOTIONS_TRIED = 8


def check_contract(plan: PlanFile) -> Check:
    """Ids unique and known, vectors unit, glue never a child's, nothing glued that moves."""
    check = Check("contract", "entries")
    check.looked_at = sum(map(len, (plan.shapes, plan.parts, plan.joints, plan.assemblies, plan.steps)))
    for text in settings_faults(plan):
        check.fault(f"the setting {text}")
    _ids(plan, check)
    _references(plan, check)
    if plan.up is not None and abs(np.linalg.norm(plan.up) - 1.0) > UNIT_TOLERANCE:
        check.fault(f"'up' {plan.up} of the finished model is not a unit vector")
    for step in plan.steps:
        _step_form(step, check)
    _numbers(plan, check)
    for joint in plan.joints:
        if joint.touches:
            _told_alike(joint, check)
    _glue(plan, check)
    return check


def _ids(plan: PlanFile, check: Check) -> None:
    for kind in ("shapes", "parts", "joints", "assemblies"):
        counts = Counter(entry.id for entry in getattr(plan, kind))
        for name, count in counts.items():
            if count > 1:
                check.fault(f"{kind}: id {name} stands {count} times")
    for pair, count in Counter(frozenset((joint.a, joint.b)) for joint in plan.joints).items():
        if count > 1 or len(pair) == 1:
            check.fault(f"joints: {' and '.join(sorted(pair))} joined {count} times or to itself")


def _references(plan: PlanFile, check: Check) -> None:
    known = {kind: {entry.id for entry in getattr(plan, kind)} for kind in ("shapes", "parts", "joints")}
    copies = {assembly.id: len(assembly.copies) for assembly in plan.assemblies}

    def need(kind: str, names: Iterable[str], where: str, step: int | None = None) -> None:
        for name in sorted(set(names) - known[kind]):
            check.fault(f"{where} names {name}, which is none of the {kind}", step)

    need("shapes", (part.shape for part in plan.parts), "a part")
    for joint in plan.joints:
        need("parts", (joint.a, joint.b, *(touch.carrier for touch in joint.touches)), f"joint {joint.id}")
    for assembly in plan.assemblies:
        need("parts", (part for copy in assembly.copies for part in copy), f"assembly {assembly.id}")
    for step in plan.steps:
        need("parts", (*step.adds, *step.hold, *step.move, *step.seen), "it", step.number)
        need("parts", (*step.lifts, *step.sites), "it", step.number)
        for look in step.closer:
            need("parts", (*look.parts, *look.away), "a closer look", step.number)
        need("joints", (*step.closes, *step.dry, *step.glues, *step.needs_cured), "it", step.number)
        if step.assembly not in copies:
            check.fault(f"it belongs to {step.assembly}, which is no assembly", step.number)
        for attach in step.attaches:
            if attach.copy_number >= copies.get(attach.assembly, 0):
                check.fault(
                    f"it attaches {attach.assembly} copy {attach.copy_number}: none such", step.number
                )


def settings_faults(plan: PlanFile) -> list[str]:
    """Which of the settings that the replay reads are none; those of a later program may say more."""
    used = {name: value for name, value in plan.settings.items() if name in REPLAYED}
    try:
        Settings.model_validate(used)
    except ValidationError as error:
        found = [fault for fault in error.errors() if fault["type"] != "extra_forbidden"]
        return [f"{place_of(fault)} {what_is_wrong(fault)}" for fault in found]
    return []


def _step_form(step: StepEntry, check: Check) -> None:
    if set(step.move) != set(step.adds):
        check.fault("'move' and 'adds' do not name the same parts", step.number, step.adds)
    if not step.adds and not step.attaches and not step.reopens:
        check.fault("nothing is added", step.number)
    if abs(np.linalg.norm(step.up) - 1.0) > UNIT_TOLERANCE:
        check.fault(f"'up' {step.up} is not a unit vector", step.number)
    for name, move in [*step.move.items(), *((each.assembly, each.move) for each in step.attaches)]:
        legs = np.atleast_2d(np.array(move, dtype=float))
        lengths = np.linalg.norm(legs, axis=1)
        if np.array(move).ndim == 1 and abs(lengths[0] - 1.0) > UNIT_TOLERANCE:
            check.fault(f"the move of {name} is not a unit vector", step.number)
        if not np.all(lengths > UNIT_TOLERANCE):
            check.fault(f"a leg of the move of {name} has no length", step.number)
    turns = [*step.turn.items(), *((each.assembly, each.turn) for each in step.attaches if each.turn)]
    for name, turn in turns:
        if abs(np.linalg.norm(turn.axis) - 1.0) > UNIT_TOLERANCE or turn.degrees == 0:
            check.fault(f"the turn of {name} has no unit axis, or no angle", step.number)
    if not set(step.turn) <= set(step.adds):
        check.fault("'turn' names a part that is not added", step.number, sorted(step.turn))
    if step.glues and step.by == "child":
        check.fault("it has glue and is a child's", step.number)
    if step.glues and step.sitting is None:
        check.fault("it has glue and belongs to no sitting", step.number)


def _numbers(plan: PlanFile, check: Check) -> None:
    if [step.number for step in plan.steps] != list(range(1, len(plan.steps) + 1)):
        check.fault("the steps are not numbered 1, 2, 3 and so on in their order")


def _told_alike(joint: JointEntry, check: Check) -> None:
    """A joint's kind, count, gap, depth and area are those of its touches, each touch once."""
    ends = (joint.a, joint.b)
    places = Counter((each.kind, each.carrier, each.point, each.axis) for each in joint.touches)
    if max(places.values()) > 1:
        check.fault(f"{joint.id}: a touch stands twice", parts=ends)
    chosen = [each for each in joint.touches if each.kind == joint.kind]
    strongest = min((each.kind for each in joint.touches), key=KIND_ORDER.index)
    if not chosen or strongest != joint.kind:
        check.fault(f"{joint.id}: a {joint.kind} whose strongest touch is a {strongest}", parts=ends)
        return
    whole = joint.kind in ("stud", "ball")  # a peg may meet its hole with several cylinders
    counted = len(chosen) == joint.contacts if whole else 0 <= joint.contacts <= len(chosen)
    if not counted or (joint.contacts == 0) != (joint.kind == "rest"):
        check.fault(f"{joint.id}: {joint.contacts} contacts, and {len(chosen)} touches", parts=ends)
    area = 0.0 if joint.moves else sum(each.area_mm2 for each in joint.touches)
    for name, told, found, within in (
        ("gap", joint.gap_mm, min(each.gap_mm for each in chosen), ROUNDED_MM),
        ("depth", joint.depth_mm, max(each.depth_mm for each in chosen), ROUNDED_MM),
        ("area to glue", joint.glue_area_mm2, area, ROUNDED_MM * (1 + len(joint.touches))),
    ):
        if abs(told - found) > within:
            check.fault(f"{joint.id}: its {name} is {told:g}, that of its touches {found:g}", parts=ends)


def _glue(plan: PlanFile, check: Check) -> None:
    joints = {joint.id: joint for joint in plan.joints}
    glued: set[str] = set()
    for step in plan.steps:
        for name in step.needs_cured:
            if name not in glued:
                check.fault(f"{name} must bear load by now and is not glued before", step.number)
        for name in step.glues:
            joint = joints.get(name)
            if name not in step.closes:
                check.fault(f"it glues {name} without closing it", step.number)
            if joint is not None and (joint.moves or joint.kind in ("ball", "hinge")):
                check.fault(f"it glues {name}, which must move", step.number, (joint.a, joint.b))
            if joint is not None and joint.mark != "glue":
                check.fault(f"it glues {name}, which is marked {joint.mark}", step.number)
        glued.update(step.glues)


def check_model(plan: PlanFile, model: Model) -> Check:
    """The plan's parts are the model's, each in its place and colour."""
    check = Check("same model", "parts", len(plan.parts))
    if plan.source.sha256 != model.sha256:
        check.remark = "not the same file; parts compared one by one"
    filed = {part.id: part for part in plan.parts}
    for part in model.parts:
        if part.id not in filed:
            check.fault(f"{part.id} ({part.source}) of the model is not in the plan", parts=(part.id,))
            continue
        entry = filed.pop(part.id)
        if (entry.source, entry.shape, entry.colour) != (part.source, part.shape, part.colour):
            check.fault(f"{part.id} ({part.source}) is another part in the model", parts=(part.id,))
        if entry.pose[3] != (0.0, 0.0, 0.0, 1.0):
            check.fault(f"{part.id} ({part.source}) has a pose that is none of a solid", parts=(part.id,))
        far = pose_distance(np.array(entry.pose), part.pose, model.shape_by_id[part.shape].bounds)
        if far > POSE_TOLERANCE_MM:
            check.fault(f"{part.id} ({part.source}) stands {far:.3f} mm off its place", parts=(part.id,))
    for name in filed:
        check.fault(f"{name} of the plan is not in the model", parts=(name,))
    counts = Counter(part.shape for part in model.parts)
    for shape in plan.shapes:
        if shape.count != counts[shape.id]:
            check.fault(f"{shape.id} counts {shape.count} parts, and the model has {counts[shape.id]}")
    return check


def pose_distance(one: Array, other: Array, bounds: Array) -> float:
    """Greatest distance between a box's corners placed by two poses, mm."""
    corners = np.array(np.meshgrid(*bounds.T)).reshape(3, -1)
    moved = (one[:3, :3] - other[:3, :3]) @ corners + (one[:3, 3] - other[:3, 3])[:, None]
    return float(np.linalg.norm(moved, axis=0).max())


def check_copies(plan: PlanFile, model: Model) -> Check:
    """The k-th part of each copy is alike, and the copies are one rigid motion apart."""
    check = Check("copies alike", "copies")
    for assembly in plan.assemblies:
        first = assembly.copies[0]
        check.looked_at += len(assembly.copies)
        for number, copy in enumerate(assembly.copies[1:], start=1):
            if len(copy) != len(first):
                check.fault(f"{assembly.id}: copy {number} has {len(copy)} parts, the first {len(first)}")
            elif _unlike(model, first, copy):
                check.fault(f"{assembly.id}: copy {number} has other shapes or colours than the first")
            elif not one_motion_apart(model, first, copy):
                check.fault(f"{assembly.id}: copy {number} is no rigid motion of the first", parts=copy)
        _shared_parts(assembly, check)
    return check


def _unlike(model: Model, first: Sequence[str], copy: Sequence[str]) -> bool:
    parts = model.part_by_id
    return any(
        (parts[one].shape, parts[one].colour) != (parts[two].shape, parts[two].colour)
        for one, two in zip(first, copy, strict=True)
    )


def _shared_parts(assembly: AssemblyEntry, check: Check) -> None:
    counts = Counter(part for copy in assembly.copies for part in copy)
    for name, count in counts.items():
        if count > 1:
            check.fault(f"{assembly.id}: {name} stands {count} times in its copies", parts=(name,))


def one_motion_apart(model: Model, first: Sequence[str], copy: Sequence[str]) -> bool:
    """Whether one rigid motion takes each solid of ``first`` onto the corresponding one of ``copy``.

    Poses are not compared but vertices: a solid with symmetries fills the same place in several poses.
    """
    pairs = [(model.part_by_id[one], model.part_by_id[two]) for one, two in zip(first, copy, strict=True)]
    trees: dict[str, cKDTree] = {}
    for one, two in pairs[:MOTIONS_TRIED]:
        motion = two.pose @ np.linalg.inv(one.pose)
        if all(
            _same_place(model, trees, one.shape, np.linalg.inv(two.pose) @ motion @ one.pose)
            for one, two in pairs
        ):
            return True
    return False


def _same_place(model: Model, trees: Mapping[str, cKDTree], shape: str, motion: Array) -> bool:
    """Whether ``motion`` (shape coordinates) maps the shape's vertices onto themselves."""
    vertices = model.shape_by_id[shape].vertices
    bounds = model.shape_by_id[shape].bounds
    if pose_distance(motion, np.eye(4), bounds) <= COPY_TOLERANCE_MM:
        return True
    tree = trees.get(shape)
    if tree is None:
        tree = cKDTree(vertices)
    distances, _ = tree.query(vertices @ motion[:3, :3].T + motion[:3, 3])
    return bool(distances.max() <= COPY_TOLERANCE_MM)
