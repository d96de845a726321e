"""What stands at a path that is no ordinary file: said before anything is opened, since a pipe would be
waited for and a device read without end."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def no_file(path: Path) -> str:
    """Why there is nothing to read at a path, to follow its name in a sentence; empty where a file is."""
    try:
        mode = os.stat(path).st_mode
    except ValueError:
        return "is not a name that a file can have"
    except OSError as error:
        return _no_name(path, error)
    kind = next((words for is_kind, words in _KINDS if is_kind(mode)), "a thing of the system")
    return "" if stat.S_ISREG(mode) else f"is not an ordinary file but {kind}"


def _no_name(path: Path, error: OSError) -> str:
    if error.errno == errno.ELOOP:
        return "is a link that leads back to itself"
    if error.errno == errno.ENAMETOOLONG:
        return "is not a name that a file can have"
    if error.errno not in (errno.ENOENT, errno.ENOTDIR):
        return f"cannot be read ({error.strerror})"
    return "is a link to a file that is not there" if path.is_symlink() else "there is no such file"
