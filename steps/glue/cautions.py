"""What a booklet must say for safety: about the adhesive it uses, and about the printed model itself.

These are values to be laid out, in English; the supplier's safety data sheet and local rules come first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from steps.glue.families import Family, family
from steps.glue.hazards import Component, SignalWord, components_of, hazard_book, signal_word
from steps.glue.small_parts import is_small_ball, is_small_part
from steps.model import Adhesive, Array, Gluing, Measures, Model, Order
from steps.settings import Settings
from steps.statics.flat import flat, unit
from steps.statics.structure import TABLE_TOLERANCE_MM, bodies_of, feet_of

GRAVEST_FIRST: tuple[SignalWord, ...] = ("DANGER", "WARNING", "CAUTION", "NOTICE")

SHEET_FIRST = "Read the supplier's safety data sheet first; it and your local rules come before this booklet."
#: ISO 7010 signs that go with every adhesive (registered codes, from memory): read the manual, goggles,
#: gloves, wash hands.
ALWAYS_SIGNS = ("M002", "M004", "M009", "M011")
#: Signs that a hazard statement calls for (from memory).
STATEMENT_SIGNS = {
    "H225": ("W021", "P003"),
    "H241": ("W021", "P003"),
    "H314": ("W023", "E011"),
    "H334": ("M017",),
}
#: Families that a child may use with help: no hazard statement and no heat (proposal).
CHILDREN_MAY = ("pva",)


@dataclass(frozen=True)
class Air:
    """What the planned amount would give in a closed room, ppm, against the lowest limit known."""

    component: str
    volume_ml: float
    room_m3: float
    ppm: float
    limit_ppm: float
    body: str

    @property
    def over(self) -> bool:
        return self.ppm > self.limit_ppm


@dataclass(frozen=True)
class AdhesiveCautions:
    """All that the chosen adhesive calls for. ``statements`` are (code, wording); ``signs`` ISO 7010 codes;
    ``pictograms`` GHS codes; ``missing`` names components whose hazards are not fully known here."""

    signal: SignalWord
    family: str
    words: str
    adult_only: bool
    first: str
    statements: tuple[tuple[str, str], ...]
    pictograms: tuple[str, ...]
    signs: tuple[str, ...]
    surface: str
    gloves: tuple[str, ...]
    first_aid: tuple[str, ...]
    storage: tuple[str, ...]
    disposal: tuple[str, ...]
    training: tuple[str, ...]
    air: tuple[Air, ...]
    max_c: float
    missing: tuple[str, ...]
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Heavy:
    """A sub-assembly that is heavy or tips easily."""

    assembly: str
    name: str
    grams: float
    people: int
    tip_deg: float


@dataclass(frozen=True)
class ModelCautions:
    """Small parts and balls by shape id, heavy or tipping sub-assemblies, and up to what temperature the
    plastic keeps its shape (None where not known)."""

    small_parts: tuple[str, ...]
    small_balls: tuple[str, ...]
    heavy: tuple[Heavy, ...]
    tips_easily: tuple[Heavy, ...]
    total_g: float
    softens_c: tuple[float, float] | None
    words: tuple[str, ...]
    stands_to_deg: float | None = None  #: tilt at which the finished model falls over; None for loose parts


def cautions_for(
    adhesive: Adhesive, settings: Settings, gluing: Gluing | None = None
) -> AdhesiveCautions | None:
    """The cautions for the adhesive in the planned amount; None when nothing is glued."""
    glues = gluing is None or any(mark == "glue" for mark in gluing.marks.values())
    if adhesive.family == "none" or not glues:
        return None
    used = family(adhesive.family)
    parts = components_of(used, settings.material)
    air = _air(used, parts, adhesive.volume_ml, settings)
    codes = sorted({code for one in parts for code in one.statements}, key=_gravity)
    book = hazard_book()
    missing = tuple(one.words for one in parts if not one.complete)
    return AdhesiveCautions(
        signal=min((signal_word(one) for one in parts), key=GRAVEST_FIRST.index),
        family=used.name,
        words=used.words,
        adult_only=used.name not in CHILDREN_MAY or bool(missing),
        first=SHEET_FIRST,
        statements=tuple((code, book.statements[code]) for code in codes),
        pictograms=tuple(sorted({code for one in parts for code in one.pictograms})),
        signs=_signs(parts, codes, air),
        surface=used.surface,
        gloves=_each(one.gloves for one in parts),
        first_aid=_each(line for one in parts for line in one.first_aid)
        or ("As the supplier's safety data sheet says; call the poison centre.",),
        storage=_each(one.storage for one in parts),
        disposal=_each(one.disposal for one in parts),
        training=_each(one.training for one in parts),
        air=air,
        max_c=used.max_c,
        missing=missing,
        sources=_each(f"{one.words}: {key}: {source}" for one in parts for key, source in one.source.items()),
    )


def _air(used: Family, parts: tuple[Component, ...], volume_ml: float, settings: Settings) -> tuple[Air, ...]:
    share = {one.name: one.share for one in used.ingredients(settings.material)}
    found = []
    for one in parts:
        if not one.limits or not one.evaporating:
            continue
        volume, room = volume_ml * share[one.name], settings.glue.room_m3
        strictest = min(one.limits, key=lambda limit: (limit.lowest, limit.body))
        found.append(Air(one.words, volume, room, one.ppm(volume, room), strictest.lowest, strictest.body))
    return tuple(found)


def _gravity(code: str) -> tuple[int, str]:
    book = hazard_book()
    return (0 if code in book.grave else 1 if code in book.serious else 2, code)


def _signs(parts: tuple[Component, ...], codes: Iterable[str], air: tuple[Air, ...]) -> tuple[str, ...]:
    more = [sign for code in codes for sign in STATEMENT_SIGNS.get(code, ())]
    more += [sign for one in parts for sign in one.signs]
    if any(one.over for one in air):
        more.append("M017")
    return tuple(dict.fromkeys([*ALWAYS_SIGNS, *more]))


def _each(lines: Iterable[str]) -> tuple[str, ...]:
    """The lines without repeats and empty ones, in order."""
    return tuple(dict.fromkeys(line for line in lines if line))


# ------------------------------------------------------------------------------ the model


def model_cautions(
    model: Model, measures: Measures, order: Order | None, settings: Settings
) -> ModelCautions:
    """Small parts, small balls, heavy or tipping sub-assemblies of a model; loose parts have no order."""
    book = hazard_book()
    small = tuple(shape.id for shape in model.shapes if is_small_part(shape))
    balls = tuple(shape.id for shape in model.shapes if is_small_ball(shape))
    groups = _groups(model, measures, order) if order is not None and model.placed else ()
    words = ["A printed model is not a tested toy."]
    if small:
        words.append(
            "Small parts: not for children under 3 years. From 3 to 6 years only with an adult near."
        )
    if balls:
        words.append("Small balls: not for children under 3 years.")
    if settings.material in book.softens:
        low = book.softens[settings.material][0]
        words.append(f"Keep it below {low:g} deg C: sun behind glass or a parked car can be hotter.")
    return ModelCautions(
        small,
        balls,
        tuple(group for group in groups if group.grams > book.limits["heavy_g"]),
        tuple(group for group in groups if group.tip_deg < book.limits["tip_deg"]),
        float(sum(measures.by_shape[part.shape].printed_g for part in model.parts)),
        book.softens.get(settings.material),
        tuple(words),
        next((each.tip_deg for each in groups if order and each.assembly == order.steps[-1].assembly), None),
    )


def _groups(model: Model, measures: Measures, order: Order) -> tuple[Heavy, ...]:
    bodies = bodies_of(model, measures)
    limits = hazard_book().limits
    last_up = {step.assembly: step.up for step in order.steps}
    feet_by_up = {tuple(up.round(9)): feet_of(model, unit(up)) for up in last_up.values()}
    found = []
    for assembly in order.assemblies:
        if assembly.id not in last_up:
            continue
        up = last_up[assembly.id]
        rows = np.array([model.index_of[part] for part in assembly.copies[0]])
        mass = bodies.mass_g[rows]
        feet = feet_by_up[tuple(up.round(9))]
        low = feet.low[rows]
        ground = rows[low <= low.min() + TABLE_TOLERANCE_MM]
        corners = np.concatenate([feet.corners[row] for row in ground])
        centre = mass @ bodies.centroid[rows] / mass.sum()
        people = 2 if mass.sum() > limits["two_adults_g"] else 1
        tip = tip_angle(corners, centre, unit(up))
        found.append(Heavy(assembly.id, assembly.name, float(mass.sum()), people, tip))
    return tuple(found)


def tip_angle(corners: Array, centre: Array, up: Array) -> float:
    """How far a stiff body can be tilted before it falls over, degrees; 0 when it does not stand at all.

    ``corners`` (k, 3) touch the table, ``centre`` (3,) is the centre of mass.
    """
    support, middle = flat(corners, up), flat(centre[None], up)[0]
    height = float(centre @ up - (corners @ up).min())
    try:
        edges = ConvexHull(support).equations
    except QhullError:
        return 0.0
    inside = float(-(edges[:, :2] @ middle + edges[:, 2]).max())
    return float(np.degrees(np.arctan2(max(inside, 0.0), max(height, 1e-9))))
