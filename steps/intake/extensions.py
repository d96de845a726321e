"""Extensions of 3MF that a package asks for: refused by their names where the shape is in them.

The namespaces are those of the 3MF consortium's published specifications.
"""

from __future__ import annotations

from pathlib import Path

from steps.errors import UnreadableInput
from steps.intake.census import Census
from steps.intake.names import printable

#: Words in a namespace -> what the extension is called; none of these is read here.
NOT_READ = {
    "beamlattice": "beam lattices",
    "slice": "slices",
    "volumetric": "volumetric data",
    "implicit": "volumetric data (implicit functions)",
    "booleanoperations": "boolean operations",
    "displacement": "displaced surfaces",
    "securecontent": "encrypted content",
    "alternatives": "alternatives to its objects",
}
#: The namespace of the core specification, by which a file says its version (core, 2.3): each has its own.
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
#: What is read, or changes no shape.
READ = ("/material/", "/production/2015/", "/trianglesets/", "/core/")


def called(space: str) -> str | None:
    """What the extension of a namespace is called where it is not read; None where it is."""
    if any(word in space for word in READ) and "alternatives" not in space:
        return None
    parts = space.lower().split("/")
    return next((words for name, words in NOT_READ.items() if name in parts), f"the extension {space[:80]!r}")


def check_required(path: Path, census: Census) -> None:
    """Raises UnreadableInput where the package requires what is not read here (3MF core, 3.4: such a file
    must not be processed), or names by a prefix what it does not declare."""
    for prefix in dict.fromkeys(census.required):
        if prefix not in census.spaces:
            raise UnreadableInput(
                f"{path.name}: requires an extension by the prefix {printable(prefix, 40)!r} and declares no "
                "namespace for it. Export it again."
            )
        words = called(census.spaces[prefix])
        if words is not None:
            raise UnreadableInput(
                f"{path.name}: requires {words}, a 3MF extension that is not read here. Export the parts as "
                "plain meshes."
            )
    if census.sketched:
        names = ", ".join(census.named(key) for key in census.sketched[:4])
        raise UnreadableInput(
            f"{path.name}: {names}: the shape is in slices, the mesh only a sketch of it (low resolution). "
            "Export the parts as plain meshes."
        )


def check_core(path: Path, census: Census) -> None:
    """Raises UnreadableInput where a model that could not be read is of another version of the format."""
    other = next((space for space in census.cores if space != CORE), None)
    if other is not None:
        said = f"the namespace {printable(other, 80)!r}" if other else "no namespace"
        raise UnreadableInput(
            f"{path.name}: its model is in {said}, and not in that of the 3MF core specification 1 ({CORE}): "
            "it is of another version of the format, or of none. Export it again."
        )
