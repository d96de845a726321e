"""A 3MF package without its colours, materials and pictures: its shapes stay readable where those are not."""

from __future__ import annotations

import re
from collections.abc import Iterator

from steps.intake.package import Package

#: Resources that carry properties of surfaces (3MF core 5.1, materials and properties extension).
_KINDS = rb"basematerials|colorgroup|texture2dgroup|texture2d|compositematerials|multiproperties"
_RESOURCE = re.compile(
    rb"<((?:\w+:)?(?:" + _KINDS + rb"))\b[^>]*?(?:/>|>.*?</\1\s*>)", re.DOTALL | re.IGNORECASE
)
_USER = re.compile(rb"<(?:\w+:)?(?:object|triangle)\s[^<>]*+>")
#: What may hold the beginnings of tags that are none.
_NO_TAGS = re.compile(rb"<!--.*?-->|<!\[CDATA\[.*?\]\]>|<\?(?!xml\s).*?\?>", re.DOTALL)
_PROPERTY = re.compile(rb"\s(?:pid|pindex|p1|p2|p3|thumbnail)\s*=\s*(?:\"[^\"]*\"|'[^']*')")


def uncoloured(package: Package) -> Package | None:
    """The package without them; None where it has none."""
    changed = False

    def plain(name: str, chunks: Iterator[bytes]) -> Iterator[bytes]:
        nonlocal changed
        if not name.lower().endswith(".model"):
            yield from chunks
            return
        data = b"".join(chunks)
        bare = _NO_TAGS.sub(b"", data)
        made = _USER.sub(lambda tag: _PROPERTY.sub(b"", tag.group()), _RESOURCE.sub(b"", bare))
        changed |= made != bare
        yield made

    without = package.rewritten(plain)
    return without if changed else None
