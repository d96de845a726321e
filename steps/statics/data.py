"""Friction of printed plastics, from steps/data/friction.toml."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

from steps.errors import WrongSettings


@cache
def _rows() -> dict[str, float]:
    text = files("steps").joinpath("data/friction.toml").read_text(encoding="utf-8")
    return {row["plastic"]: float(row["low"]) for row in tomllib.loads(text)["row"]}


def friction_of(plastic: str) -> float:
    """The low static friction of the plastic on itself.

    Raises WrongSettings, listing the known plastics, for an unknown one.
    """
    known = _rows()
    if plastic not in known:
        raise WrongSettings(f"material {plastic!r} is not known; known are {', '.join(sorted(known))}.")
    return known[plastic]
