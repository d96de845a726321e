"""Files appear whole or not at all: written beside their place, then moved there in one go."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from steps.errors import CannotWrite


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A path to write to; it becomes ``path`` when the block ends well, and vanishes otherwise.

    Folders on the way are made. Raises CannotWrite when the folder or file refuses, a full disk
    included; what stood at ``path`` before is then untouched.
    """
    if path.is_dir():
        raise CannotWrite(f"{path}: cannot be written, a folder of that name is in the way.")
    draft: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # the suffix is kept: some writers choose the format by it
        handle, name = tempfile.mkstemp(prefix=".draft-", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        draft = Path(name)
        yield draft
        _settle(draft, path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotWrite(f"{path}: cannot be written ({reason}). Nothing was changed there.") from error
    finally:
        if draft is not None:
            with suppress(OSError):
                draft.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write ``content`` (text as UTF-8 with plain newlines) to ``path``, whole or not at all."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    with whole_file(path) as draft:
        draft.write_bytes(data)


def _settle(draft: Path, path: Path) -> None:
    """Force the draft to disk, give it the rights of a new file, and move it into place."""
    with open(draft, "rb+") as written:
        os.fsync(written.fileno())
    umask = os.umask(0)
    os.umask(umask)
    draft.chmod(0o666 & ~umask)  # mkstemp makes it private to the owner
    os.replace(draft, path)
