"""One class per situation. The message says which part, what was measured against what limit, and
what to do next; the command line prints it and turns the class into an exit status.

Each class says for all of its messages what the cause is, what is seen and what to do: ``errors.md`` is made
of that (``python -m steps.errors_page`` writes it anew).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from steps.model import Array, Model, Problem


class StepleafError(Exception):
    """Base of every error that a user can cause and mend. ``exit_status`` is the command line's."""

    exit_status = 1
    cause: ClassVar[str] = ""
    seen: ClassVar[str] = ""
    then: ClassVar[str] = ""  #: what to do


class UnreadableInput(StepleafError):
    """The file cannot be read as a model, a plan or a table."""

    exit_status = 2
    cause = "The file is missing, empty, cut short, damaged, or contradicts itself or its format's standard."
    seen = "One line that names the file and the place in it, or what of the standard it does not keep."
    then = (
        "Check name and folder; copy the file or export it again. Try another format: 3MF is the best choice."
    )


class UnknownFormat(UnreadableInput):
    """The file's type is not one that can be read."""

    cause = (
        "By its content the file is something else: a picture, an archive, another kind of mesh, misnamed."
    )
    seen = "One line that says what the file is by its content, and which types are read."
    then = "Hand in the model itself, or give the file the ending of what it is."


class MissingExtra(UnreadableInput):
    """Reading this format needs an optional package that is not installed."""

    cause = "A STEP file was handed in, and the package that reads STEP is not installed."
    seen = "One line with the command that installs it."
    then = "Install it with `pip install 'stepleaf[step]'`, or export 3MF or GLB."


class BeyondLimit(UnreadableInput):
    """There is more in the file than is read of any."""

    cause = (
        "A file of more bytes, parts, triangles, corners, nesting or work than models have: a mistake or an "
        "attack."
    )
    seen = "One line with what was counted, the limit, and the option that raises it."
    then = (
        "If the file is yours and meant so, raise the limit with `--limit NAME=NUMBER` or in a file named "
        "with `--settings`; a `stepleaf.toml` found beside the model cannot. Else throw the file away."
    )


class WrongSettings(StepleafError):
    """An option or a line of stepleaf.toml is not usable; every fault is listed."""

    exit_status = 2
    cause = "An option, a setting, a wish or a name of an output is none, or does not go with the others."
    seen = "Every fault at once: the option or the file's setting, what it is, what it must be."
    then = "Change what is named; `--help` and the README list what there is."


class FaultyModel(StepleafError):
    """The model cannot be built as it is. All faults found are gathered in ``problems``; ``model`` is what
    they were found in, where it could be read, and ``up`` (3,) its way up."""

    cause = (
        "Parts stand in each other, hang on nothing, are of no number or size, or a line of a table is wrong."
    )
    seen = "Every fault with its parts or its line; pictures of the parts in question beside the output."
    then = "Move or mend the parts named. `stepleaf inspect` shows all that was measured; `--anyway` goes on."

    model: Model | None = None
    up: Array | None = None

    def __init__(self, problems: Sequence[Problem]):
        self.problems = tuple(problems)
        lines = [problem.text for problem in self.problems]
        super().__init__(lines[0] if len(lines) == 1 else "\n".join(f"- {line}" for line in lines))


class NotPlaced(FaultyModel):
    """Loose parts without placements: order and booklet need places."""

    cause = "The parts were handed in one by one, or laid out as on the plates of a printer."
    seen = "One line that says so; `inspect`, `prints` and the parts list work all the same."
    then = "Hand in the assembled model, a table of placements, or a `build.toml`."


class NoBuildableOrder(FaultyModel):
    """Some parts lock each other: no order of moves can put them together."""

    cause = "However the model is taken apart, some parts stay that can leave in no direction and in no turn."
    seen = "The parts that lock each other, and a picture of them beside the output."
    then = "Divide one of them, give it room, or see whether two parts stand in each other."


class CannotDraw(StepleafError):
    """A picture cannot be drawn: whatever draws it crashes, by rays and with OpenGL."""

    cause = (
        "The process that draws is ended by the system, mostly for want of memory, whichever source draws."
    )
    seen = "Which picture it is and how the process ended."
    then = "Close other programs and try again, or try with a smaller model; then report it with the model."


class PlanMismatch(StepleafError):
    """A plan does not replay to the model."""

    cause = "`verify` found a step that cannot be done as the plan says, or the plan is of another model."
    seen = "A table of what was checked, and each fault with its step and parts."
    then = "Make the plan anew from this model; if it fails again, report it with the model and the plan."


class CannotWrite(StepleafError):
    """An output could not be written; what stood there before is untouched."""

    exit_status = 2
    cause = (
        "The folder refuses, the disk is full, or a file is there that Stepleaf did not write or you changed."
    )
    seen = "Which file, and why; what stood there is as it was."
    then = "Choose another name with `-o`, make room, move the file away, or write over it with `--force`."


class MixedSet(StepleafError):
    """Booklet, stickers and plan that lie together are not of one run. The next run tells it as a warning."""

    cause = "A run was ended between its files, or one was made anew with another model, settings or version."
    seen = "Each file with the id of its run; `verify` has proved the plan, but not what the booklet shows."
    then = "Run `stepleaf booklet` again, with `--stickers` where there are some; throw away printed sheets."
