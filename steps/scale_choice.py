"""The same model at several scales, side by side: size, bed, filament, time, and what its joints would be.

What is measured once, at the scale that was read, is carried to each scale: lengths by s, areas by s²,
volumes by s³; the printer's error stays. Hours reckon with each shape as its print lies.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from steps.aims import Pattern, pattern_of
from steps.bonding import bonding_of
from steps.errors import WrongSettings
from steps.features import printed_mass
from steps.foreseen import pieces
from steps.joints import GRAVITY
from steps.model import Joint, Joints, Shape
from steps.pipeline import Survey
from steps.prints.bed import BedFit, bed_fit, consumption
from steps.prints.items import SUPPORT_HEIGHT_SHARE, body_to_lay, has_body
from steps.prints.labels import label_of
from steps.prints.lie import Lie, MeshToLay, best_lie
from steps.scales import hold_at
from steps.settings import Settings
from steps.strength import who_closes

if TYPE_CHECKING:
    from rich.table import Table

#: Scales that are looked at when none are named: the file's own size and what is usual (a proposal).
USUAL_SCALES = (1.0, 2.0, 3.0, 4.0, 6.0)


LARGEST_SCALE = 1e6


@dataclass(frozen=True)
class AtScale:
    """One row. Joints are those that grip and do not move; ``need_glue`` is the least for one piece."""

    scale: float
    size_mm: tuple[float, float, float] | None  #: None for loose parts
    largest: str  #: the shape that fills the bed most
    largest_mm: tuple[float, float, float]
    too_large: int  #: parts that do not fit the bed
    kg: float
    metres: float
    hours: float
    cost: float | None
    hold: int | None  #: this and the next three: None for loose parts
    need_glue: int | None
    not_closed: int | None  #: joints that hands do not close
    greatest_push_n: float | None


@dataclass(frozen=True)
class ScaleChoice:
    """Rows by scale, and the greatest scale at which every part fits the bed (inf without parts)."""

    rows: tuple[AtScale, ...]
    greatest: float


def scales_of(text: str) -> tuple[float, ...]:
    """Scales as the command line names them, rising. Raises WrongSettings for what is no scale above 0."""
    if text == "usual":
        return USUAL_SCALES
    try:
        scales = sorted({float(each) for each in text.split(",")})
    except ValueError:
        scales = [0.0]
    if not all(0 < scale <= LARGEST_SCALE for scale in scales):
        raise WrongSettings(
            f"--scales: is {text!r}; must be scales above 0 and up to {LARGEST_SCALE:g}, with commas between"
        )
    return tuple(scales)


def scale_choice(found: Survey, scales: Sequence[float], settings: Settings) -> ScaleChoice:
    """The table for a surveyed model, as its file has it. Raises WrongSettings for wishes that name
    nothing."""
    model = found.model
    shapes = [shape for shape in model.shapes if has_body(shape)]
    seen = _Seen(found, shapes, settings)
    fits = [fit for _, fit in seen.laid(1.0).values()]
    greatest = min((fit.largest_scale for fit in fits), default=float("inf"))
    return ScaleChoice(tuple(seen.at(scale) for scale in scales), greatest)


@dataclass(frozen=True, eq=False)
class _Seen:
    found: Survey
    shapes: Sequence[Shape]
    settings: Settings

    @cached_property
    def bodies(self) -> Mapping[str, MeshToLay]:
        return {shape.id: body_to_lay(shape) for shape in self.shapes}

    def laid(self, by: float) -> dict[str, tuple[Lie, BedFit]]:
        """How each shape, ``by`` times larger, lies on the bed: what needs support is told in mm."""
        found = {}
        for shape in self.shapes:
            printer, scale = self.settings.printer, by * self.found.model.scale
            measure = self.found.measures.by_shape[shape.id]
            lie = best_lie(self.bodies[shape.id], measure, printer.layer_mm, by)
            found[shape.id] = lie, bed_fit(by * shape.vertices @ lie.turn.T, scale, printer)
        return found

    def at(self, scale: float) -> AtScale:
        model, by = self.found.model, scale / self.found.model.scale
        counts = {shape.id: sum(part.shape == shape.id for part in model.parts) for shape in self.shapes}
        grams, laid = self._grams(by), self.laid(by)
        sums = np.zeros(3)
        for shape in self.shapes:
            hang = laid[shape.id][0].hanging
            under = hang.height_mm * SUPPORT_HEIGHT_SHARE
            use = consumption(grams[shape.id], hang.support_mm2, hang.height_mm, under, self.settings)
            sums += counts[shape.id] * np.array([use.grams + use.support_g, use.metres, use.minutes])
        largest = min(self.shapes, key=lambda shape: laid[shape.id][1].largest_scale, default=None)
        price = self.settings.printer.filament_price_kg
        row = AtScale(
            scale=scale,
            size_mm=_scaled(model.bounds[1] - model.bounds[0], by) if model.placed else None,
            largest="" if largest is None else self._name(largest),
            largest_mm=(0.0, 0.0, 0.0) if largest is None else laid[largest.id][1].size_mm,
            too_large=sum(counts[key] for key, (_, fit) in laid.items() if not fit.fits),
            kg=float(sums[0]) / 1000,
            metres=float(sums[1]),
            hours=float(sums[2]) / 60,
            cost=None if price is None else price * float(sums[0]) / 1000,
            hold=None,
            need_glue=None,
            not_closed=None,
            greatest_push_n=None,
        )
        joints = self.found.joints
        return row if joints is None else self._with_joints(row, joints, grams, by)

    def _grams(self, by: float) -> dict[str, float]:
        measures = self.found.measures.by_shape
        return {
            key: printed_mass(each.volume_mm3 * by**3, each.area_mm2 * by**2, self.settings)
            for key, each in measures.items()
        }

    def _name(self, shape: Shape) -> str:
        return f"{label_of(shape.id)} {self.found.measures.by_shape[shape.id].name}"

    def _with_joints(self, row: AtScale, joints: Joints, grams: Mapping[str, float], by: float) -> AtScale:
        model, settings = self.found.model, self.settings
        bonding = bonding_of(model, self.found.measures, joints, settings)
        known: dict[tuple[Pattern, float], tuple[bool, bool, float]] = {}
        tied: list[Joint] = []
        hold = not_closed = 0
        greatest = 0.0
        for joint in joints.joints:
            if joint.kind == "rest":
                continue
            weight = GRAVITY * min(grams[model.part_by_id[part].shape] for part in (joint.a, joint.b)) / 1000
            key = (pattern_of(joint), weight)
            if key not in known:
                found = hold_at(joint, by, weight, settings)
                closes = who_closes(found.push.likely, found.push.high, found.cracks)
                low = found.hold.low
                known[key] = (
                    low > 0 and low >= settings.glue.safety * weight,
                    closes in ("clamp", "none"),
                    found.push.likely,
                )
            sure, hard, push = known[key]
            if sure and joint.id not in bonding.free:
                tied.append(joint)
                hold += 1
            not_closed += hard
            greatest = max(greatest, push)
        may = [joint for joint in joints.joints if joint.id in bonding.may]
        glue = pieces(model, tied) - pieces(model, [*tied, *may]) if settings.aim != "display" else 0
        return replace(row, hold=hold, need_glue=glue, not_closed=not_closed, greatest_push_n=greatest)


def _scaled(lengths: Sequence[float] | np.ndarray, by: float) -> tuple[float, float, float]:
    x, y, z = (float(length) * by for length in lengths)
    return x, y, z


def choice_table(choice: ScaleChoice) -> Table:
    """The rows as a table for a terminal, one column a scale."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    for row in choice.rows:
        table.add_column(f"{row.scale:g}x", justify="right")
    for name, cells in _lines(choice):
        table.add_row(name, *cells)
    return table


def _lines(choice: ScaleChoice) -> list[tuple[str, list[str]]]:
    rows = choice.rows
    lines = [
        ("size mm", [_size(row.size_mm) for row in rows]),
        (f"{rows[0].largest} mm", [_size(row.largest_mm) for row in rows]),
        ("parts too large for the bed", [str(row.too_large) for row in rows]),
        ("filament kg", [f"{row.kg:.2f}" for row in rows]),
        ("filament m", [f"{row.metres:.0f}" for row in rows]),
        ("hours", [f"{row.hours:.0f}" for row in rows]),
    ]
    if any(row.cost is not None for row in rows):
        lines.append(("cost", [f"{row.cost or 0:.2f}" for row in rows]))
    if rows[0].hold is None:  # loose parts: no joints to tell of
        return lines
    return [
        *lines,
        ("joints that hold", [str(row.hold) for row in rows]),
        ("need glue, at least", [str(row.need_glue) for row in rows]),
        ("not closed by hand", [str(row.not_closed) for row in rows]),
        ("greatest push N", [f"{row.greatest_push_n or 0:.0f}" for row in rows]),
    ]


def _size(size: tuple[float, float, float] | None) -> str:
    return "-" if size is None else " x ".join(f"{side:.0f}" for side in size)


def greatest_told(choice: ScaleChoice) -> str:
    """One line: up to which scale all parts fit, and what the table does not know."""
    if not np.isfinite(choice.greatest):
        return "Nothing to print."
    fits = math.floor(choice.greatest * 100) / 100  # the scale that is named must fit
    more = " Load cases may ask for more glue: `stepleaf plan`." if choice.rows[0].hold is not None else ""
    return f"Every part fits the bed up to {fits:g}x.{more}"


def choice_json(choice: ScaleChoice) -> str:
    """For machines: the rows, and the greatest scale at which all parts fit (null without parts)."""
    greatest = choice.greatest if np.isfinite(choice.greatest) else None
    rows = [{key: _plain(value) for key, value in asdict(row).items()} for row in choice.rows]
    told = {"format": "stepleaf-scales", "version": 1, "greatest_scale": _plain(greatest), "rows": rows}
    return json.dumps(told, indent=1) + "\n"


def _plain(value: object) -> object:
    """Rounded as in the plan file."""
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return round(value, 5) if isinstance(value, float) else value
