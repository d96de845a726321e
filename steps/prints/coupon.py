"""The fit card as files: cards and pieces to print before the model, and a one-page form for the outcome."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from steps.errors import FaultyModel
from steps.kept import Kept
from steps.model import Joints, Measures, Model, Problem
from steps.output import write_folder
from steps.prints.bed import bed_fit, too_large
from steps.prints.form import form_pdf
from steps.prints.ladder import LADDER_KINDS, Ladder, find_ladder
from steps.prints.solids import solid_files
from steps.settings import PrinterSettings, Settings

FORM = "fit card form.pdf"


@dataclass(frozen=True, eq=False)
class Coupon:
    """Every ladder that the model's joints allow, and what to know before printing."""

    ladders: tuple[Ladder, ...]
    problems: tuple[Problem, ...]


def make_coupon(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Coupon:
    """Ladders for stud, peg and ball joints at the model's scale.

    Raises FaultyModel when the model has none, or only open meshes carry them.
    """
    found = [find_ladder(model, measures, joints, kind, settings) for kind in LADDER_KINDS]
    ladders = tuple(ladder for ladder in found if ladder is not None)
    if not ladders:
        text = (
            "No fit card can be made: no stud, peg or ball joint between closed meshes was found in the "
            "placed model. `stepleaf inspect` shows the joints that were found."
        )
        raise FaultyModel([Problem("no-joint-for-card", "error", (), text)])
    return Coupon(ladders, tuple(_too_large(ladders, model.scale, settings.printer)))


def write_coupon(
    model: Model,
    measures: Measures,
    joints: Joints,
    folder: Path,
    settings: Settings,
    kept: Kept | None = None,
) -> Coupon:
    """Write cards, pieces to try and the form to ``folder``; with ``kept`` what is not ours there is spared.

    Raises FaultyModel and CannotWrite; then all files are as they were.
    """
    coupon = make_coupon(model, measures, joints, settings)
    files = _files(coupon, model, measures, settings)
    write_folder(folder, files, kept)
    return coupon


def _files(
    coupon: Coupon, model: Model, measures: Measures, settings: Settings
) -> Iterator[tuple[str, bytes]]:
    for ladder in coupon.ladders:
        for solid in (ladder.card, ladder.piece):
            yield from solid_files(solid)
    yield FORM, form_pdf(coupon.ladders, model, measures, settings)


def _too_large(ladders: tuple[Ladder, ...], scale: float, printer: PrinterSettings) -> Iterator[Problem]:
    for ladder in ladders:
        for solid in (ladder.card, ladder.piece):
            fit = bed_fit(solid.vertices, scale, printer)
            if not fit.fits:
                yield too_large(f"the {solid.name}", fit, printer)
