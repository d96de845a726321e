"""What a user may set, from stepleaf.toml and the command line. Checked once, at the door."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from steps.errors import WrongSettings
from steps.letters import unsteered
from steps.limits import Limits, raised_by
from steps.model import Aim
from steps.toml_file import read_toml
from steps.value_faults import place_of, shown, what_is_wrong

#: Classes that a number on the fit card can have, tightest first.
CARD_CLASSES = ("tight", "press", "slide", "loose")
#: Gaps per side (mm) at its numbers 1, 2, 3, ...: a step of 0.05 across the whole table of fits.
CARD_GAPS_MM: Mapping[str, tuple[float, ...]] = {
    "stud": (-0.10, -0.05, 0.0, 0.05, 0.10, 0.15, 0.20, 0.30),
    "peg": (-0.10, -0.05, 0.0, 0.05, 0.10, 0.15, 0.20, 0.30),
    "ball": (-0.10, -0.05, 0.0, 0.05, 0.10, 0.15),
}


#: What a luggage scale weighs at most, kg (common practice, no source): more is a slip of the unit.
MOST_KG = 60.0
#: Fits that a refit can aim at.
REFITS = ("press", "slide")
#: A stud and the socket it goes into differ by less than this share of the stud's diameter; more is a
#: slip of the calliper or of the unit.
CALLIPER_SHARE = 0.25
#: Gaps per side beyond this (mm) are no limit of a fit, whatever the material and the printer.
FIT_MM = 2.0
#: No print is off by more than this (mm): desktop printers keep ISO 286's grade IT14 (from memory), which is
#: 0.62 mm up to 50 mm.
ERROR_MM = 1.0


#: A direction shorter than this has been typed as none.
LEAST_DOWN = 1e-6


class SettingsTable(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


#: mm; none of a printer, or of what it prints, is as long as 100 m or as short as a micrometre.
Length = Annotated[float, Field(ge=1e-3, le=1e5)]
Factor = Annotated[float, Field(ge=1e-6, le=1e6)]  # a millionfold: nanometres drawn as millimetres
#: Text that is printed: nothing in it steers what shows it, and it fills less than a sheet.
Said = Annotated[str, Field(max_length=2_000), AfterValidator(unsteered)]


class PrinterSettings(SettingsTable):
    """The printer and how it is set; lengths in mm."""

    bed_mm: tuple[Length, Length, Length] = (220.0, 220.0, 250.0)
    nozzle_mm: Length = 0.4
    layer_mm: Length = 0.2
    wall_mm: Length = 1.2  # three lines of a 0.4 mm nozzle; common practice, no source
    infill: float = Field(0.15, ge=0, le=1)
    # mean over all moves, what a slicer's usual settings come to; common practice, no source
    speed_mm_s: float = Field(60.0, ge=1e-3, le=1e5)
    # a plate is not filled beyond this, so that building can begin; common practice, no source
    plate_h: float = Field(12.0, gt=0, le=1000)
    filament_price_kg: float | None = Field(None, gt=0, le=1e9)  # in any money; for the scale table only
    # printed error per diameter, makers' practice: bosses +0.05..0.15, holes -0.1..-0.3
    boss_error_mm: float = 0.1
    hole_error_mm: float = -0.2
    # one flat face, wall or rib, nearer to its mate; from memory: 0 to 0.05
    flat_error_mm: float = 0.02
    # by how much the first layers spread a socket's mouth inwards, a side, beyond what the slicer takes back:
    # usual compensation is 0.1 to 0.2 (a glossary), so nothing is left over by default
    foot_mm: float = Field(0.0, ge=0, le=FIT_MM)

    @field_validator("boss_error_mm", "hole_error_mm", "flat_error_mm")
    @classmethod
    def _believable(cls, error: float) -> float:
        if abs(error) > ERROR_MM:
            raise ValueError(
                f"no print is off by more than {ERROR_MM:g} mm; write what the calliper reads less what is "
                "drawn, of the same number"
            )
        return error


class CardSettings(SettingsTable):
    """What one row of the fit card did: the numbers engraved on it, by how they went, and pulls in kg.

    Numbers count from the tightest on, so each class must come before the next.
    """

    tight: tuple[int, ...] = ()
    press: tuple[int, ...] = ()
    slide: tuple[int, ...] = ()
    loose: tuple[int, ...] = ()
    #: number -> peaks of a luggage scale, pulled straight off one stud or peg, the first pull left out
    pulls_kg: dict[int, tuple[float, ...]] = {}

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        told = [(number, row) for row, name in enumerate(CARD_CLASSES) for number in getattr(self, name)]
        for (number, row), (after, later) in pairwise(sorted(told)):
            went, then = CARD_CLASSES[row], CARD_CLASSES[later]
            if number == after:
                raise ValueError(f"number {number} is said to go {went} and {then}; name each number once")
            if row > later:
                text = f"number {number} went {went} but number {after}, with more room, went {then}"
                raise ValueError(f"{text}; try both again")
        most = max((peak for peaks in self.pulls_kg.values() for peak in peaks), default=0.0)
        if most > MOST_KG:
            text = f"pulls_kg: {most:g} kg is more than a luggage scale weighs ({MOST_KG:g} kg)"
            raise ValueError(f"{text}; if it is in grams, write {most / 1000:g}")
        if any(not peaks or min(peaks) < 0 for peaks in self.pulls_kg.values()):
            raise ValueError("pulls_kg: each number wants at least one peak, in kilograms, none below 0")
        return self


class FitSettings(SettingsTable):
    """Measured values that replace estimates: calliper readings, the coupon's outcome, pull-off."""

    stud_diameter_mm: Length | None = None
    socket_diameter_mm: Length | None = None
    pull_off_n: float | None = Field(None, gt=0, le=1e4)  # of one stud, measured with a luggage scale
    #: the coupon's outcome: greatest gap per side (mm) that still went tight, press, slide
    tight_below_mm: float | None = Field(None, ge=-FIT_MM, le=FIT_MM)
    press_below_mm: float | None = Field(None, ge=-FIT_MM, le=FIT_MM)
    slide_below_mm: float | None = Field(None, ge=-FIT_MM, le=FIT_MM)
    #: the same by the numbers on the card, for studs, pegs and balls; pegs and balls without their own
    #: follow the studs
    stud_card: CardSettings | None = None
    peg_card: CardSettings | None = None
    ball_card: CardSettings | None = None

    @model_validator(mode="after")
    def _by_calliper(self) -> Self:
        stud, socket = self.stud_diameter_mm, self.socket_diameter_mm
        if (stud is None) != (socket is None):
            missing = "stud_diameter_mm" if stud is None else "socket_diameter_mm"
            raise ValueError(f"{missing} is missing: a gap needs both a stud and its socket, measured")
        if stud is not None and socket is not None and abs(stud - socket) > CALLIPER_SHARE * stud:
            raise ValueError(
                f"a stud of {stud:g} mm and a socket of {socket:g} mm do not belong together; measure again, "
                "both across, in mm, as printed"
            )
        return self

    @model_validator(mode="after")
    def _limits_in_order(self) -> Self:
        names = ("tight_below_mm", "press_below_mm", "slide_below_mm")
        given = [(name, value) for name in names if (value := getattr(self, name)) is not None]
        for (tighter, low), (looser, high) in pairwise(given):
            if low > high:
                raise ValueError(f"{tighter} {low:g} is above {looser} {high:g}; more room is never tighter")
        return self

    @model_validator(mode="after")
    def _balls_are_not_pulled(self) -> Self:
        if self.ball_card is not None and self.ball_card.pulls_kg:
            raise ValueError(
                "ball_card: pulls are taken of studs and pegs; what holds a ball is its lip, so give its "
                "letters alone"
            )
        return self

    @model_validator(mode="after")
    def _on_the_card(self) -> Self:
        for kind, gaps in CARD_GAPS_MM.items():
            card: CardSettings | None = getattr(self, f"{kind}_card")
            said = (
                [] if card is None else [*card.tight, *card.press, *card.slide, *card.loose, *card.pulls_kg]
            )
            for number in said:
                if not 1 <= number <= len(gaps):
                    text = (
                        f"{kind}_card: number {number} is not on the card; its numbers are 1 to {len(gaps)}"
                    )
                    raise ValueError(text)
        return self


class OrderSettings(SettingsTable):
    """The builder's wishes."""

    #: the face that lies on the table, or the direction in the file that is down; None: found from the model
    down: Literal["-x", "+x", "-y", "+y", "-z", "+z"] | tuple[float, float, float] | None = None
    together: tuple[tuple[str, ...], ...] = ()
    before: tuple[tuple[str, str], ...] = ()  # (earlier, later) part names
    last: tuple[str, ...] = ()
    parts_per_step: int | None = Field(None, ge=1, le=12)
    names: dict[str, Said] = {}  # a part's name -> name of the sub-assembly that holds it
    notes: dict[str, Said] = {}  # a part's name -> note on the step that adds it
    weights: dict[str, float] = {}  # parts of the cost, see order/cost.py

    @property
    def up(self) -> tuple[float, float, float]:
        """The direction that points up when what is down lies on the table; +z where that is not said."""
        if self.down is None:
            x, y, z = 0.0, 0.0, 1.0
        elif isinstance(self.down, str):
            away = 1.0 if self.down[0] == "-" else -1.0
            x, y, z = (away * (axis == self.down[1]) for axis in "xyz")
        else:
            length = math.hypot(*self.down)
            x, y, z = (-value / length for value in self.down)
        return x, y, z

    @model_validator(mode="after")
    def _some_way_down(self) -> Self:
        if isinstance(self.down, tuple) and math.hypot(*self.down) < LEAST_DOWN:
            raise ValueError("down is a direction; one without a length points nowhere")
        return self


#: What may be done to a built model, see glue/cases.py.
LoadCaseName = Literal["shelf", "base", "body", "tilt", "turn", "knock", "car", "pull"]


class GlueSettings(SettingsTable):
    """Load cases, safety and the room."""

    #: what a joint surely holds, over what is asked of it
    safety: float = Field(1.5, ge=1)
    #: how grave each load case is: 1 as it is, 2 twice the load, 0 switched off; see glue/cases.py
    cases: dict[LoadCaseName, Annotated[float, Field(ge=0, le=100)]] = {}
    glue: tuple[tuple[str, str], ...] = ()  # force: pairs of part names
    never: tuple[tuple[str, str], ...] = ()
    removable: tuple[str, ...] = ()  # parts that must come off again
    room_m3: float = Field(30.0, gt=0)
    temperature_c: float = 21.0


def _refit(value: Any) -> Any:
    """A fit to aim at, or a length in mm. Raises ValueError that says which there are."""
    if value in (None, *REFITS):
        return value
    try:
        by = float("nan") if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        by = float("nan")
    if by == 0 or not -FIT_MM <= by <= FIT_MM:
        known = ", ".join(REFITS)
        raise ValueError(
            f"{value!r} is no fit to aim at; known are {known}, or how much larger in radius studs, pegs and "
            f"balls are printed, in mm (at most {FIT_MM:g} either way, and not 0)"
        )
    return by


#: The parts as they will be printed: brought to a fit, or moved by so many mm a side.
Refitted = Annotated[Literal["press", "slide"] | float | None, BeforeValidator(_refit)]


class StickerSettings(SettingsTable):
    """A sheet of stickers by its measures, mm; what is left out is spread evenly over the paper."""

    sticker_mm: tuple[float, float]  # width and height
    columns: int = Field(ge=1, le=20)
    rows: int = Field(ge=1, le=40)
    left_mm: float | None = Field(None, ge=0)
    top_mm: float | None = Field(None, ge=0)
    pitch_mm: tuple[float, float] | None = None  # from one sticker to the next, across and down


class Settings(SettingsTable):
    """What may be set, in code, in stepleaf.toml or by an option; frozen. ``load_settings`` reads a file.

    ``scale`` is the factor by which the model is printed larger. Lengths in the sections are mm, forces N.
    Raises pydantic.ValidationError, which names every wrong value; load_settings raises WrongSettings.
    """

    title: Said | None = None
    scale: Factor = 1.0
    paper: Literal["a4", "letter", "a5"] = "a4"
    reader: Literal["child", "helper", "adult"] = "helper"
    language: str = "en"
    material: Literal["pla", "petg", "abs", "asa", "tpu", "nylon"] = "pla"
    adhesive: str | None = None
    aim: Aim = "one-piece"  # what the glue must achieve
    pictures: Literal["gl", "rays"] | None = None
    mono: bool = False
    fold: bool = False  # impose for folding and stapling: pages half the paper, two a side
    steps_per_sheet: int = Field(4, ge=1, le=4)  # at most; small steps share a sheet, two in a child's
    stickers: str | None = None  # sheet of stickers for labels, "70x37"; see booklet/labels.py
    sticker_sheet: StickerSettings | None = None  # one that has no name there
    anyway: bool = False
    set_corners: bool = True  # corners of what looks scanned are set on its surfaces; false: meshes as read
    refit: Refitted = None  # the parts as they will be printed: studs moved to this fit, or by so many mm
    child_years: int = Field(8, ge=3, le=15)  # how old a child that builds is: what it can press home
    printer: PrinterSettings = PrinterSettings()
    fit: FitSettings = FitSettings()
    order: OrderSettings = OrderSettings()
    glue: GlueSettings = GlueSettings()
    limits: Limits = Limits()  # how much is read at all


#: Nothing set: as the README says.
USUAL = Settings()


def load_settings(path: Path | None = None, *, found: bool = False, **options: Any) -> Settings:
    """Settings from a TOML file (if given) with command-line options on top; None options are skipped.

    ``found``: nobody named the file, it lay beside the model, so it may raise no limit. Options of ``limits``
    join those of the file. Raises WrongSettings with every fault of the file and the options.
    """
    values: dict[str, Any] = {} if path is None else read_toml(path, WrongSettings)[1]
    own = values.get("limits", {})
    if found and isinstance(own, dict) and (raised := raised_by(own)):
        raise WrongSettings(
            f"{path}: raises limits ({', '.join(raised)}), which a file beside a model may not, since it may "
            f"be anybody's. If it is yours, name it with --settings, or type --limit {raised[0]}=NUMBER."
        )
    options = {key: value for key, value in options.items() if value is not None}
    if isinstance(own, dict) and "limits" in options:
        options["limits"] = own | options["limits"]
    values.update(options)
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise WrongSettings("; ".join(_fault(fault, path, options) for fault in error.errors())) from error


def _fault(fault: Any, path: Path | None, options: dict[str, Any]) -> str:
    """Where a wrong value stands, the option or the file's line, what it is, and what would be right."""
    at = place_of(fault).split(".")
    if at[:1] == ["limits"] and options.get("limits"):
        where = f"--limit {at[-1]}"
    elif at and options.get(at[0]) is not None:
        where = f"--{at[0]}"
    else:
        where = (f"{path.name}: " if path is not None else "") + ".".join(at)
    if fault["type"] == "extra_forbidden":
        return f"{where}: there is no such setting; here stand {', '.join(_known(at[:-1]))}"
    if fault["type"] == "value_error":
        return f"{where}: {fault['ctx']['error']}"
    if fault["type"] == "model_type":
        return f"{where}: is {shown(fault['input'])}; must be a table, [{'.'.join(at)}]"
    return f"{where}: is {shown(fault['input'])}; {what_is_wrong(fault)}"


def _known(at: list[str]) -> list[str]:
    """The settings of the section at a path."""
    section: Any = Settings
    for name in at:
        field = section.model_fields.get(name) if hasattr(section, "model_fields") else None
        if field is None:
            return []
        kinds = [field.annotation, *get_args(field.annotation)]
        section = next(
            (kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)), None
        )
    return list(section.model_fields) if section is not None else []
