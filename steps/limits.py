"""How much is read at all: each limit a setting with its unit and its reason.

They may be raised on the command line (``--limit parts=500000``) and in a settings file that is named with
``--settings``; a ``stepleaf.toml`` found beside the model, which may be anybody's, can only lower them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from steps.errors import BeyondLimit, WrongSettings

#: Bytes of a file of settings or a build file: a thousand wishes in long words are a tenth of it.
#: No setting itself, since it guards the reading of settings.
SETTINGS_BYTES = 1024 * 1024


class Limits(BaseModel):
    """The most that is read of one model. What is beyond is refused by name, before it costs much."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    #: GiB of one file. A model of 5 million triangles is 0.25 as STL, 1 as text.
    file_gib: float = Field(2.0, gt=0)
    #: GiB of one package once unpacked. A 20,000-part 3MF is some 20 MB; this leaves a hundredfold.
    unpacked_gib: float = Field(2.0, gt=0)
    #: Unpacked over packed bytes. Mesh text packs 4 to 12 times, repeated items up to 50.
    unpacked_ratio: float = Field(150.0, gt=1)
    #: Files in one package, or meshes in one folder. One print to a file is a few hundred.
    files: int = Field(100_000, gt=0)
    #: Triangles of all distinct meshes together. The largest model that is promised to work has 5 million.
    triangles: int = Field(20_000_000, gt=0)
    #: Objects, materials and groups of colours of one 3MF package. Reading takes the square of them: five
    #: seconds at twenty thousand. The largest promised model has 20,000 parts, each an object at worst.
    resources: int = Field(25_000, gt=0)
    #: Corners of one face. Cutting it into triangles takes the square of them: two seconds at four thousand.
    corners: int = Field(4_096, ge=3)
    #: Placed copies. The largest model that is promised to work has 20,000; more is bad nesting or an attack.
    parts: int = Field(50_000, gt=0)
    #: Pairs of parts so near each other that they are looked at, some 200 bytes each; and ends of shells that
    #: may stand in other shells of a mesh. A wall has 14 a part, a cube 31: twice that for all parts that are
    #: read. Where each of three thousand parts stands in all others they are 4.5 million.
    pairs: int = Field(4_000_000, gt=0)
    #: Ways in which two parts lie near each other, each measured: some thousandths of a second. The largest
    #: model that is promised to work has 28,000.
    ways: int = Field(200_000, gt=0)
    #: Ways in which two parts stand in each other, each measured: a hundredth of a second. Models that were
    #: drawn to be looked at have some tens.
    overlaps: int = Field(250, gt=0)
    #: Gaps of one mesh that are closed, half a thousandth of a second each. Careless ones have a few hundred.
    gaps: int = Field(10_000, gt=0)
    #: Places where triangles of one mesh may cross each other, all looked at: seconds at a hundred thousand.
    #: A scan of 44,000 triangles that crosses itself has 12,000.
    crossings: int = Field(100_000, gt=0)
    #: Groups within groups. Assemblies of people go four or five deep, those of design programs ten.
    nesting: int = Field(64, gt=0)
    #: Letters of a name; longer ones are cut. File systems allow 255, a sheet has room for 40.
    name_letters: int = Field(200, ge=20)
    #: The farthest coordinate, in the file's unit: 100 m in micrometres, the finest unit there is.
    coordinate: float = Field(1e8, gt=0)
    #: Seconds of processor time that meshing a STEP file may take for each MiB of it that is begun: ten times
    #: what a thousand flat boxes took. Curved solids of a few lines can ask for any amount.
    meshing_s: float = Field(8.0, gt=0)
    #: GiB that meshing it may take: what the largest model that is promised may take.
    meshing_gib: float = Field(4.0, gt=0)
    #: MiB of a plan file. 10,000 parts need about 20.
    plan_mib: float = Field(1000.0, gt=0)


#: Nothing raised.
LIMITS = Limits()


def refuse_more(what: str, many: float, limit: str, limits: Limits) -> None:
    """Raises BeyondLimit where ``many`` is over the limit of that name; ``what`` is "m.stl: 7 faces"."""
    most = getattr(limits, limit)
    if many > most:
        raise BeyondLimit(
            f"{what}, at most {most:,} are read. Export less at once, or raise it: --limit "
            f"{limit}={_round(many)}."
        )


def _round(many: float) -> str:
    return f"{many:.0f}" if float(many).is_integer() else f"{many:.3g}"


def limits_given(given: Iterable[str]) -> dict[str, str]:
    """``parts=500000`` as typed -> a table of settings. Raises WrongSettings for what is no such word."""
    table = {}
    for each in given:
        name, equals, value = each.partition("=")
        if not equals or name not in Limits.model_fields:
            known = ", ".join(Limits.model_fields)
            raise WrongSettings(f"--limit {each}: write NAME=NUMBER; names are {known}.")
        table[name] = value
    return table


def raised_by(table: Mapping[str, Any]) -> list[str]:
    """Names of the limits that a table sets above the usual."""
    return [
        name
        for name, value in table.items()
        if isinstance(value, (int, float)) and name in Limits.model_fields and value > getattr(LIMITS, name)
    ]
