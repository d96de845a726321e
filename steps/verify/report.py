"""What verifying found: one row per check, each with how much was looked at and what was wrong."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

#: Faults of one check that are spelt out; a wrong plan can have one per part.
FAULTS_SHOWN = 8


@dataclass(frozen=True)
class Fault:
    """One thing wrong. ``step`` is None where it concerns no single step."""

    text: str
    step: int | None = None
    parts: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.text if self.step is None else f"step {self.step}: {self.text}"


@dataclass
class Check:
    """One row of the table, filled while the plan is replayed."""

    name: str
    what: str  #: what was looked at: "moves", "steps"
    looked_at: int = 0
    faults: list[Fault] = field(default_factory=list)
    remark: str = ""
    skipped: bool = False  #: could not be done, because an earlier check failed
    doubts: list[Fault] = field(default_factory=list)  #: wrong where the plan itself says it is doubtful

    def fault(self, text: str, step: int | None = None, parts: Iterable[str] = ()) -> None:
        self.faults.append(Fault(text, step, tuple(parts)))

    def doubt(self, text: str, step: int | None = None, parts: Iterable[str] = ()) -> None:
        self.doubts.append(Fault(text, step, tuple(parts)))

    @property
    def ok(self) -> bool:
        return not self.faults and not self.skipped


@dataclass(frozen=True)
class Report:
    """All checks, in the order they were made."""

    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        return all(check.ok for check in self.checks)

    def __getitem__(self, name: str) -> Check:
        return next(check for check in self.checks if check.name == name)

    def faults_text(self) -> str:
        """Every check that failed, with its first faults, one a line."""
        lines = []
        for check in self.checks:
            lines += [f"- {check.name}: {fault}" for fault in check.faults[:FAULTS_SHOWN]]
            if len(check.faults) > FAULTS_SHOWN:
                lines.append(f"- {check.name}: and {len(check.faults) - FAULTS_SHOWN} more")
            if check.skipped:
                lines.append(f"- {check.name}: not checked, because of the faults above")
        return "\n".join(lines)

    @property
    def doubtful_steps(self) -> tuple[int, ...]:
        """Numbers of the steps in which something is wrong that the plan calls doubtful."""
        found = {doubt.step for check in self.checks for doubt in check.doubts if doubt.step is not None}
        return tuple(sorted(found))

    def doubts_text(self) -> str:
        """What is wrong in steps that the plan itself calls doubtful, one a line."""
        lines = [f"- {check.name}: {doubt}" for check in self.checks for doubt in check.doubts]
        more = len(lines) - FAULTS_SHOWN
        return "\n".join(lines[:FAULTS_SHOWN] + ([f"- and {more} more"] if more > 0 else []))

    def table(self) -> Table:
        """For the terminal."""
        from rich import box
        from rich.table import Table
        from rich.text import Text

        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        table.add_column("check", no_wrap=True)
        table.add_column("looked at", justify="right", no_wrap=True)
        table.add_column("outcome")
        for check in self.checks:
            if check.skipped:
                outcome = Text("not checked", style="yellow")
            elif check.faults:
                outcome = Text(f"{len(check.faults)} wrong", style="bold red")
            elif check.doubts:
                outcome = Text(f"{len(check.doubts)} doubtful, as the plan says", style="yellow")
            elif not check.looked_at:
                outcome = Text("nothing to check")
            else:
                outcome = Text("good", style="green")
            if check.remark:
                outcome.append(f"; {check.remark}", style="default")
            table.add_row(check.name, f"{check.looked_at} {check.what}", outcome)
        return table
