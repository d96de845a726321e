"""One class per situation. The message says which part, what was measured against what limit, and
what to do next; the command line prints it and turns the class into an exit status."""

from __future__ import annotations

from collections.abc import Sequence

from steps.model import Model, Problem


class StepleafError(Exception):
    """Base of every error that a user can cause and mend. ``exit_status`` is the command line's."""

    exit_status = 1


class UnreadableInput(StepleafError):
    """The file cannot be read as a model: missing, empty, truncated, of another type, hostile."""

    exit_status = 2


class UnknownFormat(UnreadableInput):
    """The file's type is not one that can be read."""


class MissingExtra(UnreadableInput):
    """Reading this format needs an optional package that is not installed."""


class WrongSettings(StepleafError):
    """An option or a line of stepleaf.toml is not usable; every fault is listed."""

    exit_status = 2


class FaultyModel(StepleafError):
    """The model cannot be built as it is. All faults found are gathered in ``problems``; ``model`` is what
    they were found in, where it could be read."""

    model: Model | None = None

    def __init__(self, problems: Sequence[Problem]):
        self.problems = tuple(problems)
        lines = [problem.text for problem in self.problems]
        super().__init__(lines[0] if len(lines) == 1 else "\n".join(f"- {line}" for line in lines))


class NotPlaced(FaultyModel):
    """Loose parts without placements: order and booklet need places."""


class NoBuildableOrder(FaultyModel):
    """Some parts lock each other: no order of straight moves can put them together."""


class CannotDraw(StepleafError):
    """A picture cannot be drawn: whatever draws it crashes, by rays and with OpenGL."""


class PlanMismatch(StepleafError):
    """A plan does not replay to the model."""


class CannotWrite(StepleafError):
    """An output could not be written; what stood there before is untouched."""

    exit_status = 2
