"""A 3MF package without its colours and materials: its shapes stay readable where those are refused."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path

#: Resources that carry properties of surfaces (3MF core 5.1, materials and properties extension).
_KINDS = rb"basematerials|colorgroup|texture2dgroup|texture2d|compositematerials|multiproperties"
_RESOURCE = re.compile(
    rb"<((?:\w+:)?(?:" + _KINDS + rb"))\b[^>]*?(?:/>|>.*?</\1\s*>)", re.DOTALL | re.IGNORECASE
)
_USER = re.compile(rb"<(?:\w+:)?(?:object|triangle)\s[^>]*>")
_PROPERTY = re.compile(rb"\s(?:pid|pindex|p1|p2|p3)\s*=\s*(?:\"[^\"]*\"|'[^']*')")


def uncoloured(path: Path) -> bytes | None:
    """The package without them, as bytes; None where it has none."""
    found, changed = io.BytesIO(), False
    with zipfile.ZipFile(path) as archive, zipfile.ZipFile(found, "w", zipfile.ZIP_STORED) as made:
        for entry in archive.infolist():
            data = archive.read(entry)
            if entry.filename.lower().endswith(".model"):
                plain = _USER.sub(lambda tag: _PROPERTY.sub(b"", tag.group()), _RESOURCE.sub(b"", data))
                changed |= plain != data
                data = plain
            made.writestr(entry.filename, data)
    return found.getvalue() if changed else None
