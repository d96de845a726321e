"""plan.json, version 1: its types, how a plan is written as text, and how one is read back.

The JSON Schema in ``steps/data/plan.schema.json`` is generated from these types
(``python -m steps.planfile`` writes it anew). Within a version keys may be added, never renamed,
so unknown keys are passed over on reading.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from numpy.typing import NDArray
from pydantic import AllowInfNan, BaseModel, ConfigDict, Field, PlainSerializer, ValidationError

from steps.errors import UnreadableInput
from steps.fit import sure_under
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import (
    Change,
    ClosesBy,
    FeatureKind,
    Fit,
    Joint,
    Mark,
    Measures,
    Model,
    Move,
    Plan,
    Reader,
    Rotation,
    Severity,
    Shape,
    Sight,
    Sure,
    TouchKind,
    View,
)
from steps.one_set import run_of
from steps.ordinary import no_file
from steps.settings import Factor, Settings
from steps.value_faults import place_of, what_is_wrong

FORMAT = "stepleaf-plan"
VERSION = 1
SCHEMA_FILE = Path(__file__).parent / "data" / "plan.schema.json"

#: Faults listed one by one in an error text; a file of another kind may have thousands.
FAULTS_LISTED = 12


#: No plan has a coordinate (mm) or an amount (mm³, minutes, ...) beyond these; their squares are numbers yet.
FAR, MOST = LIMITS.coordinate, 1e18


def rounded(digits: int) -> PlainSerializer:
    """Serialise a float to so many decimals, never as -0.0, so that equal plans are equal bytes."""
    return PlainSerializer(lambda value: round(float(value), digits) + 0.0, return_type=float)


# mm to a hundredth of a micrometre; unit vectors and poses so fine that a pose of 1 m stays rigid
# to 1e-6 mm; newtons, grams and the rest far below what they are known to
Millimetres = Annotated[float, AllowInfNan(False), Field(ge=-FAR, le=FAR), rounded(5)]
Cosine = Annotated[float, AllowInfNan(False), Field(ge=-FAR, le=FAR), rounded(10)]
Amount = Annotated[float, AllowInfNan(False), Field(ge=-MOST, le=MOST), rounded(4)]
Degrees = Annotated[float, AllowInfNan(False), Field(ge=-FAR, le=FAR), rounded(4)]
Share = Annotated[float, Field(ge=0, le=1), rounded(3)]

Point = tuple[Millimetres, Millimetres, Millimetres]
Direction = tuple[Cosine, Cosine, Cosine]
PoseRow = tuple[Cosine, Cosine, Cosine, Cosine]
PoseRows = tuple[PoseRow, PoseRow, PoseRow, PoseRow]
#: One unit vector (straight from far away), or vectors in mm travelled in turn.
MoveEntry = Direction | Annotated[tuple[Direction, ...], Field(min_length=1)]
Colour = Annotated[str, Field(pattern=r"^#[0-9a-f]{6}$")]


class Entry(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True)


class SourceEntry(Entry):
    file: str
    sha256: str


class SurfaceEntry(Entry):
    """A stud, peg or ball before it was moved, in its shape's own coordinates."""

    point: Point
    axis: Direction
    radius_mm: Millimetres
    height_mm: Millimetres
    bore_mm: Millimetres


class MovedEntry(Entry):
    """Studs, pegs or balls of one shape that are printed larger in radius by ``by_mm`` than in the file."""

    kind: FeatureKind
    by_mm: Millimetres
    surfaces: tuple[SurfaceEntry, ...]


class ShapeEntry(Entry):
    id: str
    name: str
    size_mm: Point
    volume_mm3: Amount
    printed_g: Amount
    studs: int = Field(ge=0)
    count: int = Field(ge=0)
    #: what was measured, against the mesh in the file: "as read", "mended", "refitted by 0.10 mm", or both
    made: Annotated[str, Field(pattern=r"^(as read|mended|(mended, )?refitted by .+ mm)$")] = "as read"
    moved: tuple[MovedEntry, ...] = ()  #: what a refit moved on it
    #: the faces with which mending closed what was open in the file, corners in shape coordinates, mm
    lids: tuple[tuple[Point, Point, Point], ...] = ()


class PartEntry(Entry):
    id: str
    source: str
    shape: str
    colour: Colour
    colour_name: str
    pose: PoseRows


class TouchEntry(Entry):
    kind: TouchKind
    carrier: str = Field(alias="from")
    point: Point
    axis: Direction
    gap_mm: Millimetres
    depth_mm: Millimetres
    area_mm2: Amount
    fit: Fit = "none"


class BondEntry(Entry):
    """A face to glue: its area, the gap the glue must bridge, corners round it."""

    kind: TouchKind
    carrier: str = Field(alias="from")
    area_mm2: Amount
    gap_mm: Millimetres
    outline: tuple[Point, ...]


class JointEntry(Entry):
    id: str
    kind: TouchKind
    a: str
    b: str
    axis: Direction
    contacts: int = Field(ge=0)
    gap_mm: Millimetres
    depth_mm: Millimetres
    snap_mm: Millimetres
    fit: Fit
    mark: Mark
    hold_n: Amount
    load_n: Amount
    push_n: Amount
    glue_area_mm2: Amount
    why: str
    moves: bool = False  # turns or swings: never glued
    hold_range_n: tuple[Amount, Amount] | None = None
    early_n: Amount = 0.0  # what it bears once it holds by itself, until full strength
    drops: int = Field(0, ge=0)  # of the adhesive's drop_ml, where it is glued
    bonds: tuple[BondEntry, ...] = ()
    case: str = ""  # the load case that asks for the glue
    instead: str = ""  # of a glued joint the next best one: the one of least effort that ties the same
    #: 10th and 90th percentile; hold_n and push_n are the likely values, the hold aged by a month
    hold_low_n: Amount | None = None
    hold_high_n: Amount | None = None
    push_low_n: Amount | None = None
    push_high_n: Amount | None = None
    sure: Sure | None = None  # by the hold's band against the greatest of the loads
    closes_by: ClosesBy | None = None  # who can close the whole joint
    touches: tuple[TouchEntry, ...]


class AssemblyEntry(Entry):
    id: str
    name: str
    copies: Annotated[tuple[Annotated[tuple[str, ...], Field(min_length=1)], ...], Field(min_length=1)]


class TurnEntry(Entry):
    """After its move: right-handed about the line through ``point`` along ``axis``, ending in place."""

    axis: Direction
    point: Point
    degrees: Degrees


class AttachEntry(Entry):
    assembly: str
    copy_number: int = Field(alias="copy", ge=0)
    move: MoveEntry
    turn: TurnEntry | None = None


class ViewEntry(Entry):
    azimuth: Degrees
    elevation: Degrees


class CloserEntry(Entry):
    """A closer look at one thing: from where, what is left out, how much shows of where it goes and of
    itself."""

    parts: Annotated[tuple[str, ...], Field(min_length=1)]
    view: ViewEntry
    away: tuple[str, ...]
    sites: Share
    seen: Share


class StepEntry(Entry):
    number: int = Field(ge=1)
    assembly: str
    adds: tuple[str, ...]
    move: dict[str, MoveEntry]
    turn: dict[str, TurnEntry] = {}  # of the parts that go in by turning, once their move is done
    attaches: tuple[AttachEntry, ...]
    closes: tuple[str, ...]
    glues: tuple[str, ...]
    #: joints that are closed without glue, and that a later step opens again, closes and glues; of that step
    #: the numbers of the steps whose things it takes off, the last first, and puts back
    dry: tuple[str, ...] = ()
    reopens: tuple[int, ...] = ()
    sitting: int | None
    needs_cured: tuple[str, ...]
    lags_min: tuple[Amount, ...] = ()  # of each of these, how long after it was glued
    up: Direction
    view: ViewEntry
    seen: dict[str, Share]
    #: of each thing, by its first part: how far it is drawn from its place, mm; and of each that joins what
    #: stands before it, the share seen of the studs, sockets and faces that receive it
    lifts: dict[str, Point] = {}
    sites: dict[str, Share] = {}
    closer: tuple[CloserEntry, ...] = ()
    #: of each thing that is glued in, by its first part: the parts to print again where that went wrong and
    #: the glue is hard; none where hard glue comes off
    again: dict[str, tuple[str, ...]] = {}
    by: Reader
    hold: tuple[str, ...]
    wait_min: Amount
    people: int = Field(1, ge=1)
    needs_push_n: Amount = 0.0
    doubtful: str = ""
    note: str = ""


class AdhesiveEntry(Entry):
    family: str
    volume_ml: Amount
    fixture_min: Amount
    cure_min: Amount
    open_min: Amount = 0.0
    reasons: tuple[str, ...] = ()
    drop_ml: Amount = 0.0
    lift_min: Amount = 0.0  # from the last glue until the model may be lifted and shown


class ProblemEntry(Entry):
    code: str
    severity: Severity
    parts: tuple[str, ...]
    text: str
    joints: tuple[str, ...] = ()
    step: int = 0  # 0 where it is about no step
    sides: tuple[str, ...] = ()  # of the model, where the parts come off


class CaseEntry(Entry):
    """A load case: the parts held, in how many ways it was tried, in how many of these it fails whatever is
    glued and in how many that is not known; at worst how many times what holds is asked of it (absent where
    no strength would do), and the joint that gives way first; ``at_least`` so many where it was not worked
    out."""

    case: str
    step: int = Field(0, ge=0)  # of a turn: the step before which it is turned
    held: tuple[str, ...]
    ways: int = Field(ge=1)
    fails: int = Field(0, ge=0)
    unknown: int = Field(0, ge=0)
    times: Amount | None = None
    joint: str = ""
    at_least: bool = False
    assembly: str = ""  # the sub-assembly that is turned into its place


class PlanFile(Entry):
    """The whole of plan.json."""

    format: Literal["stepleaf-plan"]
    version: Literal[1]
    source: SourceEntry
    settings: dict[str, Any]
    unit: Literal["mm"]
    scale: Factor
    pitch_mm: Millimetres | None
    shapes: tuple[ShapeEntry, ...]
    parts: tuple[PartEntry, ...]
    joints: tuple[JointEntry, ...]
    assemblies: tuple[AssemblyEntry, ...]
    steps: tuple[StepEntry, ...]
    adhesive: AdhesiveEntry
    problems: tuple[ProblemEntry, ...]
    name: str = ""
    cases: tuple[CaseEntry, ...] = ()  # none where it is not glued as they ask
    pieces: int | None = Field(None, ge=1)  # what the finished model comes to, what moves counted apart
    waiting_min: Amount | None = None  # in all, while other steps go on
    waiting_each_min: Amount | None = None  # the same if nothing else were built while glue sets
    up: Direction | None = None  # of the finished model on its shelf; without it as its last step has it
    run: str = ""  # hash of model, settings and program: booklet and stickers of the same run carry it too

    @property
    def shelf_up(self) -> Direction:
        """The way up of the finished model; of a plan that does not say, as its last step lies."""
        return self.up or self.steps[-1].up


# ------------------------------------------------------------------------------- writing


def plan_file(plan: Plan, settings: Settings) -> PlanFile:
    """The plan as the file's types. Every step must have its sight."""
    return PlanFile(
        format=FORMAT,
        version=VERSION,
        source=SourceEntry(file=plan.model.file, sha256=plan.model.sha256),
        settings=settings.model_dump(mode="json"),
        unit="mm",
        scale=plan.model.scale,
        pitch_mm=plan.measures.pitch_mm,
        shapes=shape_entries(plan.model, plan.measures),
        parts=part_entries(plan.model),
        joints=tuple(_glued_entry(plan, joint) for joint in plan.joints.joints),
        assemblies=tuple(
            AssemblyEntry(id=assembly.id, name=str(assembly.name), copies=assembly.copies)
            for assembly in plan.order.assemblies
        ),
        steps=_step_entries(plan),
        up=_triple(plan.order.up),
        adhesive=AdhesiveEntry(
            family=plan.gluing.adhesive.family,
            volume_ml=plan.gluing.adhesive.volume_ml,
            fixture_min=plan.gluing.adhesive.fixture_min,
            cure_min=plan.gluing.adhesive.cure_min,
            open_min=plan.gluing.adhesive.open_min,
            reasons=plan.gluing.adhesive.reasons,
            drop_ml=plan.gluing.adhesive.drop_ml,
            lift_min=plan.work.lift_min,
        ),
        problems=tuple(
            ProblemEntry(
                code=found.code,
                severity=found.severity,
                parts=found.parts,
                text=found.text,
                joints=found.joints,
                step=found.step,
                sides=found.sides,
            )
            for found in plan.problems
        ),
        name=plan.model.name,
        cases=tuple(
            CaseEntry(
                case=each.kind,
                step=each.step,
                held=each.held,
                ways=each.ways,
                fails=each.fails,
                unknown=each.unknown,
                times=each.times,
                joint=each.joint,
                at_least=each.at_least,
                assembly=each.thing,
            )
            for each in plan.gluing.tried
        ),
        pieces=plan.gluing.lumps,
        waiting_min=plan.work.facts.get("waiting_min"),
        waiting_each_min=plan.work.facts.get("waiting_each_min"),
        run=run_of(plan.model, settings),
    )


def plan_to_json(plan: Plan, settings: Settings) -> str:
    """The plan file's text: same plan and settings, same bytes; one line per part, joint and step."""
    return to_text(plan_file(plan, settings))


def to_text(entry: Entry) -> str:
    """JSON with one line per key, and one line per item of a list of objects."""
    values = entry.model_dump(mode="json", by_alias=True)
    lines = [f"{_dumps(key)}: {_block(value)}" for key, value in values.items()]
    return "{" + ",\n ".join(lines) + "}\n"


def shape_entries(model: Model, measures: Measures) -> tuple[ShapeEntry, ...]:
    """One entry per shape, in model order, with how many parts have it."""
    counts = dict.fromkeys(model.shape_by_id, 0)
    for part in model.parts:
        counts[part.shape] += 1
    return tuple(
        ShapeEntry(
            id=shape.id,
            name=str(measures.by_shape[shape.id].name),
            size_mm=_triple(measures.by_shape[shape.id].size_mm),
            volume_mm3=measures.by_shape[shape.id].volume_mm3,
            printed_g=measures.by_shape[shape.id].printed_g,
            studs=len(measures.by_shape[shape.id].studs),
            count=counts[shape.id],
            made=made_of(shape),
            lids=_lids(shape),
            moved=tuple(_moved(change) for change in shape.changes),
        )
        for shape in model.shapes
    )


def _lids(shape: Shape) -> tuple[tuple[Point, Point, Point], ...]:
    """The faces that closed openings, where the solid is still the one that they closed."""
    lids = () if shape.changes else shape.mending.lids
    return tuple((_triple(a), _triple(b), _triple(c)) for a, b, c in lids)


def made_of(shape: Shape) -> str:
    """What was done to a shape's mesh as read, in the plan's words."""
    done = ["mended"] if shape.mending.mended else []
    sizes = list(dict.fromkeys(f"{change.delta_mm:+.2f}" for change in shape.changes))
    if sizes:
        done.append(f"refitted by {' and '.join(sizes)} mm")
    return ", ".join(done) or "as read"


def _moved(change: Change) -> MovedEntry:
    return MovedEntry(
        kind=change.kind,
        by_mm=change.delta_mm,
        surfaces=tuple(
            SurfaceEntry(
                point=_triple(feature.point),
                axis=_triple(feature.axis),
                radius_mm=feature.radius_mm,
                height_mm=feature.height_mm,
                bore_mm=feature.bore_mm,
            )
            for feature in change.features
        ),
    )


def part_entries(model: Model) -> tuple[PartEntry, ...]:
    """One entry per part, in model order."""
    return tuple(
        PartEntry(
            id=part.id,
            source=part.source,
            shape=part.shape,
            colour=part.colour,
            colour_name=str(part.colour_name),
            pose=part.pose.tolist(),
        )
        for part in model.parts
    )


def joint_entry(joint: Joint, mark: Mark, load_n: float, why: str) -> JointEntry:
    """One joint with what gluing says of it."""
    return JointEntry(
        id=joint.id,
        kind=joint.kind,
        a=joint.a,
        b=joint.b,
        axis=_triple(joint.axis),
        contacts=joint.contacts,
        gap_mm=joint.gap_mm,
        depth_mm=joint.depth_mm,
        snap_mm=joint.snap_mm,
        fit=joint.fit,
        mark=mark,
        hold_n=joint.hold_n,
        load_n=load_n,
        push_n=joint.push_n,
        glue_area_mm2=joint.glue_area_mm2,
        why=why,
        moves=joint.moves,
        hold_range_n=joint.hold_range_n,
        hold_low_n=joint.hold_low_n,
        hold_high_n=joint.hold_high_n,
        push_low_n=joint.push_low_n,
        push_high_n=joint.push_high_n,
        sure=sure_under(joint, load_n),
        closes_by=joint.closes_by,
        touches=tuple(
            TouchEntry(
                kind=touch.kind,
                carrier=touch.carrier,
                point=_triple(touch.point),
                axis=_triple(touch.axis),
                gap_mm=touch.gap_mm,
                depth_mm=touch.depth_mm,
                area_mm2=touch.area_mm2,
                fit=touch.fit,
            )
            for touch in joint.touches
        ),
    )


def _glued_entry(plan: Plan, joint: Joint) -> JointEntry:
    """A joint of the plan with how it is glued."""
    glue = plan.gluing
    bonds = tuple(
        BondEntry(
            kind=face.kind,
            carrier=face.carrier,
            area_mm2=face.area_mm2,
            gap_mm=face.gap_mm,
            outline=tuple(_triple(corner) for corner in face.outline),
        )
        for face in glue.faces.get(joint.id, ())
    )
    entry = joint_entry(joint, glue.marks[joint.id], glue.loads_n.get(joint.id, 0.0), _why(plan, joint))
    return entry.model_copy(
        update={
            "drops": glue.drops.get(joint.id, 0),
            "bonds": bonds,
            "case": glue.cases.get(joint.id, ""),
            "instead": glue.instead.get(joint.id, ""),
            "early_n": glue.early_n.get(joint.id, 0.0),
        }
    )


def _why(plan: Plan, joint: Joint) -> str:
    more = plan.gluing.whys.get(joint.id, "")
    return f"{joint.why}; {more}" if more else joint.why


def _step_entries(plan: Plan) -> tuple[StepEntry, ...]:
    sights = {sight.number: sight for sight in plan.sights}
    entries = []
    for step in plan.order.steps:
        work = plan.work.step_by_number[step.number]
        sight: Sight = sights[step.number]
        entries.append(
            StepEntry(
                number=step.number,
                assembly=step.assembly,
                adds=step.adds,
                move={part: move_entry(step.moves[part]) for part in step.adds},
                turn={
                    part: turn_entry(turn)
                    for part in step.adds
                    if (turn := step.moves[part].turn) is not None
                },
                attaches=tuple(
                    AttachEntry(
                        assembly=attach.assembly,
                        copy_number=attach.copy,
                        move=move_entry(attach.move),
                        turn=None if attach.move.turn is None else turn_entry(attach.move.turn),
                    )
                    for attach in step.attaches
                ),
                closes=step.closes,
                glues=work.glues,
                dry=step.dry,
                reopens=step.reopens,
                sitting=work.sitting,
                needs_cured=work.needs_cured,
                lags_min=work.lags_min,
                again=dict(work.again),
                up=_triple(step.up),
                view=view_entry(sight.view),
                seen=_by_id(sight.seen),
                lifts=_by_id(sight.lifts),
                sites=_by_id(sight.sites),
                closer=tuple(
                    CloserEntry(
                        parts=look.parts,
                        view=view_entry(look.view),
                        away=look.away,
                        sites=look.sites,
                        seen=look.seen,
                    )
                    for look in sight.closer
                ),
                by=work.by,
                hold=work.hold,
                wait_min=work.wait_min,
                people=work.people,
                needs_push_n=step.needs_push_n,
                doubtful="; ".join(map(str, step.doubtful)),
                note=step.note,
            )
        )
    return tuple(entries)


def move_entry(move: Move) -> MoveEntry:
    """A straight move as one vector, several legs as a list."""
    legs = tuple(_triple(leg) for leg in move.legs)
    return legs[0] if move.straight else legs


def view_entry(view: View) -> ViewEntry:
    """A view in degrees."""
    return ViewEntry(azimuth=math.degrees(view.azimuth), elevation=math.degrees(view.elevation))


def _by_id(values: Mapping[str, Any]) -> dict[str, Any]:
    """P2 before P10."""
    return dict(sorted(values.items(), key=lambda item: _id_key(item[0])))


def turn_entry(turn: Rotation) -> TurnEntry:
    """The turn that ends a move."""
    return TurnEntry(axis=_triple(turn.axis), point=_triple(turn.point), degrees=turn.degrees)


def _id_key(name: str) -> tuple[str, int, str]:
    """P2 before P10."""
    digits = name.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
    return (name[: len(name) - len(digits)], int(digits) if digits.isdigit() else 0, name)


def _triple(values: NDArray[Any]) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return x, y, z


def _block(value: Any) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n  " + ",\n  ".join(_dumps(item) for item in value) + "\n ]"
    return _dumps(value)


def _dumps(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


# ------------------------------------------------------------------------------- reading


def read_plan(path: Path, limits: Limits = LIMITS) -> PlanFile:
    """Read and check a plan file's form (that it fits its model is ``steps.verify``'s to say).

    Raises UnreadableInput with every fault found.
    """
    if why := no_file(path):
        raise UnreadableInput(f"{path}: {why}. Check the name and the folder.")
    try:
        size = path.stat().st_size / 1024**2
        refuse_more(f"{path}: {size:,.0f} MiB, which no plan needs", size, "plan_mib", limits)
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise UnreadableInput(f"{path}: cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise UnreadableInput(f"{path}: not a plan file (not text). Hand in a .plan.json.") from error
    return parse_plan(text, str(path))


def parse_plan(text: str, name: str = "plan") -> PlanFile:
    """As :func:`read_plan`, from text; ``name`` stands in messages."""
    try:
        values = json.loads(text)
    except (ValueError, RecursionError) as error:
        where = f" at line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise UnreadableInput(f"{name}: not valid JSON{where}. Was it cut short?") from error
    if not isinstance(values, dict) or values.get("format") != FORMAT:
        raise UnreadableInput(f"{name}: JSON, but not a plan (its 'format' is not '{FORMAT}').")
    if values.get("version") != VERSION:
        said = json.dumps(values.get("version"))[:20]
        raise UnreadableInput(f"{name}: plan version {said}; only {VERSION} can be read. Make the plan anew.")
    try:
        return PlanFile.model_validate_json(text)
    except ValidationError as error:
        raise UnreadableInput(f"{name}: not a whole plan.\n" + "\n".join(_faults(error))) from error


def _faults(error: ValidationError) -> Iterable[str]:
    found = error.errors(include_url=False, include_input=False, include_context=False)
    faults = list(dict.fromkeys(f"- {place_of(fault)}: {what_is_wrong(fault)}" for fault in found))
    yield from faults[:FAULTS_LISTED]
    if len(faults) > FAULTS_LISTED:
        yield f"- and {len(faults) - FAULTS_LISTED} more"


# -------------------------------------------------------------------------------- schema


def schema_text() -> str:
    """The JSON Schema of plan.json, as it is committed."""
    schema = PlanFile.model_json_schema(by_alias=True)
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Stepleaf plan, version 1",
    }
    return json.dumps({**head, **{k: v for k, v in schema.items() if k != "title"}}, indent=1) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
