"""What was wrong with a mesh and was put right when it was read, in words."""

from __future__ import annotations

from steps.model import Mending, MendKind, Shape
from steps.wording import Phrase, phrase, phrase_n


def done(mending: Mending) -> tuple[Phrase, ...]:
    """A phrase for each kind of fault that was put right."""
    return tuple(_done(kind, n, mending.reach_mm) for kind, n in mending.found.items())


def left(shape: Shape) -> tuple[Phrase, ...]:
    """A phrase for each kind of doubt or fault that is left."""
    found = []
    counts = {
        what: sum(place.what == what for place in shape.mending.unsure) for what in ("face", "apart", "lost")
    }
    if n := counts["face"]:
        found.append(phrase_n("{n} wide hole closed by guess", "{n} wide holes closed by guess", n))
    if n := counts["apart"]:
        found.append(phrase_n("{n} piece touches nothing", "{n} pieces touch nothing", n))
    if n := counts["lost"]:
        found.append(phrase_n("{n} piece encloses nothing", "{n} pieces enclose nothing", n))
    if not shape.watertight:
        found.append(phrase("not watertight"))
    return tuple(found)


def _done(kind: MendKind, n: int, reach_mm: float) -> Phrase:
    reach = f"{reach_mm:.2g}"
    told: dict[MendKind, Phrase] = {
        "inside out": phrase("turned: it was inside out"),
        "corners joined": phrase_n(
            "{n} corner joined, up to {reach} mm apart",
            "{n} corners joined, up to {reach} mm apart",
            n,
            reach=reach,
        ),
        "corners set": phrase_n(
            "{n} corner of a scan set on its surface (noise of {reach} mm)",
            "{n} corners of a scan set on their surfaces (noise of {reach} mm)",
            n,
            reach=reach,
        ),
        "empty faces": phrase_n("{n} empty face dropped", "{n} empty faces dropped", n),
        "doubled faces": phrase_n("{n} doubled face dropped", "{n} doubled faces dropped", n),
        "sides split": phrase_n(
            "{n} side split where a corner lay on it", "{n} sides split where a corner lay on them", n
        ),
        "faces turned": phrase_n("{n} face turned outwards", "{n} faces turned outwards", n),
        "rims closed": phrase_n("{n} hole closed", "{n} holes closed", n),
        "faces within": phrase_n("{n} face within dropped", "{n} faces within dropped", n),
        "sheets": phrase_n("{n} loose sheet dropped", "{n} loose sheets dropped", n),
        "specks": phrase_n("{n} speck dropped", "{n} specks dropped", n),
        "shells united": phrase_n("{n} shell united with another", "{n} shells united with others", n),
        "shells crossing": phrase_n("{n} shell crossed itself", "{n} shells crossed themselves", n),
    }
    return told[kind]
