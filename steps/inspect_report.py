"""What `stepleaf inspect` says: parts, shapes, joints, the scale law and problems."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from steps.features import printed_mass
from steps.foreseen import Foreseen, foreseen, foreseen_problems
from steps.graph import articulation_parts, movable_groups, unheld_parts
from steps.joints import GRAVITY
from steps.joints.release import letting_go
from steps.letters import unsteered
from steps.model import (
    KIND_ORDER,
    ClosesBy,
    Feature,
    FeatureKind,
    Fit,
    Joint,
    Joints,
    Listed,
    Problem,
    Sure,
    Touch,
    TouchKind,
)
from steps.pipeline import Survey, gathered
from steps.planfile import (
    Amount,
    Degrees,
    Direction,
    Entry,
    Millimetres,
    PartEntry,
    Point,
    ProblemEntry,
    ShapeEntry,
    SourceEntry,
    TouchEntry,
    joint_entry,
    part_entries,
    shape_entries,
)
from steps.prints.largest import too_large_problems
from steps.prints.mending import done, left
from steps.scales import scale_law
from steps.settings import Settings

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

FITS: tuple[Fit, ...] = ("tight", "press", "slide", "loose", "none")
#: Joints whose gaps agree to so many decimals (0.01 mm) are one row of the scale law.
GAP_DIGITS = 2
#: Letters that columns keep on a narrow terminal (60): of names, sizes, counts, figures ("240.0").
LEAST_NAME, LEAST_SIZE, LEAST_COUNT, LEAST_FIGURE = 8, 6, 3, 5
#: Letters of a colour's word that are never broken there ("turquoise,").
MOST_WORD = 10
#: Rows of the scale law that are printed; a noisy mesh can have a gap of its own for every joint.
SCALE_ROWS = 8
#: A direction is along an axis from this cosine on.
ALONG_AXIS = 0.9999
#: Groups and parts named in one line.
SHOWN = 6
#: What said a count or a colour, in one letter.
SOURCE_LETTERS = {"file name": "f", "part name": "p", "parts.csv": "l", "file": "m", "": "-"}
SEVERITY_STYLE = {"error": "bold red", "warning": "yellow", "note": "dim"}


class FeatureEntry(Entry):
    """A stud, peg, hole, ball or cup, in its shape's own coordinates."""

    kind: FeatureKind
    point: Point
    axis: Direction
    radius_mm: Millimetres  #: of the circle through the vertices
    height_mm: Millimetres
    facets: int
    sag_mm: Millimetres  #: how far the facets fall short of the circle
    roundness_mm: Millimetres  #: largest distance of a vertex from the circle
    bore_mm: Millimetres
    through: bool


class MeasuredShape(ShapeEntry):
    """A shape with what was found on its mesh."""

    watertight: bool
    mended: tuple[str, ...]  #: what was wrong with its mesh as read, and was put right
    area_mm2: Amount
    features: tuple[FeatureEntry, ...]


class MeasuredTouch(TouchEntry):
    """One contact, in model coordinates, with all that was measured of it."""

    mean_gap_mm: Millimetres
    interference_mm: Millimetres  #: how far the solids stand in each other, per side
    height_mm: Millimetres  #: of the whole stud or peg
    radius_mm: Millimetres
    snap_mm: Millimetres
    bond_gap_mm: Millimetres  #: gap of the faces a glue could bond (``area_mm2``)
    points: tuple[Point, ...]  #: middles of the contact lines; corners of a shared area
    angles_deg: tuple[Degrees, ...]  #: of the contact lines round the axis, from the first


class MeasuredJoint(Entry):
    """As in the plan file, less what gluing decides, with all that was measured."""

    id: str
    kind: TouchKind
    a: str
    b: str
    axis: Direction
    contacts: int
    gap_mm: Millimetres
    mean_gap_mm: Millimetres
    interference_mm: Millimetres
    depth_mm: Millimetres
    snap_mm: Millimetres
    fit: Fit
    hold_n: Amount
    hold_range_n: tuple[Amount, Amount]
    push_n: Amount
    hold_low_n: Amount
    hold_high_n: Amount
    push_low_n: Amount
    push_high_n: Amount
    sure: Sure
    closes_by: ClosesBy
    glue_area_mm2: Amount
    why: str
    moves: bool
    lets_go: tuple[Direction, ...]  #: straight ways in which b may leave a
    touches: tuple[MeasuredTouch, ...]


class ListedEntry(Entry):
    """One print of a folder of loose parts, and what said so."""

    file: str
    name: str  #: the maker's own
    count: int
    count_by: str
    colour: str
    colour_word: str
    colour_by: str
    questions: tuple[str, ...]


class ScaleEntry(Entry):
    """What alike joints would be at other scales: their gap grows with the scale, the classes do not."""

    kind: TouchKind
    joints: int
    gap_mm: Millimetres  #: the file's
    gap_at: dict[str, Millimetres]  #: scale ("1x") -> gap per side; by callipers where they were used
    fit_at: dict[str, Fit]
    changes: tuple[str, ...]  #: "slide above 1.2x"


class ForeseenEntry(Entry):
    """What a plan will say of the joints; lower bounds, since load cases and steps are not known yet."""

    unsure: tuple[str, ...]  #: joints that grip and do not surely hold
    at_least_glued: int  #: to make one piece
    not_by_hand: tuple[str, ...]  #: joints that hands do not close
    may_want_clamp: tuple[str, ...]


class Inspection(Entry):
    """`stepleaf inspect --json`: the plan file's vocabulary, without order and glue."""

    format: Literal["stepleaf-inspection"] = "stepleaf-inspection"
    version: Literal[1] = 1
    source: SourceEntry
    unit: Literal["mm"] = "mm"
    scale: float
    pitch_mm: Millimetres | None
    name: str
    placed: bool
    size_mm: tuple[Millimetres, Millimetres, Millimetres] | None
    printed_g: Amount
    shapes: tuple[MeasuredShape, ...]
    parts: tuple[PartEntry, ...]
    listed: tuple[ListedEntry, ...] = ()  #: of loose parts: what was understood, and what said it
    joints: tuple[MeasuredJoint, ...]
    scale_law: tuple[ScaleEntry, ...]
    #: parts that stay rigid together when every joint that moves is let move; one group: nothing moves
    rigid_groups: tuple[tuple[str, ...], ...]
    #: parts that alone hold others: without one of them its group falls apart
    sole_holders: tuple[str, ...]
    #: parts that no joint grips: they touch nothing, or only rest
    never_connected: tuple[str, ...]
    foreseen: ForeseenEntry | None = None  #: None for loose parts
    problems: tuple[ProblemEntry, ...]


def inspection(found: Survey, settings: Settings) -> Inspection:
    """Gather the report from a surveyed model."""
    model, measures = found.model, found.measures
    all_joints = Joints(()) if found.joints is None else found.joints
    joints = all_joints.joints
    problems = (*found.problems, *too_large_problems(model, measures, settings))
    ahead = None
    if found.joints is not None:
        ahead = foreseen(model, measures, all_joints, settings)
        problems += foreseen_problems(ahead, model, measures, all_joints, settings)
    return Inspection(
        source=SourceEntry(file=model.file, sha256=model.sha256),
        scale=model.scale,
        pitch_mm=measures.pitch_mm,
        name=model.name,
        placed=model.placed,
        size_mm=tuple(model.bounds[1] - model.bounds[0]) if model.placed else None,
        printed_g=sum(measures.by_shape[part.shape].printed_g for part in model.parts),
        shapes=tuple(_shapes(found)),
        parts=part_entries(model),
        listed=tuple(_listed(each) for each in model.listed),
        joints=tuple(_measured(joint) for joint in joints),
        scale_law=tuple(_scale_law(found, settings)),
        rigid_groups=movable_groups(model, all_joints) if model.placed else (),
        sole_holders=articulation_parts(model, all_joints),
        never_connected=unheld_parts(model, all_joints) if model.placed else (),
        foreseen=_foreseen(ahead),
        problems=tuple(_problem(problem) for problem in problems),
    )


def _foreseen(ahead: Foreseen | None) -> ForeseenEntry | None:
    if ahead is None:
        return None
    return ForeseenEntry(
        unsure=tuple(joint.id for joint in ahead.unsure),
        at_least_glued=ahead.at_least,
        not_by_hand=tuple(joint.id for joint in ahead.hard),
        may_want_clamp=tuple(joint.id for joint in ahead.clamp_at_hand),
    )


def _listed(each: Listed) -> ListedEntry:
    shown = replace(each, file=unsteered(each.file), questions=tuple(map(unsteered, each.questions)))
    return ListedEntry(**{name: getattr(shown, name) for name in ListedEntry.model_fields})


def _shapes(found: Survey) -> Iterable[MeasuredShape]:
    for entry in shape_entries(found.model, found.measures):
        measure, shape = found.measures.by_shape[entry.id], found.model.shape_by_id[entry.id]
        yield MeasuredShape(
            **entry.model_dump(),
            watertight=shape.watertight,
            mended=tuple(map(str, (*done(shape.mending), *left(shape)))),
            area_mm2=measure.area_mm2,
            features=tuple(_feature(feature) for feature in measure.features),
        )


def _feature(feature: Feature) -> FeatureEntry:
    return FeatureEntry(
        kind=feature.kind,
        point=tuple(feature.point),
        axis=tuple(feature.axis),
        radius_mm=feature.radius_mm,
        height_mm=feature.height_mm,
        facets=feature.facets,
        sag_mm=feature.sag_mm,
        roundness_mm=feature.roundness_mm,
        bore_mm=feature.bore_mm,
        through=feature.through,
    )


def _measured(joint: Joint) -> MeasuredJoint:
    entry = joint_entry(joint, "rest", 0.0, joint.why)
    strongest = [touch.mean_gap_mm for touch in joint.touches if touch.kind == joint.kind]
    return MeasuredJoint(
        **entry.model_dump(exclude={"mark", "load_n", "touches"}),
        mean_gap_mm=sum(strongest) / len(strongest),
        interference_mm=max(0.0, -joint.gap_mm),
        lets_go=letting_go(joint).tolist(),
        touches=tuple(
            _touch(touch, written) for touch, written in zip(joint.touches, entry.touches, strict=True)
        ),
    )


def _touch(touch: Touch, written: TouchEntry) -> MeasuredTouch:
    return MeasuredTouch(
        **written.model_dump(),
        mean_gap_mm=touch.mean_gap_mm,
        interference_mm=max(0.0, -touch.gap_mm),
        height_mm=touch.height_mm,
        radius_mm=touch.radius_mm,
        snap_mm=touch.snap_mm,
        bond_gap_mm=touch.bond_gap_mm,
        points=touch.points.tolist(),
        angles_deg=_angles(touch),
    )


def _angles(touch: Touch) -> tuple[float, ...]:
    """Degrees of the contact lines round the axis, counter-clockwise from the first; none of flat faces."""
    across = touch.normals - np.outer(touch.normals @ touch.axis, touch.axis)
    across = across[(across * across).sum(axis=1) > 1e-6]  # the pole of a ball has no angle
    if touch.kind == "rest" or not len(across):
        return ()
    turns = np.arctan2(across @ np.cross(touch.axis, across[0]), across @ across[0])
    return tuple((np.round(np.degrees(turns), 3) % 360).tolist())


def _problem(problem: Problem) -> ProblemEntry:
    return ProblemEntry(code=problem.code, severity=problem.severity, parts=problem.parts, text=problem.text)


def lighter_at(found: Survey, joint: Joint, settings: Settings) -> Callable[[float], float]:
    """Newtons that the lighter part of a joint weighs, printed at any scale."""
    measures = [found.measures.by_shape[found.model.part_by_id[part].shape] for part in (joint.a, joint.b)]

    def weight(scale: float) -> float:
        by = scale / found.model.scale
        grams = [printed_mass(each.volume_mm3 * by**3, each.area_mm2 * by**2, settings) for each in measures]
        return GRAVITY * min(grams) / 1000

    return weight


def _scale_law(found: Survey, settings: Settings) -> Iterable[ScaleEntry]:
    """One entry per kind, gap and class, the commonest first; told of the joint with fewest
    contacts."""
    alike: dict[tuple[TouchKind, float, Fit], list[Joint]] = {}
    for joint in () if found.joints is None else found.joints.joints:
        if joint.kind != "rest":
            gap = round(joint.gap_mm, GAP_DIGITS) + 0.0
            alike.setdefault((joint.kind, gap, joint.fit), []).append(joint)
    for (kind, gap, _), joints in sorted(alike.items(), key=lambda item: (-len(item[1]), item[0])):
        joint = min(joints, key=lambda each: each.contacts)
        law = scale_law(joint, found.model.scale, lighter_at(found, joint, settings), settings)
        yield ScaleEntry(
            kind=kind,
            joints=len(joints),
            gap_mm=gap,
            gap_at={f"{scale:g}x": value for scale, value in law.gaps_mm.items()},
            fit_at={f"{scale:g}x": fit for scale, fit in law.fits.items()},
            changes=tuple(f"{above} above {at:#.2g}x" for at, _, above in law.changes),
        )


# ---------------------------------------------------------------------------- for people


def report_blocks(report: Inspection) -> list[RenderableType]:
    """The report as blocks to print, one under the other."""
    from rich.text import Text

    blocks: list[RenderableType] = [Text(headline(report), style="bold"), shapes_table(report)]
    if report.listed:
        blocks.append(listed_table(report))
    blocks.extend(Text(line) for line in mended_lines(report))
    if report.joints:
        blocks.append(joints_table(report))
        blocks.extend(Text(line) for line in (*why_lines(report), *graph_lines(report)))
    if report.scale_law:
        blocks.append(scale_table(report))
    told = gathered([Problem(each.code, each.severity, each.parts, each.text) for each in report.problems])
    for problem in sorted(told, key=lambda each: list(SEVERITY_STYLE).index(each.severity)):
        text = Text(f"{problem.severity}: ", style=SEVERITY_STYLE[problem.severity])
        blocks.append(text.append(problem.text, style="default"))
    if len(told) < len(report.problems):
        blocks.append(Text(f"({len(report.problems):,} problems; --json has each whole)"))
    if not report.problems:
        then = " and joints; `stepleaf plan` looks at order and loads" if report.placed else ""
        blocks.append(Text(f"No problems found in parts{then}."))
    return blocks


def headline(report: Inspection) -> str:
    """One line: what the model is."""
    facts = [
        _counted(len(report.parts), "part"),
        _counted(len(report.shapes), "shape"),
        _counted(len({part.colour for part in report.parts}), "colour"),
    ]
    if report.size_mm is not None:
        facts.append(" x ".join(f"{side:.0f}" for side in report.size_mm) + " mm")
    facts += [f"{report.printed_g / 1000:.2f} kg printed", f"at {report.scale:g}x"]
    if report.pitch_mm is not None:
        facts.append(f"stud spacing {report.pitch_mm:.2f} mm")
    if not report.placed:
        facts.append("loose parts, not placed")
    return f"{report.name}: " + ", ".join(facts)


def shapes_table(report: Inspection) -> Table:
    """One row per shape."""
    from rich.text import Text

    table = _table("Shapes")
    table.add_column("shape", no_wrap=True)
    table.add_column("name", min_width=LEAST_NAME, overflow="fold")
    table.add_column("count", justify="right", no_wrap=True)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for part in report.parts:
        counts[part.shape][part.colour_name] += 1
    colours = [_colours(counts[shape.id]) for shape in report.shapes]
    table.add_column("colours", min_width=_longest_word([*colours, "colours"]), overflow="fold")
    table.add_column("size mm", justify="right", min_width=LEAST_SIZE)
    for name in ("studs", "g each"):
        table.add_column(name, justify="right", no_wrap=True)
    for shape, told in zip(report.shapes, colours, strict=True):
        table.add_row(
            shape.id,
            Text(shape.name),
            str(shape.count),
            Text(told),
            " x ".join(f"{side:.1f}" if side < 99.95 else f"{side:.0f}" for side in shape.size_mm),
            str(shape.studs),
            f"{shape.printed_g:.1f}",
        )
    return table


def _longest_word(cells: Sequence[str]) -> int:
    """Letters that a column keeps so that no usual word in it is broken; what is longer is folded."""
    longest = max((len(word) for cell in cells for word in cell.split()), default=0)
    return min(longest, MOST_WORD)


def listed_table(report: Inspection) -> Table:
    """What was understood of a folder of loose parts, and what said so; "?" where it was not sure."""
    from rich.text import Text

    table = _table(
        "As understood (from: f file's name, p part's name, l parts.csv, m the file itself, - nothing)"
    )
    for name in ("file", "called"):
        table.add_column(name, overflow="fold")
    table.add_column("count", justify="right", no_wrap=True)
    table.add_column("from", no_wrap=True)
    words = [each.colour_word or each.colour for each in report.listed]
    table.add_column("colour", min_width=_longest_word([*words, "colour"]), overflow="fold")
    table.add_column("from", no_wrap=True)
    table.add_column("?", no_wrap=True)
    for each in report.listed:
        table.add_row(
            Text(unsteered(each.file)),
            Text(each.name),
            str(each.count),
            SOURCE_LETTERS[each.count_by],
            Text(each.colour_word or each.colour),
            SOURCE_LETTERS[each.colour_by],
            "?" if each.questions else "",
        )
    return table


def mended_lines(report: Inspection) -> list[str]:
    """One line for each shape whose mesh was mended: what was wrong and what was done."""
    return [
        f"mended: {shape.id} {shape.name}: {', '.join(shape.mended)}"
        for shape in report.shapes
        if shape.mended
    ]


def joints_table(report: Inspection) -> Table:
    """Joints counted by kind and fit, with the range of what was measured; a gap below 0 interferes."""
    table = _table(f"Joints: {len(report.joints)} (mm; gaps per side, below 0 the solids interfere)")
    for name in ("kind", "fit"):
        table.add_column(name, no_wrap=True)
    for name in ("joints", "contacts"):
        table.add_column(name, justify="right", overflow="fold", min_width=LEAST_COUNT)
    for name in ("least gap", "mean gap", "depth"):
        table.add_column(name, justify="right", overflow="fold", min_width=LEAST_FIGURE - 1)
    for name in ("hold N", "push N"):
        table.add_column(name, justify="right", overflow="fold", min_width=LEAST_FIGURE)
    for (kind, fit), joints in _by_class(report).items():
        if kind == "rest":
            cells = ["-"] * len(table.columns[3:])
        else:
            cells = [
                str(sum(joint.contacts for joint in joints)),
                _span([joint.gap_mm for joint in joints], 2),
                _span([joint.mean_gap_mm for joint in joints], 2),
                _span([joint.depth_mm for joint in joints], 1),
                _span([joint.hold_n for joint in joints], 1),
                _span([joint.push_n for joint in joints], 1),
            ]
        table.add_row(kind, "-" if kind == "rest" else fit, str(len(joints)), *cells)
    return table


def why_lines(report: Inspection) -> list[str]:
    """One joint of each class in words, and what a glue would find."""
    source = {part.id: part.source for part in report.parts}
    lines = []
    for (kind, _), joints in _by_class(report).items():
        if kind == "rest":
            continue
        joint = max(joints, key=lambda each: each.contacts)
        example = "" if len(joints) == 1 else "for example "
        pair = f"{source[joint.b]} {'on' if kind == 'stud' else 'with'} {source[joint.a]}"
        lines.append(f"{joint.id}, {example}{pair}: {joint.why}. {_lets_go(joint, source[joint.b])}")
    faces = [touch for joint in report.joints for touch in joint.touches if joint.glue_area_mm2 > 0]
    if faces:
        areas = [joint.glue_area_mm2 for joint in report.joints if joint.glue_area_mm2 > 0]
        gaps = _span([touch.bond_gap_mm for touch in faces], 2)
        lines.append(
            f"Faces that a glue could bond: {_counted(len(areas), 'joint')}, {_span(areas, 0)} mm² each, "
            f"{gaps} mm apart."
        )
    return lines


def _by_class(report: Inspection) -> dict[tuple[TouchKind, Fit], list[MeasuredJoint]]:
    rows: dict[tuple[TouchKind, Fit], list[MeasuredJoint]] = {}
    for joint in report.joints:
        rows.setdefault((joint.kind, joint.fit), []).append(joint)
    return dict(sorted(rows.items(), key=lambda row: (KIND_ORDER.index(row[0][0]), FITS.index(row[0][1]))))


def _lets_go(joint: MeasuredJoint, name: str) -> str:
    if not joint.lets_go:
        return "No straight way lets it go."
    ways = " or ".join(_way(way) for way in joint.lets_go)
    return f"Lets {name} go along {ways}" + (" once the lip gives." if joint.snap_mm > 0 else ".")


def _way(direction: Sequence[float]) -> str:
    """ "+z" along an axis, else the unit vector."""
    for name, value in zip("xyz", direction, strict=True):
        if abs(value) > ALONG_AXIS:
            return f"{'+' if value > 0 else '-'}{name}"
    return "(" + ", ".join(f"{round(value, 2) + 0.0:.2f}" for value in direction) + ")"


def graph_lines(report: Inspection) -> list[str]:
    """How the parts hang together: what moves against what, and which parts alone hold others."""
    source = {part.id: part.source for part in report.parts}
    lines = []
    if len(report.rigid_groups) > 1:
        groups = "; ".join(
            _some([source[part] for part in group], 1) for group in report.rigid_groups[:SHOWN]
        )
        more = f"; and {len(report.rigid_groups) - SHOWN} more" if len(report.rigid_groups) > SHOWN else ""
        lines.append(
            f"Groups that stay rigid while joints move or rest ({len(report.rigid_groups)}): {groups}{more}."
        )
    if report.sole_holders:
        holders = _some([source[part] for part in report.sole_holders], SHOWN)
        lines.append(f"Alone hold others ({len(report.sole_holders)}): {holders}.")
    if report.never_connected:
        loose = _some([source[part] for part in report.never_connected], SHOWN)
        lines.append(f"Held by no joint ({len(report.never_connected)}): {loose}.")
    return lines


def _some(names: Sequence[str], shown: int) -> str:
    rest = len(names) - shown
    return ", ".join(names[:shown]) + (f" and {rest} more" if rest > 0 else "")


def scale_table(report: Inspection) -> Table:
    """The scale law: what the same joints would be at other scales."""
    scales = list(report.scale_law[0].gap_at)
    table = _table("The same joints at other scales: gap in mm per side, and fit")
    table.add_column("kind")
    now = f"{report.scale:g}x"
    asked = [] if now in scales else [f"gap now ({now})"]
    for name in ("joints", *asked, *scales):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("changes")
    for law in report.scale_law[:SCALE_ROWS]:
        at = [f"{law.gap_at[scale]:.2f} {law.fit_at[scale]}" for scale in scales]
        table.add_row(
            law.kind, str(law.joints), *(f"{law.gap_mm:.2f}" for _ in asked), *at, ", ".join(law.changes)
        )
    if len(report.scale_law) > SCALE_ROWS:
        table.caption = f"and {len(report.scale_law) - SCALE_ROWS} more gaps (--json has all)"
    return table


def _table(title: str) -> Table:
    from rich import box
    from rich.table import Table

    return Table(
        title=title,
        title_justify="left",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        collapse_padding=True,
        title_style="bold",
    )


def _colours(counts: Mapping[str, int]) -> str:
    if len(counts) == 1:
        return next(iter(counts))
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def _span(values: Sequence[float], digits: int) -> str:
    low, high = (round(value, digits) + 0.0 for value in (min(values), max(values)))
    return f"{low:.{digits}f}" if low == high else f"{low:.{digits}f} to {high:.{digits}f}"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")
