"""What each value of the data files rests on: a mark and a source of steps/data/sources.toml.

In a data file a cite is a string, "MARK key" or "MARK key: remark"; a value with several has a list.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

#: S seen in the source, A only its abstract, M from memory, C computed here, P our proposal.
Mark = Literal["S", "A", "M", "C", "P"]
MARKS: tuple[Mark, ...] = get_args(Mark)


@dataclass(frozen=True)
class Source:
    """A publication, or a description of what stands in for one (``said``: told in the reader's language)."""

    name: str
    year: int
    region: str
    said: bool = False


@dataclass(frozen=True)
class Cite:
    """One source of one value, how well it was seen, and what of it."""

    mark: Mark
    source: Source
    remark: str = ""


Cites = Mapping[str, tuple[Cite, ...]]


def data_file(name: str) -> dict[str, Any]:
    """A file of steps/data, parsed."""
    return tomllib.loads(files("steps").joinpath(f"data/{name}").read_text(encoding="utf-8"))


@cache
def sources() -> Mapping[str, Source]:
    """Every source by its key."""
    return {key: Source(**row) for key, row in data_file("sources.toml").items()}


def cite(text: str) -> Cite:
    """The cite that a data file writes. Raises ValueError for an unknown mark or source."""
    told = re.fullmatch(r"([A-Z]) ([a-z0-9-]+)(?:: (.+))?", text)
    if told is None or told[1] not in MARKS or told[2] not in sources():
        raise ValueError(f"{text!r} is no cite: a mark of {', '.join(MARKS)}, then a key of sources.toml")
    return Cite(told[1], sources()[told[2]], told[3] or "")  # type: ignore[arg-type]


def cites(value: str | list[str]) -> tuple[Cite, ...]:
    """One cite or several."""
    return tuple(cite(each) for each in ([value] if isinstance(value, str) else value))


def cites_of(row: Mapping[str, Any]) -> Cites:
    """The cites of a row, by the name of the value."""
    return {key: cites(value) for key, value in row.get("cites", {}).items()}
