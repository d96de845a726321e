"""Which shapes are larger than the printer's bed, told without laying out the rest."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from steps.model import Measure, Measures, Model, Problem, Shape
from steps.prints.bed import BedFit, bed_fit, too_large
from steps.prints.items import has_body, print_lie
from steps.prints.labels import label_of
from steps.settings import Settings


def too_large_problems(model: Model, measures: Measures, settings: Settings) -> tuple[Problem, ...]:
    """A warning for each shape that does not fit the bed as its print lies, as the print files have it."""
    found = []
    for shape, fit in doubtful_fits(model, measures, settings):
        if not fit.fits:
            name = f"{label_of(shape.id)} {measures.by_shape[shape.id].name}"
            parts = tuple(part.id for part in model.parts if part.shape == shape.id)
            found.append(too_large(name, fit, settings.printer, parts))
    return tuple(found)


def doubtful_fits(
    model: Model, measures: Measures, settings: Settings, by: float = 1.0
) -> Iterator[tuple[Shape, BedFit]]:
    """How each shape fits that, ``by`` times larger, does not fit however it lies: its longest way is no less
    than every side of the bed."""
    for shape in model.shapes:
        longest = by * float(np.linalg.norm(shape.size_mm))
        if longest >= min(settings.printer.bed_mm) and has_body(shape):
            yield shape, fit_of_shape(shape, measures.by_shape[shape.id], model.scale, settings)


def fit_of_shape(shape: Shape, measure: Measure, scale: float, settings: Settings) -> BedFit:
    """How a shape fits the bed, lying as its print does."""
    return bed_fit(shape.vertices @ print_lie(shape, measure, settings).turn.T, scale, settings.printer)
