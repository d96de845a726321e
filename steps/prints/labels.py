"""Labels and file names of prints, safe on every file system."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from steps.intake.said import labelled
from steps.model import Part
from steps.wording import Wording

#: Longest name part and longest colour, in characters: with label, count and folder every system's limit
#: of 255 bytes a name, and the usual 260 characters a path, stay far off.
LONGEST_NAME, LONGEST_COLOUR = 60, 30


def label_of(shape_id: str) -> str:
    """ "S7" -> "S07", so that files sort as the parts list does."""
    match = re.fullmatch(r"([A-Za-z]+)(\d+)", shape_id)
    return f"{match[1]}{int(match[2]):02d}" if match else plain(shape_id, LONGEST_NAME)


def stem_of(shape_id: str, name: Wording | str, colour: Wording | str, count: int) -> str:
    """ "S07 block-2x4 slate-blue 12-off"."""
    return " ".join(
        (label_of(shape_id), plain(name, LONGEST_NAME), plain(colour, LONGEST_COLOUR), f"{count}-off")
    )


def plain(text: Wording | str, longest: int) -> str:
    """Lower-case ASCII letters, digits and hyphens; "part" when nothing of the text is left.

    Accents are dropped, "2 x 4" closes up, all else becomes a hyphen. The label before it keeps names apart
    that become alike, and keeps reserved names from standing alone.
    """
    ascii_only = unicodedata.normalize("NFKD", str(text)).encode("ascii", "ignore").decode().lower()
    closed = re.sub(r"(?<=\d) x (?=\d)", "x", ascii_only)
    return re.sub(r"[^a-z0-9.]+", "-", closed).strip("-.")[:longest].strip("-.") or "part"


def called_by_maker(parts: Iterable[Part], own: str) -> str:
    """What the maker calls a print, where all its ``parts`` are called so; empty where that is our ``own``
    name for it, or a name with a label of ours, which is from our files."""
    names = {part.called for part in parts}
    name = names.pop() if len(names) == 1 else ""
    is_ours = plain(name, LONGEST_NAME) == plain(own, LONGEST_NAME) or labelled(name)
    return "" if is_ours else name
