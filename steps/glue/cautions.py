"""What a booklet must say for safety: about the adhesive it uses, and about the printed model itself.

These are values to be laid out, in English; the supplier's safety data sheet and local rules come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from steps.cites import Cite, cites, data_file
from steps.glue.families import Family, family, glue_book
from steps.glue.hazards import AirSurvey, Component, ExposureLimit, components_of, grave_of, hazard_book
from steps.glue.small_parts import is_small_ball, is_small_part
from steps.model import Array, Gluing, Measures, Model, Order, Work
from steps.progress import ticking
from steps.settings import Settings
from steps.statics.flat import flat, unit
from steps.statics.structure import TABLE_TOLERANCE_MM, bodies_of, feet_of
from steps.wording import Wording

#: Label words, the graver first (CLP Article 20).
LABEL_WORDS = ("Danger", "Warning")


@dataclass(frozen=True)
class Caution:
    """One row of the adult's page. ``words`` may hold {places} that :attr:`AdhesiveCautions.terms` or the
    plan fill."""

    section: str  #: ready, prepare, gluing, after
    words: str
    sign: str
    when: frozenset[str]
    cites: tuple[Cite, ...]


@dataclass(frozen=True)
class FirstAid:
    """What to do when something happened; ``minutes`` at least, where a time is known."""

    key: str
    title: str
    words: str
    minutes: int | None
    avoid: str
    when: frozenset[str]
    unless: frozenset[str]
    cites: tuple[Cite, ...]


@cache
def caution_rows() -> tuple[Caution, ...]:
    """Every row that some plan calls for."""
    return tuple(
        Caution(row["section"], row["words"], row.get("sign", ""), frozenset(row["when"]), cites(row["cite"]))
        for row in data_file("safety.toml")["caution"]
    )


@cache
def first_aid_rows() -> tuple[FirstAid, ...]:
    """Every case of first aid that some plan calls for."""
    return tuple(
        FirstAid(
            row["key"],
            row["title"],
            row["words"],
            row.get("minutes"),
            row.get("avoid", ""),
            frozenset(row["when"]),
            frozenset(row.get("unless", ())),
            cites(row["cite"]),
        )
        for row in data_file("safety.toml")["first_aid"]
    )


@dataclass(frozen=True)
class Air:
    """What the planned amount would give in a closed room, ppm, an estimate: of all of it over a shift, and
    of one sitting at its peak; the strictest limits, and what a survey measured, where there are any."""

    component: Component
    room_m3: float
    shift_ppm: float
    peak_ppm: float
    shift_limit: ExposureLimit | None
    peak_limit: ExposureLimit | None

    @property
    def survey(self) -> AirSurvey | None:
        return self.component.survey

    @property
    def over(self) -> bool:
        """Whether a limit may be passed, by what was measured rather than by the estimate where both are."""
        found = self.survey
        shift, peak = (self.shift_ppm, self.peak_ppm) if found is None else (found.mean_ppm, found.peak_ppm)
        pairs = ((shift, self.shift_limit), (peak, self.peak_limit))
        return any(ppm > self.component.limit_ppm(limit) for ppm, limit in pairs if limit is not None)


@dataclass(frozen=True)
class AdhesiveCautions:
    """All that the chosen adhesive calls for. ``label``: the label's own signal word, empty where it bears
    none; ``statements`` and ``may_carry`` are (code, wording); ``pictograms`` GHS codes; ``terms`` fill the
    places of the rows; ``missing`` names components whose hazards are not fully known here."""

    family: Family
    label: str
    grave: tuple[str, ...]
    statements: tuple[tuple[str, str], ...]
    may_carry: tuple[tuple[str, str], ...]
    pictograms: tuple[str, ...]
    components: tuple[Component, ...]
    terms: Mapping[str, tuple[str, ...]]
    tags: frozenset[str]
    first_aid: tuple[FirstAid, ...]
    air: tuple[Air, ...]

    @property
    def training(self) -> tuple[str, ...]:
        return _each(one.training for one in self.components)

    @property
    def notes(self) -> tuple[str, ...]:
        return _each(one.note for one in self.components)

    @property
    def missing(self) -> tuple[str, ...]:
        return tuple(one.words for one in self.components if not one.complete)


@dataclass(frozen=True)
class Heavy:
    """A sub-assembly that is heavy or tips easily."""

    assembly: str
    name: Wording | str
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
    stands_to_deg: float | None = None  #: tilt at which the finished model falls over; None for loose parts

    @property
    def tags(self) -> frozenset[str]:
        """What of the model calls for rows of the adult's page."""
        return frozenset({"always"} | ({"heavy"} if self.heavy else set()))


def rows_for(section: str, tags: frozenset[str]) -> tuple[Caution, ...]:
    """The rows of a section of the adult's page that something calls for, in the data's order."""
    return tuple(row for row in caution_rows() if row.section == section and row.when & tags)


def cautions_for(gluing: Gluing, work: Work, settings: Settings) -> AdhesiveCautions | None:
    """The cautions for the adhesive in the planned amount and sittings; None when nothing is glued."""
    if gluing.adhesive.family == "none" or not gluing.glued:
        return None
    used = family(gluing.adhesive.family)
    parts = components_of(used, settings.material)
    tags = _tags(used, parts, gluing)
    first_aid = tuple(row for row in first_aid_rows() if row.when & tags and not row.unless & tags)
    label = next((word for word in LABEL_WORDS if any(one.signal == word for one in parts)), "")
    codes = _each(code for one in parts for code in one.statements)
    return AdhesiveCautions(
        family=used,
        label=label,
        grave=grave_of(parts),
        statements=_worded(codes),
        may_carry=_worded(code for one in parts for code in one.may_carry if code not in codes),
        pictograms=tuple(sorted({code for one in parts for code in one.pictograms})),
        components=parts,
        terms={
            "gloves": _each(one.gloves for one in parts),
            "who": _each(one.who for one in parts),
            "storage": _each(one.storage for one in parts),
            "disposal": _each(one.disposal for one in parts),
            "prepare": (glue_book().preparation(settings.material).words,),
        },
        tags=tags,
        first_aid=first_aid,
        air=_air(used, parts, gluing.adhesive.volume_ml, _largest_share(work), settings),
    )


def _tags(used: Family, parts: Iterable[Component], gluing: Gluing) -> frozenset[str]:
    """What of the adhesive calls for rows: its name, its components, what they may bear, how it is used."""
    found = {"glued", used.name}
    for one in parts:
        found |= {one.name, *one.statements, *one.may_carry} | ({"hot"} if one.hot else set())
    if used.mixed:
        found.add("mixed")
    if any(problem.code == "adhesive-wicks" for problem in gluing.problems):
        found.add("wicks beside moving")
    return frozenset(found)


def _worded(codes: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Statements with their wording, each once, the gravest first."""
    book = hazard_book()
    grave = frozenset().union(*book.grave.values())
    ordered = sorted(set(codes), key=lambda code: (code not in grave, code))
    return tuple((code, book.statements[code]) for code in ordered)


def _largest_share(work: Work) -> float:
    """What share of the glued joints the largest sitting has."""
    sittings: dict[int | None, int] = {}
    for step in work.steps:
        sittings[step.sitting] = sittings.get(step.sitting, 0) + len(step.glues)
    return max(sittings.values(), default=0) / max(1, sum(sittings.values()))


def _air(
    used: Family, parts: tuple[Component, ...], volume_ml: float, largest: float, settings: Settings
) -> tuple[Air, ...]:
    share = {one.name: one.share for one in used.ingredients(settings.material)}
    room = settings.glue.room_m3
    found = []
    for one in parts:
        if one.limits and one.evaporating:
            ppm = one.ppm(volume_ml * share[one.name], room)
            found.append(Air(one, room, ppm, largest * ppm, one.strictest(True), one.strictest(False)))
    return tuple(found)


def _each(lines: Iterable[str]) -> tuple[str, ...]:
    """The lines without repeats and empty ones, in order."""
    return tuple(dict.fromkeys(line for line in lines if line))


# ------------------------------------------------------------------------------ the model


def model_cautions(
    model: Model, measures: Measures, order: Order | None, settings: Settings
) -> ModelCautions:
    """Small parts, small balls, heavy or tipping sub-assemblies of a model; loose parts have no order."""
    book = hazard_book()
    groups = _groups(model, measures, order) if order is not None and model.placed else ()
    return ModelCautions(
        tuple(shape.id for shape in ticking(model.shapes) if is_small_part(shape)),
        tuple(shape.id for shape in ticking(model.shapes) if is_small_ball(shape)),
        tuple(group for group in groups if group.grams > book.limits["heavy_g"]),
        tuple(group for group in groups if group.tip_deg < book.limits["tip_deg"]),
        float(sum(measures.by_shape[part.shape].printed_g for part in model.parts)),
        book.softens.get(settings.material),
        next((each.tip_deg for each in groups if order and each.assembly == order.steps[-1].assembly), None),
    )


def pull_n(largest_extent_mm: float) -> float:
    """Pull that an accessible part of a toy must bear, N (EN 71-1, 8.4); no claim that it does."""
    limits = hazard_book().limits
    small = largest_extent_mm <= limits["small_pull_mm"]
    return float(limits["small_pull_n" if small else "pull_n"])


def people_for(grams: float) -> int:
    """How many adults lift a mass: two above the reference mass of a household."""
    return 2 if grams > hazard_book().limits["two_adults_g"] else 1


def _groups(model: Model, measures: Measures, order: Order) -> tuple[Heavy, ...]:
    bodies = bodies_of(model, measures)
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
        tip, grams = tip_angle(corners, centre, unit(up)), float(mass.sum())
        found.append(Heavy(assembly.id, assembly.name, grams, people_for(grams), tip))
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
