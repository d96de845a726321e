"""A 3MF package without its pictures, or its colours and materials too: its shapes stay readable where those
are not."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from steps.intake.package import Package

#: Resources that carry properties of surfaces (3MF core 5.1, materials and properties extension).
_KINDS = rb"basematerials|colorgroup|texture2dgroup|texture2d|compositematerials|multiproperties"
_RESOURCE = re.compile(
    rb"<((?:\w+:)?(?:" + _KINDS + rb"))\b[^>]*?(?:/>|>.*?</\1\s*>)", re.DOTALL | re.IGNORECASE
)
_USER = re.compile(rb"<(?:\w+:)?(?:object|triangle)\s[^<>]*+>")
#: What may hold the beginnings of tags that are none.
_NO_TAGS = re.compile(rb"<!--.*?-->|<!\[CDATA\[.*?\]\]>|<\?(?!xml\s).*?\?>", re.DOTALL)
_VALUE = rb"\s*=\s*(?:\"[^\"]*\"|'[^']*')"
_PROPERTY = re.compile(rb"\s(?:pid|pindex|p1|p2|p3|thumbnail)" + _VALUE)
_PICTURE = re.compile(rb"\sthumbnail" + _VALUE)
#: That the package has a picture of itself, by the type of that relation (Open Packaging Conventions).
_SHOWN = re.compile(
    rb"<(?:\w+:)?Relationship\s(?=[^<>]*metadata/thumbnail[\"'])[^<>]*+>(?:\s*</(?:\w+:)?Relationship\s*>)?"
)


def unpictured(package: Package) -> Package | None:
    """The package without pictures of itself and of its objects; None where there are none."""
    return _rewritten(
        package,
        lambda bare: _SHOWN.sub(b"", _USER.sub(lambda tag: _PICTURE.sub(b"", tag.group()), bare)),
    )


def uncoloured(package: Package) -> Package | None:
    """The package without colours, materials and pictures; None where it has none."""
    return _rewritten(
        package,
        lambda bare: _SHOWN.sub(
            b"", _USER.sub(lambda tag: _PROPERTY.sub(b"", tag.group()), _RESOURCE.sub(b"", bare))
        ),
    )


def _rewritten(package: Package, leave_out: Callable[[bytes], bytes]) -> Package | None:
    """The package with its models (without what holds no tags) rewritten; None where nothing changes."""
    changed = False

    def plain(name: str, chunks: Iterator[bytes]) -> Iterator[bytes]:
        nonlocal changed
        if not name.lower().endswith((".model", ".rels")):
            yield from chunks
            return
        data = b"".join(chunks)
        bare = _NO_TAGS.sub(b"", data)
        made = leave_out(bare)
        changed |= made != bare
        yield made

    without = package.rewritten(plain)
    return without if changed else None
