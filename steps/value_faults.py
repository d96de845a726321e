"""Faults of values that a file or an option holds, in words that need no programming."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from steps.letters import unsteered

#: Letters shown of a wrong value.
SHOWN = 60
#: What pydantic's kinds of fault are called here; the others say it well enough in their own words.
_WORDS = {
    "missing": "is missing",
    "tuple_type": "must be a list",
    "list_type": "must be a list",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "string_type": "must be a text",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "int_from_float": "must be a whole number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_parsing_size": "must be a whole number, and not so long",
    "float_parsing": "must be a valid number",
    "float_type": "must be a valid number",
    "too_long": "holds too much",
    "too_short": "holds too little",
    "none_required": "must be null",
    "string_pattern_mismatch": "is not of its form",
    "json_invalid": "is no JSON",
}


def what_is_wrong(fault: Mapping[str, Any]) -> str:
    """A fault of pydantic's as the end of a sentence: "must be greater than 0"."""
    words = _WORDS.get(fault["type"])
    said = str(fault["msg"]).replace("Input should be", "must be")
    return words or said.replace("String should have", "must have")


def place_of(fault: Mapping[str, Any]) -> str:
    """Where a fault stands, as "steps.1.move", on one line: without the kinds that were tried there, which
    only pydantic names."""
    named = (str(at) for at in fault["loc"] if not (isinstance(at, str) and "[" in at))
    return unsteered(".".join(named), steer="")


def shown(value: Any) -> str:
    """A wrong value as it stands in a file, cut where it is long."""
    if isinstance(value, (str, int, float)) and not isinstance(value, bool):
        text = repr(value) if not isinstance(value, str) else repr(value[: 2 * SHOWN])
    else:
        text = json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= SHOWN else f"{text[: SHOWN - 1]}…"
