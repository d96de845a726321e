"""``stepleaf place``: a build file checked and drawn, a whole written, a model turned into such a file."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from steps.cli.telling import message, result, tell_problems
from steps.errors import CannotWrite, FaultyModel, UnreadableInput, WrongSettings
from steps.kept import Kept
from steps.model import Model, Problem
from steps.output import write_whole
from steps.pipeline import Survey, errors_of
from steps.progress import Tell, stage
from steps.remembered import Memory, remembering
from steps.settings import Settings

if TYPE_CHECKING:
    from steps.place.build import Built

#: What a file that is still being written may show without being wrong.
GROWING = ("floating-part", "print-layout", "no-feature")
#: Dots per inch of the picture: 1,400 pixels wide.
DPI = 150.0
#: How hard the picture is packed: harder takes twice as long and spares nothing.
PACKED = 3
WHOLE = (".3mf", ".glb")
#: What was measured, kept beside the build file for the next run; written and spared as any output.
MEASURED = ".stepleaf-measured"


def build_file_of(given: Path) -> Path:
    """The build file that is named, or that lies in the folder named. Raises UnreadableInput without one."""
    from steps.intake import BUILD_TOML

    if not given.exists():
        raise UnreadableInput(f"{given}: there is no such file or folder. Check the name.")
    path = given / BUILD_TOML if given.is_dir() else given
    if path.name != BUILD_TOML or not path.is_file():
        raise UnreadableInput(
            f"{given}: there is no {BUILD_TOML}. Write one (stepleaf inspect FOLDER --stud-sheets "
            "studs.pdf shows the numbers), or turn a model into one: stepleaf place MODEL --write-table."
        )
    return path


def whole_named(build: Path, out: Path | None) -> tuple[Path, ...]:
    """The name for the whole, if one is given and can be its. Raises WrongSettings for another ending, and
    for the folder of the build file itself."""
    if out is None:
        return ()
    if out.suffix.lower() not in WHOLE:
        raise WrongSettings(
            f"{out}: the whole is written as {' or '.join(WHOLE)}; choose such a name with -o."
        )
    if out.absolute().parent == build.absolute().parent:
        raise WrongSettings(f"{out}: there it would be read as one more part; choose another folder with -o.")
    return (out,)


@dataclass(frozen=True, eq=False)
class Checked:
    """A build file, its model at 1x with its joints, and what of it does not seat."""

    path: Path
    built: Built
    found: Survey
    faults: tuple[Problem, ...]


def checked(path: Path, settings: Settings, progress: Tell) -> Checked:
    """Read a build file and measure whether what it sets seats. Raises as reading it does."""
    from steps.intake import origin_of
    from steps.intake.assemble import assemble
    from steps.place.build import read_build
    from steps.place.check import seated_survey, seating_problems

    with stage(progress, "read"):
        read = (settings.limits, settings.set_corners)
        built = read_build(path, *read)
        model = assemble(built.scene(), origin_of(path, built.title), 1.0, *read)
    found = seated_survey(model, settings, progress)
    return Checked(path, built, found, tuple(seating_problems(built, found)))


@contextmanager
def measured_before(build: Path) -> Iterator[None]:
    """What the last run measured beside a build file need not be measured again; what this one adds is kept
    for the next, also where it ends at a mistake in the file."""
    path, kept = build.with_name(MEASURED), Kept()
    ours = kept.is_ours(path)
    memory = Memory.of(path.read_bytes()) if ours else Memory()
    try:
        with remembering(memory):
            yield
    finally:
        if memory.grew and (ours or not path.exists()):
            with suppress(CannotWrite):  # the next run is slower, and no worse
                write_whole(path, memory.content())
                kept.wrote([path])


def draw_and_tell(made: Checked, out: Path | None, settings: Settings, quiet: bool) -> bool:
    """Draw it, write the whole if asked for, tell what is wrong and left. Whether it is right so far."""
    from steps.intake import build_wins, origin_of
    from steps.intake.assemble import assemble
    from steps.place.check import left_over_lines

    picture = made.path.with_suffix(".png")
    _write_picture(made.found, picture, settings)
    if out is not None:
        origin = origin_of(made.path, made.built.title)
        read = (settings.scale, settings.limits, settings.set_corners)
        whole = assemble(made.built.scene(), origin, *read)
        _write_whole(whole, out)
    softened = (_softened(problem, made.faults) for problem in made.found.problems)
    told = [*made.faults, *(problem for problem in softened if problem is not None), *build_wins(made.path)]
    tell_problems(told, quiet)
    message(f"{len(made.built.sets)} parts set; {_left(left_over_lines(made.built))}", quiet)
    for path in (picture, out):
        if path is not None:
            result(str(path))
    return not errors_of(told)


def _softened(problem: Problem, faults: Sequence[Problem]) -> Problem | None:
    """A problem of the joints as one of a file that is being written; None where a line's fault tells it."""
    if problem.code in GROWING and problem.severity == "error":
        return Problem(problem.code, "note", problem.parts, problem.text)
    told = {part for fault in faults for part in fault.parts}
    return None if problem.code in ("overlap", "same-place") and told & set(problem.parts) else problem


def _left(lines: Sequence[str]) -> str:
    return f"left over: {'; '.join(lines)}." if lines else "nothing is left over."


def _write_picture(found: Survey, path: Path, settings: Settings) -> None:
    import numpy as np
    from PIL import Image

    from renderer.flatten import flatten
    from steps.draw.build import two_sides

    content = io.BytesIO()
    sides = [flatten(side, DPI) for side in two_sides(found.model, settings, DPI)]
    Image.fromarray(np.hstack(sides)).save(content, "PNG", compress_level=PACKED)
    write_whole(path, content.getvalue())


def _write_whole(model: Model, out: Path) -> None:
    from steps.place.whole import whole_3mf, whole_glb

    write_whole(out, whole_3mf(model) if out.suffix.lower() == ".3mf" else whole_glb(model))


def write_table(given: Path, folder: Path, settings: Settings, force: bool, quiet: bool) -> None:
    """Turn a placed model into a build file and its print files, in ``folder``; what is there stays.

    Raises FaultyModel for loose parts, and CannotWrite where another mesh has the name of a print, unless
    ``force``: the build file would stand for others than the model's.
    """
    from steps.cli.loose import written_or_compared
    from steps.intake import BUILD_TOML, read_model
    from steps.pipeline import loose_parts
    from steps.place.table import build_table

    asked = Settings(limits=settings.limits, set_corners=settings.set_corners)
    model = read_model(given, asked)
    if not model.placed:
        raise FaultyModel([loose_parts(model, "so there are no places to write down")])
    written = build_table(model)
    new = {folder / name: content for name, content in written.files.items()}
    new = {path: mesh for path, mesh in new.items() if not path.exists() or path.read_bytes() != mesh}
    kept = Kept(force=force)
    kept.allow(new)
    for path, content in new.items():
        write_whole(path, content)
    kept.wrote(new)
    message(f"{written.in_stud_terms} parts in stud terms, {written.by_coordinates} by coordinates.", quiet)
    then = f"Change it as you like; `stepleaf place {folder}` checks and draws it."
    written_or_compared(folder / BUILD_TOML, written.text, "the model", then, quiet)
