"""Pictures of faults, written beside what was asked for."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from steps.cli.telling import message
from steps.errors import CannotWrite, FaultyModel
from steps.kept import Kept
from steps.model import Array, Model, Problem
from steps.settings import Settings

#: Kinds of fault that get a picture; the first of them tell most.
MOST_PICTURES = 3
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
    """One picture for each kind of error that names parts, where no file is in its way; the paths."""
    by_code: dict[str, list[str]] = {}
    for problem in problems:
        if problem.severity == "error" and problem.parts and model.placed:
            known = [part for part in problem.parts if part in model.part_by_id]
            by_code.setdefault(problem.code, []).extend(known)
    written = []
    for code, parts in list(by_code.items())[:MOST_PICTURES]:
        if parts:
            path = target.with_name(f"{_stem(target)}-{code}.png")
            kept = Kept()
            try:
                kept.allow([path])
            except CannotWrite as spared:
                message(f"no picture of the parts in question: {spared}", quiet)
                continue
            named = list(dict.fromkeys(parts))
            _write(model, named[:MOST_STRONG], up, path, settings)
            kept.wrote([path])
            which = "parts" if len(named) <= MOST_STRONG else f"first {MOST_STRONG} of {len(named):,} parts"
            message(f"picture of the {which} in question: {path}", quiet)
            written.append(path)
    return written


def _stem(target: Path) -> str:
    return target.name.removesuffix(".plan.json") if target.name.endswith(".plan.json") else target.stem


def _write(model: Model, parts: Sequence[str], up: Array, path: Path, settings: Settings) -> None:
    from PIL import Image

    from renderer.flatten import flatten
    from steps.draw.faults import fault_picture
    from steps.output import write_whole

    pixels = flatten(fault_picture(model, parts, settings, up), DPI)
    content = io.BytesIO()
    Image.fromarray(pixels).save(content, "PNG", optimize=True)
    write_whole(path, content.getvalue())
