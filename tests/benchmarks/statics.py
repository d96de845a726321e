"""Seconds that statics takes on walls of several sizes: run with ``python -m tests.benchmarks.statics``."""

from __future__ import annotations

import time

from rich.console import Console
from rich.table import Table

from steps.settings import Settings
from steps.statics import Contacts, Stand, Structure, balance
from tests.stacks import Cell, Stack, stack

SIZES = (100, 300, 1000)


def wall(parts: int, hold_per_stud: float = 1.0) -> Stack:
    """A wall in running bond of about so many parts."""
    courses = max(3, int(parts**0.5) // 3)
    long = max(2, parts // courses)
    cells = []
    for z in range(courses):
        if z % 2 == 0:
            cells += [Cell(4 * at, 0, z, 4, 2) for at in range(long)]
        else:
            cells += [Cell(0, 0, z, 2, 2), *(Cell(4 * at + 2, 0, z, 4, 2) for at in range(long - 1))]
            cells += [Cell(4 * long - 2, 0, z, 2, 2)]
    return stack(cells, hold_per_stud=hold_per_stud)


def measured(parts: int) -> list[str]:
    built = wall(parts)
    names = [part.id for part in built.model.parts]
    begun = time.perf_counter()
    structure = Structure.of(built.model, built.measures, built.joints, Settings())
    made = time.perf_counter()
    keeper = Stand.of(structure)
    for count in range(1, len(names) + 1):
        assert keeper.stands(names[:count]).ok
    grown = time.perf_counter()
    table, _ = structure.table_contacts(structure.part_rows(names), (0, 0, 1))
    assert balance(structure.bodies, Contacts.join([structure.contacts, table]), structure.bodies.weight()).ok
    solved = time.perf_counter()
    spans = (made - begun, grown - made, solved - grown)
    return [str(len(names)), str(len(built.joints.joints)), *(f"{span:.2f}" for span in spans)]


def main() -> None:
    table = Table("parts", "joints", "structure s", "every growing set s", "one whole programme s")
    for parts in SIZES:
        table.add_row(*measured(parts))
    Console().print(table)


if __name__ == "__main__":
    main()
