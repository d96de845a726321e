"""What `stepleaf inspect` says: parts, shapes, joints, the scale law and problems."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from steps.fit import scale_law
from steps.graph import articulation_parts, movable_groups
from steps.model import Fit, Joint, Joints, Problem, TouchKind
from steps.pipeline import Survey
from steps.planfile import (
    Amount,
    Entry,
    Millimetres,
    PartEntry,
    ProblemEntry,
    ShapeEntry,
    SourceEntry,
    joint_entry,
    part_entries,
    shape_entries,
)
from steps.settings import Settings

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

FITS: tuple[Fit, ...] = ("tight", "press", "slide", "loose", "none")
#: Joints whose gaps agree to so many decimals (0.01 mm) are one row of the scale law.
GAP_DIGITS = 2
#: Rows of the scale law that are printed; a noisy mesh can have a gap of its own for every joint.
SCALE_ROWS = 8
#: Groups and parts named in one line.
SHOWN = 6
SEVERITY_STYLE = {"error": "bold red", "warning": "yellow", "note": "dim"}


class ScaleEntry(Entry):
    """What alike joints would be at other scales: their gap grows with the scale, the classes do not."""

    kind: TouchKind
    joints: int
    gap_mm: Millimetres
    gap_at: dict[str, Millimetres]  #: scale ("1x") -> gap per side
    fit_at: dict[str, Fit]
    changes: tuple[str, ...]  #: "slide above 1.2x"


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
    shapes: tuple[ShapeEntry, ...]
    parts: tuple[PartEntry, ...]
    #: as in the plan file, less what gluing decides (mark, load_n)
    joints: tuple[dict[str, Any], ...]
    scale_law: tuple[ScaleEntry, ...]
    #: parts that stay rigid together when every joint that moves is let move; one group: nothing moves
    rigid_groups: tuple[tuple[str, ...], ...]
    #: parts that alone hold others: without one of them its group falls apart
    sole_holders: tuple[str, ...]
    problems: tuple[ProblemEntry, ...]


def inspection(found: Survey, settings: Settings) -> Inspection:
    """Gather the report from a surveyed model."""
    model, measures = found.model, found.measures
    all_joints = Joints(()) if found.joints is None else found.joints
    joints = all_joints.joints
    return Inspection(
        source=SourceEntry(file=model.file, sha256=model.sha256),
        scale=model.scale,
        pitch_mm=measures.pitch_mm,
        name=model.name,
        placed=model.placed,
        size_mm=tuple(model.bounds[1] - model.bounds[0]) if model.placed else None,
        printed_g=sum(measures.by_shape[part.shape].printed_g for part in model.parts),
        shapes=shape_entries(model, measures),
        parts=part_entries(model),
        joints=tuple(_measured(joint) for joint in joints),
        scale_law=tuple(_scale_law(found, settings)),
        rigid_groups=movable_groups(model, all_joints) if model.placed else (),
        sole_holders=articulation_parts(model, all_joints),
        problems=tuple(_problem(problem) for problem in found.problems),
    )


def _measured(joint: Joint) -> dict[str, Any]:
    entry = joint_entry(joint, "rest", 0.0, joint.why)
    return entry.model_dump(mode="json", by_alias=True, exclude={"mark", "load_n"})


def _problem(problem: Problem) -> ProblemEntry:
    return ProblemEntry(code=problem.code, severity=problem.severity, parts=problem.parts, text=problem.text)


def _scale_law(found: Survey, settings: Settings) -> Iterable[ScaleEntry]:
    """One entry per kind and gap, the commonest first."""
    alike: dict[tuple[TouchKind, float], list[Joint]] = {}
    for joint in () if found.joints is None else found.joints.joints:
        if joint.kind != "rest":
            alike.setdefault((joint.kind, round(joint.gap_mm, GAP_DIGITS) + 0.0), []).append(joint)
    for (kind, gap), joints in sorted(alike.items(), key=lambda item: (-len(item[1]), item[0])):
        law = scale_law(joints[0], found.model.scale, settings)
        yield ScaleEntry(
            kind=kind,
            joints=len(joints),
            gap_mm=gap,
            gap_at={f"{scale:g}x": value for scale, value in law.gaps_mm.items()},
            fit_at={f"{scale:g}x": fit for scale, fit in law.fits.items()},
            changes=tuple(f"{above} above {at:.2g}x" for at, _, above in law.changes),
        )


# ---------------------------------------------------------------------------- for people


def report_blocks(report: Inspection) -> list[RenderableType]:
    """The report as blocks to print, one under the other."""
    from rich.text import Text

    blocks: list[RenderableType] = [Text(headline(report), style="bold"), shapes_table(report)]
    if report.joints:
        blocks.append(joints_table(report))
        blocks.extend(Text(line) for line in graph_lines(report))
    if report.scale_law:
        blocks.append(scale_table(report))
    for problem in sorted(report.problems, key=lambda each: list(SEVERITY_STYLE).index(each.severity)):
        text = Text(f"{problem.severity}: ", style=SEVERITY_STYLE[problem.severity])
        blocks.append(text.append(problem.text, style="default"))
    if not report.problems:
        blocks.append(Text("No problems found."))
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
    for name in ("shape", "name"):
        table.add_column(name, no_wrap=name == "shape")
    table.add_column("count", justify="right")
    table.add_column("colours")
    table.add_column("size mm", justify="right", no_wrap=True)
    for name in ("studs", "g each"):
        table.add_column(name, justify="right")
    for shape in report.shapes:
        table.add_row(
            shape.id,
            Text(shape.name),
            str(shape.count),
            Text(_colours_of(report, shape.id)),
            " x ".join(f"{side:.1f}" for side in shape.size_mm),
            str(shape.studs),
            f"{shape.printed_g:.1f}",
        )
    return table


def joints_table(report: Inspection) -> Table:
    """Joints counted by kind and fit, with the range of their gaps and holds."""
    table = _table(f"Joints: {len(report.joints)}")
    for name in ("kind", "fit"):
        table.add_column(name)
    for name in ("joints", "contacts", "gap mm per side", "hold N"):
        table.add_column(name, justify="right", no_wrap=True)
    rows: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for joint in report.joints:
        rows.setdefault((joint["kind"], joint["fit"]), []).append(joint)
    for (kind, fit), joints in sorted(rows.items(), key=lambda row: (row[0][0], FITS.index(row[0][1]))):
        grips = kind != "rest"
        table.add_row(
            kind,
            fit,
            str(len(joints)),
            str(sum(joint["contacts"] for joint in joints)) if grips else "-",
            _span([joint["gap_mm"] for joint in joints], 3) if grips else "-",
            _span([joint["hold_n"] for joint in joints], 1) if grips else "-",
        )
    return table


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
    return lines


def _some(names: Sequence[str], shown: int) -> str:
    rest = len(names) - shown
    return ", ".join(names[:shown]) + (f" and {rest} more" if rest > 0 else "")


def scale_table(report: Inspection) -> Table:
    """The scale law: what the same joints would be at other scales."""
    scales = list(report.scale_law[0].gap_at)
    table = _table("The same joints at other scales: gap in mm per side, and fit")
    table.add_column("kind")
    for name in ("joints", f"gap now ({report.scale:g}x)", *scales):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("changes")
    for law in report.scale_law[:SCALE_ROWS]:
        at = [f"{law.gap_at[scale]:.2f} {law.fit_at[scale]}" for scale in scales]
        table.add_row(law.kind, str(law.joints), f"{law.gap_mm:.2f}", *at, ", ".join(law.changes))
    if len(report.scale_law) > SCALE_ROWS:
        table.caption = f"and {len(report.scale_law) - SCALE_ROWS} more gaps (--json has all)"
    return table


def _table(title: str) -> Table:
    from rich import box
    from rich.table import Table

    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False, title_style="bold")


def _colours_of(report: Inspection, shape: str) -> str:
    counts: dict[str, int] = {}
    for part in report.parts:
        if part.shape == shape:
            counts[part.colour_name] = counts.get(part.colour_name, 0) + 1
    if len(counts) == 1:
        return next(iter(counts))
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def _span(values: Sequence[float], digits: int) -> str:
    low, high = (round(value, digits) + 0.0 for value in (min(values), max(values)))
    return f"{low:.{digits}f}" if low == high else f"{low:.{digits}f} to {high:.{digits}f}"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" + ("" if count == 1 else "s")
