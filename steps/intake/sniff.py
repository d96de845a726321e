"""What a file is, judged by its content: the extension is only what somebody called it."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from steps.errors import UnknownFormat, UnreadableInput
from steps.letters import WIDE, decoded, unsteered
from steps.ordinary import no_file

#: How much of a file is looked at, bytes: enough for any header and the first lines of a text format.
HEAD_BYTES = 4096

#: What can be read: kind -> extensions it goes by.
READABLE = {
    "3MF": (".3mf",),
    "GLB": (".glb",),
    "glTF": (".gltf",),
    "OBJ": (".obj",),
    "STL": (".stl",),
    "STEP": (".step", ".stp"),
    "placement table": (".csv",),
    "build file": (".toml",),
}

#: First bytes of things that people hand in by mistake (their published signatures).
SIGNATURES = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"SQLite format 3", "a database"),
    (b"ply\n", "a PLY mesh"),
    (b"ply\r", "a PLY mesh"),
    (b"Kaydara FBX", "an FBX scene"),
    (b"BLENDER", "a 3-D editor's own file"),
    (b"<!DOCTYPE html", "a web page"),
    (b"<html", "a web page"),
    (b"<svg", "an SVG drawing"),
)

#: Text has no such bytes.
CONTROLS = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


#: Text has at most this share of control characters that strayed into it, and none of them is 0.
MOST_CONTROLS = 0.05
#: Letters of a path that are told.
LONGEST_PATH = 300


def check_file(path: Path) -> None:
    """Raises UnreadableInput when there is no file, it may not be read, or it is empty."""
    named = unsteered(str(path), steer="")
    if why := no_file(path):
        raise UnreadableInput(f"{named[:LONGEST_PATH]}: {why}. Check the name and the folder.")
    try:
        with path.open("rb") as stream:
            first = stream.read(1)
    except OSError as error:
        raise UnreadableInput(f"{named}: cannot be read ({error.strerror}).") from error
    if not first:
        raise UnreadableInput(
            f"{unsteered(path.name, steer='')}: is empty (0 bytes). Export the model again."
        )


def kind_of(path: Path) -> str:
    """The key in :data:`READABLE` that the file is by its content and its extension.

    Raises UnreadableInput as :func:`check_file` does, and UnknownFormat naming what the file is when
    it is none of these or goes by another type's extension.
    """
    check_file(path)
    found = kind_by_content(path)
    extension = path.suffix.lower()
    claimed = next((kind for kind, known in READABLE.items() if extension in known), None)
    if found in READABLE and (found == claimed):
        return found
    if found in READABLE:
        raise UnknownFormat(
            f"{path.name}: by its content this is a {found} file, not what its name says. Rename it to end "
            f"in {READABLE[found][0]}, or hand in the file you meant."
        )
    if claimed is None:
        raise UnknownFormat(f"{path.name}: this is {found}, not a model. {_what_to_hand_in()}")
    article = "an" if claimed.startswith("O") else "a"
    raise UnknownFormat(
        f"{path.name}: this is {found}, not {article} {claimed}. It may be cut short or misnamed; export the "
        f"model again. {_what_to_hand_in()}"
    )


def kind_by_content(path: Path) -> str:
    """A key of :data:`READABLE`, else words for what the file looks like."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    if head[:4] == b"glTF":
        return "GLB"
    if head[:2] == b"PK":
        return _kind_of_zip(path)
    for signature, words in SIGNATURES:
        if head.startswith(signature):
            return words
    if _is_binary_stl(head, path.stat().st_size):
        return "STL"
    if head.startswith(WIDE):
        kind = _kind_of_text(decoded(head).encode(), path)
        return kind if kind == "placement table" else "text in UTF-16"
    strays = list(CONTROLS.finditer(head))
    if not strays:
        return _kind_of_text(head, path)
    if path.suffix.lower() == ".stl" and len(head) >= 84:
        return "STL"
    if b"\0" in head or len(strays) > MOST_CONTROLS * len(head):
        return "binary data of an unknown type"
    line = head.count(b"\n", 0, strays[0].start()) + 1
    return f"text with control characters (the first in line {line}, code {strays[0][0][0]})"


def _what_to_hand_in() -> str:
    return "Hand in 3MF, GLB or glTF, OBJ, STEP, STL, or a CSV of placements or its folder."


def _kind_of_zip(path: Path) -> str:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        # left to the 3MF reader, which says what is broken
        return "3MF" if path.suffix.lower() == ".3mf" else "a broken ZIP archive"
    if any(name.lower().endswith(".model") for name in names):
        return "3MF"
    if any(name.startswith(("word/", "xl/", "ppt/")) for name in names):
        return "an office document"
    if "[Content_Types].xml" in names and path.suffix.lower() == ".3mf":
        return "3MF"
    return "a ZIP archive without a model in it"


def _is_binary_stl(head: bytes, size: int) -> bool:
    if len(head) < 84:
        return False
    return size == 84 + 50 * int.from_bytes(head[80:84], "little")


def _kind_of_text(head: bytes, path: Path) -> str:
    text = head.decode("utf-8-sig", errors="replace").lstrip()
    lowered = text[:200].lower()
    if lowered.startswith("iso-10303-21"):
        return "STEP"
    if lowered.startswith("{"):
        return "glTF" if '"asset"' in text or path.suffix.lower() == ".gltf" else "JSON text"
    if lowered.startswith("solid") and (path.suffix.lower() == ".stl" or "facet" in text.lower()):
        return "STL"
    if lowered.startswith("<?xml") or lowered.startswith("<"):
        return "an SVG drawing" if "<svg" in text.lower() else "XML text"
    if path.suffix.lower() == ".toml":
        return "build file"
    first_line = text.splitlines()[0].lower() if text else ""
    if path.suffix.lower() == ".csv" or re.match(r"\W*id\W+file\W", first_line):
        return "placement table"
    if re.search(r"^(v|vn|vt|f|o|g|mtllib|usemtl)\s", text, re.MULTILINE):
        return "OBJ"
    if path.suffix.lower() == ".obj" and text.startswith("#"):
        return "OBJ"
    return "text of an unknown type"
