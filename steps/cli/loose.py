"""What is written for the maker to correct: the list of loose parts, the table of placed ones."""

from __future__ import annotations

import difflib
from pathlib import Path

from steps.cli.telling import message, result
from steps.errors import WrongSettings
from steps.letters import unsteered
from steps.limits import Limits
from steps.settings import Settings


def write_parts_list(folder: Path, limits: Limits, quiet: bool) -> None:
    """Write ``parts.csv`` as understood. Raises WrongSettings where the model is no folder of loose parts."""
    from steps.intake import BUILD_TOML, source_in
    from steps.intake.loose import as_the_names_say
    from steps.intake.parts_list import PARTS_CSV, list_text

    if not folder.is_dir() or source_in(folder) not in (folder, folder / BUILD_TOML):
        raise WrongSettings(f"--write-list: {folder} is no folder of loose parts, so its parts need no list.")
    path = folder / PARTS_CSV
    listed = list_text(as_the_names_say(folder, limits))
    try:
        listed.encode("utf-8")
    except UnicodeEncodeError as error:
        named = listed[listed.rfind("\n", 0, error.start) + 1 :].partition("\n")[0]
        raise WrongSettings(
            f"--write-list: {unsteered(named)}: the name of this file is no text, and no list can hold it. "
            "Rename the file, then write the list."
        ) from None
    then = f"Correct {path.name} where it is wrong: it outranks the names and files from now on."
    written_or_compared(path, listed, "the names and files", then, quiet)


def written_or_compared(path: Path, text: str, by: str, then: str, quiet: bool) -> None:
    """Write a file that a person is to correct, only where there is none, and say what comes
    ``then``; else say how it differs."""
    from steps.output import write_whole

    if not path.exists():
        write_whole(path, text)
        message(then, quiet)
        result(str(path))
        return
    theirs = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    lines = list(difflib.unified_diff(theirs, text.splitlines(), path.name, f"by {by}", lineterm="", n=0))
    if not lines:
        message(f"{path} is there already and says the same as {by}; nothing was written.", quiet)
        return
    message(f"{path} is there already and stays as it is. Where {by} say otherwise:", quiet)
    for line in lines:
        result(line)


def sheets_named(path: Path) -> Path:
    """The name for stud sheets, if it can be theirs. Raises WrongSettings for another ending."""
    if path.suffix.lower() != ".pdf":
        raise WrongSettings(f"--stud-sheets: {path}: the sheets are a PDF; choose a name that ends in .pdf.")
    return path


def write_stud_sheets(given: Path, path: Path, settings: Settings) -> None:
    """Write the PDF of all shapes with their seats numbered; beside a build file, which may be half written
    and wrong, those of the parts that lie there. Raises as reading them does."""
    from steps.features import measure
    from steps.intake import BUILD_TOML, origin_of, read_model, source_in
    from steps.intake.assemble import assemble
    from steps.intake.loose import read_loose
    from steps.output import write_whole
    from steps.place.sheets import stud_sheets

    source = source_in(given) if given.is_dir() else given
    if source.name == BUILD_TOML:
        folder = source.resolve().parent
        heap = read_loose(folder, settings.limits)
        read = (settings.scale, settings.limits, settings.set_corners)
        model = assemble(heap, origin_of(folder, folder.name), *read)
    else:
        model = read_model(given, settings)
    write_whole(path, stud_sheets(model, measure(model, settings), settings))
    result(str(path))
