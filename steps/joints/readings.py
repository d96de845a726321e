"""Readings that no print of the model could have given, each with the slip that is likely behind it."""

from __future__ import annotations

from collections.abc import Iterator
from math import isclose, pi
from statistics import median

import numpy as np

from steps.card import N_PER_KG
from steps.materials import material
from steps.model import Measures, Model, Problem
from steps.settings import Settings

#: A printed stud differs from the file's by less than this share.
MISREAD_SHARE = 0.15
#: A reading is a slip of a factor when it is that factor off, within this share.
SLIP_SHARE = 0.12
SLIPS = (
    (0.5, "Was a radius read?"),
    (2.0, "Were two studs read?"),
    (0.1, "Were centimetres written?"),
    (10.0, "Is the decimal point where it belongs?"),
    (1 / 25.4, "Were inches written?"),
)


def misread(model: Model, measures: Measures, settings: Settings) -> tuple[Problem, ...]:
    """Warnings ``calliper-reading`` where a stud was measured on a print of another size, and
    ``pull-reading`` where a stud or peg would have torn off before."""
    return (*_by_calliper(model, measures, settings), *_pulls(measures, settings))


def slip_of(read: float, meant: float, scale: float = 1.0) -> str:
    """What was likely done wrong where ``read`` was to be about ``meant``; empty where nothing is likely."""
    own_size = ((1 / scale, "Was it read on a print at 1x?"),) if scale != 1 else ()
    for factor, told in (*own_size, *SLIPS):
        if isclose(read, factor * meant, rel_tol=SLIP_SHARE):
            return f" {told}"
    return ""


def _by_calliper(model: Model, measures: Measures, settings: Settings) -> Iterator[Problem]:
    read = settings.fit.stud_diameter_mm
    studs = [2 * stud.radius_mm for measure in measures.by_shape.values() for stud in measure.studs]
    if read is None or not studs or any(abs(read - own) <= MISREAD_SHARE * own for own in studs):
        return
    own = float(np.median(studs))
    text = (
        f"The settings give studs of {read:.2f} mm by calliper, but at {model.scale:g}x this model's studs "
        f"are {own:.2f} mm in the file.{slip_of(read, own, model.scale)} Measure a stud and a socket of a "
        "print at this scale, or take the readings out."
    )
    yield Problem("calliper-reading", "warning", (), text)


def _pulls(measures: Measures, settings: Settings) -> Iterator[Problem]:
    """Pulls beyond what the widest stud or peg bears when it is solid and pulled along its layers: far more
    than any printed one does."""
    fit, tensile = settings.fit, material(settings.material).tensile_mpa
    for kind, card in (("stud", fit.stud_card), ("peg", fit.peg_card)):
        found = [each for one in measures.by_shape.values() for each in one.features if each.kind == kind]
        if not found:
            continue
        radius = max(each.radius_mm for each in found)
        bears = tensile * pi * radius**2
        pulls = {} if card is None else card.pulls_kg
        read = [(N_PER_KG * median(peaks), f"{kind}_card.pulls_kg", "newtons") for peaks in pulls.values()]
        if kind == "stud" and fit.pull_off_n is not None:
            read.append((fit.pull_off_n, "pull_off_n", "grams"))
        newtons, name, slip = max(read, default=(0.0, "", ""))
        if newtons > bears:
            text = (
                f"fit.{name}: a pull of {newtons:.0f} N, and a {kind} of {2 * radius:.1f} mm tears off at "
                f"{bears:.0f} N at the latest. Were {slip} written, or several pulled at once? Pull one, or "
                "take the figure out."
            )
            yield Problem("pull-reading", "warning", (), text)
