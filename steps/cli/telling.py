"""What people see while it runs: the stage and a bar on standard error."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

from steps.model import Problem
from steps.pipeline import STAGES, each_once

if TYPE_CHECKING:
    from rich.console import RenderableType

#: What the drawing and layout stages call themselves -> the name that people see.
SEEN_AS = {"views": "pictures", "draw": "pictures", "lay out": "pages", "booklet": "pages"}
#: Width of tables where standard output is not a terminal, so that their columns stay whole in a file.
FILE_COLUMNS = 120
SEVERITY_STYLE = {"error": "bold red", "warning": "yellow", "note": "dim"}


class Teller:
    """Shows "3 of 7 joints" and a bar; call it as ``progress(stage, done, total)``.

    On a terminal a moving bar, elsewhere one plain line per stage, with ``quiet`` nothing at all.
    """

    def __init__(self, stages: Sequence[str] = STAGES, quiet: bool = False):
        self.stages = tuple(stages)
        self.quiet = quiet
        self._told: set[int] = set()
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Teller:
        if not self.quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self._bar = Progress(
                TextColumn("{task.description:<16}"),
                BarColumn(),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._task = self._bar.add_task("", total=len(self.stages))
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def __call__(self, stage: str, done: int, total: int) -> None:
        stage = SEEN_AS.get(stage, stage)
        if self.quiet or stage not in self.stages:
            return
        at = self.stages.index(stage)
        title = f"{at + 1} of {len(self.stages)} {stage}"
        if self._bar is not None:
            self._bar.update(self._task, description=title, completed=at + done / max(total, 1))
        elif at not in self._told:  # stages may take turns; each is named once
            print(title, file=sys.stderr)
        self._told.add(at)


def tell_problems(problems: Sequence[Problem], quiet: bool) -> None:
    """Warnings and notes on standard error, gravest first, each once."""
    if quiet or not problems:
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, soft_wrap=True)
    ranks = list(SEVERITY_STYLE)
    for problem in sorted(each_once(problems), key=lambda found: ranks.index(found.severity)):
        line = Text(f"{problem.severity}: ", style=SEVERITY_STYLE[problem.severity])
        console.print(line.append(problem.text, style="default"))


def message(text: str, quiet: bool) -> None:
    """One line for people, on standard error."""
    if not quiet:
        print(text, file=sys.stderr)


def result(text: str) -> None:
    """One line of result, on standard output."""
    print(text)


def show(blocks: Sequence[RenderableType]) -> None:
    """Tables and lines of result, on standard output; long lines are not broken outside tables."""
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = max(console.width, FILE_COLUMNS)
    for block in blocks:
        console.print(block, soft_wrap=isinstance(block, Text))
