"""Pictures of faults, written beside what was asked for."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from steps.cli.telling import message
from steps.errors import CannotWrite, FaultyModel
from steps.kept import Kept
from steps.model import Array, Model, Problem
from steps.settings import Settings

if TYPE_CHECKING:
    from renderer.picture import Picture

#: Kinds of fault that get a picture; the first of them tell most.
MOST_PICTURES = 3
#: In the name of a picture of places that could not be mended with confidence: the kind of that warning.
UNSURE_MEND = "unsure-mend"
#: Parts that one picture makes strong: of more, none stands out.
MOST_STRONG = 500
#: Dots per inch of such a picture: 1,200 pixels wide.
DPI = 150.0


@contextmanager
def faults_pictured(target: Path, settings: Settings, quiet: bool) -> Iterator[None]:
    """If the model proves faulty, pictures of the named parts are written beside ``target`` and told of."""
    try:
        yield
    except FaultyModel as fault:
        if fault.model is not None and fault.up is not None:
            picture_faults(fault.model, fault.problems, fault.up, target, settings, quiet)
        raise


def picture_faults(
    model: Model, problems: Sequence[Problem], up: Array, target: Path, settings: Settings, quiet: bool
) -> list[Path]:
    """One picture for each kind of error that names parts, and for each shape that could not be mended with
    confidence, where no file is in its way; the paths."""
    from steps.draw.faults import MOST_RINGS, fault_picture, places_picture

    by_code: dict[str, list[str]] = {}
    for problem in problems:
        if problem.severity == "error" and problem.parts and model.placed:
            known = [part for part in problem.parts if part in model.part_by_id]
            by_code.setdefault(problem.code, []).extend(known)
    written = []
    for code, parts in list(by_code.items())[:MOST_PICTURES]:
        if parts:
            named = list(dict.fromkeys(parts))
            which = "parts" if len(named) <= MOST_STRONG else f"first {MOST_STRONG} of {len(named):,} parts"
            make = partial(fault_picture, model, named[:MOST_STRONG], settings, up)
            written += _beside(target, code, which, make, quiet)
    unsure = [shape for shape in model.shapes if shape.mending.unsure]
    for shape in unsure[:MOST_PICTURES]:
        places, make = len(shape.mending.unsure), partial(places_picture, shape, settings)
        which = f"{MOST_RINGS} widest of {places:,} " if places > MOST_RINGS else ""
        written += _beside(target, f"{UNSURE_MEND}-{shape.id}", f"{which}places of {shape.id}", make, quiet)
    return written


def _beside(target: Path, code: str, which: str, make: Callable[[], Picture], quiet: bool) -> list[Path]:
    """The path of a picture written beside ``target`` and told of; none where a file is in its way."""
    path = target.with_name(f"{_stem(target)}-{code}.png")
    kept = Kept()
    try:
        kept.allow([path])
    except CannotWrite as spared:
        message(f"no picture of the {which} in question: {spared}", quiet)
        return []
    _write(make(), path)
    kept.wrote([path])
    message(f"picture of the {which} in question: {path}", quiet)
    return [path]


def _stem(target: Path) -> str:
    return target.name.removesuffix(".plan.json") if target.name.endswith(".plan.json") else target.stem


def _write(picture: Picture, path: Path) -> None:
    from PIL import Image

    from renderer.flatten import flatten
    from steps.output import write_whole

    content = io.BytesIO()
    Image.fromarray(flatten(picture, DPI)).save(content, "PNG", optimize=True)
    write_whole(path, content.getvalue())
