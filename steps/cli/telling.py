"""What people see while it runs: the stage and a bar on standard error."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

from steps.letters import unsteered
from steps.model import Problem
from steps.pipeline import STAGES, each_once, gathered

if TYPE_CHECKING:
    from rich.console import RenderableType

#: Width of tables where standard output is not a terminal, so that their columns stay whole in a file.
FILE_COLUMNS = 120
#: Where standard error is no terminal: a dot at most so often (s), so many a line.
DOT_S, DOTS = 1.0, 40
#: On a terminal the bar is moved at most so often (s), however often it is told.
BAR_S = 0.05
#: Problems of one kind that are told each for itself after a plan is made.
TOLD_WHOLE = 3
SEVERITY_STYLE = {"error": "bold red", "warning": "yellow", "note": "dim"}


class Teller:
    """Shows "3 of 8 joints" and how far it is; call it as ``progress(stage, done, total)``.

    On a terminal a moving bar, elsewhere one line per stage with a dot for each second in which the work
    moved on, with ``quiet`` nothing at all.
    """

    def __init__(
        self,
        stages: Sequence[str] = STAGES,
        quiet: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ):
        self.stages, self.quiet, self.clock = tuple(stages), quiet, clock
        self._told: set[int] = set()
        self._dots, self._last = 0, 0.0  # on the line at hand, and when that or the bar last moved
        self._far = 0.0  # stages done
        self._title = ""  # what the bar says
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
        elif self._told:
            print(file=sys.stderr)

    def __call__(self, stage: str, done: int, total: int) -> None:
        if self.quiet or stage not in self.stages:
            return
        at = self.stages.index(stage)
        title = f"{at + 1} of {len(self.stages)} {stage}"
        if self._bar is None:
            self._line(at, title)
            return
        if total:
            self._far = max(self._far, at + done / total)  # a stage may go over its work several times
        now, fresh = self.clock(), title != self._title
        if fresh or now - self._last >= BAR_S:
            count = "" if total else f", {done:,}"
            self._bar.update(self._task, description=title + count, completed=self._far)
            self._title, self._last = title, now

    def _line(self, at: int, title: str) -> None:
        """The stage once, as stages may take turns, and dots as the work moves on."""
        now = self.clock()
        if at not in self._told:
            print("\n" * bool(self._told) + title, end="", flush=True, file=sys.stderr)
            self._told.add(at)
            self._dots, self._last = 0, now
        elif now - self._last >= DOT_S:
            if self._dots == DOTS:
                print("\n  ", end="", file=sys.stderr)
                self._dots = 0
            print(" ." if not self._dots else ".", end="", flush=True, file=sys.stderr)
            self._dots, self._last = self._dots + 1, now


def tell_problems(problems: Sequence[Problem], quiet: bool) -> None:
    """Warnings and notes on standard error, gravest first, each once."""
    if quiet or not problems:
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(stderr=True, soft_wrap=True)
    ranks = list(SEVERITY_STYLE)
    for problem in sorted(
        gathered(each_once(problems), TOLD_WHOLE), key=lambda found: ranks.index(found.severity)
    ):
        line = Text(f"{problem.severity}: ", style=SEVERITY_STYLE[problem.severity])
        console.print(line.append(problem.text, style="default"))


def message(text: str, quiet: bool) -> None:
    """One line for people, on standard error; none where there is nothing to say."""
    if text and not quiet:
        print(unsteered(text), file=sys.stderr)


def result(text: str) -> None:
    """One line of result, on standard output."""
    print(unsteered(text))


def show(blocks: Sequence[RenderableType]) -> None:
    """Tables and lines of result, on standard output; long lines are not broken outside tables."""
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = max(console.width, FILE_COLUMNS)
    for block in blocks:
        console.print(block, soft_wrap=isinstance(block, Text))
