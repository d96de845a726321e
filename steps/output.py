"""Files appear whole or not at all: written beside their place, then moved there in one go."""

from __future__ import annotations

import glob
import os
import platform
import secrets
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Protocol

from steps.errors import CannotWrite

SYNCED_AT_ONCE = 16  # threads that wait for the disk
#: In the names of this process's drafts only: it never reaches an output.
OWN_WORD = secrets.token_hex(4)


def may_write(path: Path) -> None:
    """Raises CannotWrite where ``path`` cannot become a file: to know before the work, not after it."""
    if path.is_dir():
        raise CannotWrite(f"{path}: cannot be written, a folder of that name is in the way.")
    there = next(folder for folder in path.absolute().parents if folder.exists())
    try:
        tempfile.TemporaryFile(dir=there).close()
    except OSError as error:
        raise _cannot_write(path, error) from error


def _cannot_write(path: Path, error: OSError) -> CannotWrite:
    return CannotWrite(f"{path}: cannot be written ({error.strerror or error}). Nothing was changed there.")


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A path to write to; it becomes ``path`` when the block ends well, and vanishes otherwise. The block is
    to write and nothing else: every OSError in it is told as one of writing.

    Folders on the way are made. Raises CannotWrite when the folder or file refuses, a full disk
    included; what stood at ``path`` before is then untouched.
    """
    if path.is_dir():
        raise CannotWrite(f"{path}: cannot be written, a folder of that name is in the way.")
    draft: Path | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _drop_abandoned(path.parent)
        # the suffix is kept: some writers choose the format by it
        handle, name = tempfile.mkstemp(prefix=_own_drafts(), suffix=path.suffix, dir=path.parent)
        os.close(handle)
        draft = Path(name)
        yield draft
        _settle(draft, path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        if draft is not None:
            with suppress(OSError):
                draft.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes | str) -> None:
    """Write ``content`` (text as UTF-8 with plain newlines) to ``path``, whole or not at all."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    with whole_file(path) as draft:
        draft.write_bytes(data)


class Witness(Protocol):
    """Who is asked about places before files are moved there, and told just before."""

    def allow(self, targets: Iterable[Path], /) -> None:
        """Refuses by raising."""

    def coming(self, drafts: Mapping[Path, Path], /) -> None:
        """Each place, and the whole file that is about to be moved there."""


def write_folder(
    folder: Path, files: Iterable[tuple[str, bytes]], watch: Witness | None = None
) -> tuple[str, ...]:
    """Write many files (path within ``folder``, content), all whole before the first is moved into place.

    Returns the paths written. Raises CannotWrite; a full disk, a folder that refuses or an interruption
    before all were written leaves everything as it was, and so does an error of whoever makes the contents,
    which passes as it is.
    """
    names: list[str] = []
    with ExitStack() as last:  # each is done, whatever signal comes in one before it
        if not folder.exists():
            last.callback(_drop_if_empty, folder)
        with _told_as_writing(folder):
            folder.mkdir(parents=True, exist_ok=True)
            _drop_abandoned(folder)
            drafts = Path(tempfile.mkdtemp(prefix=_own_drafts(), dir=folder))
        for _ in range(2):
            last.callback(shutil.rmtree, drafts, ignore_errors=True)
        for name, content in files:
            with _told_as_writing(folder / name):
                (drafts / str(len(names))).write_bytes(content)
            names.append(name)
        places = {folder / name: drafts / str(row) for row, name in enumerate(names)}
        if watch is not None:
            watch.allow(places)
        with _told_as_writing(folder):
            _make_way(list(places))
            # a disk puts many files down at once in little more time than one
            with ThreadPoolExecutor(SYNCED_AT_ONCE) as pool:
                list(pool.map(_force_to_disk, places.values()))
        if watch is not None:
            watch.coming(places)
        _move_all(folder, places)
    return tuple(names)


def _drop_if_empty(folder: Path) -> None:
    with suppress(OSError):
        folder.rmdir()  # only if nothing is in it


@contextmanager
def _told_as_writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _cannot_write(path, error) from error


def _move_all(folder: Path, places: Mapping[Path, Path]) -> None:
    """Move each draft into its place. Raises CannotWrite, with how many are new."""
    for moved, (place, draft) in enumerate(places.items()):
        try:
            os.replace(draft, place)
        except OSError as error:
            if not moved:
                raise _cannot_write(folder, error) from error
            reason = error.strerror or error
            raise CannotWrite(
                f"{folder}: cannot be written ({reason}). {moved} of {len(places)} files are new."
            ) from error


def _drafts() -> str:
    """How names of drafts made on this machine begin."""
    return f".draft-{platform.node()}-"


def _own_drafts() -> str:
    """How names of this process's drafts begin; a later process of the same number has another word."""
    return f"{_drafts()}{os.getpid()}-{OWN_WORD}-"


def _drop_abandoned(folder: Path) -> None:
    """Remove drafts whose process, of this machine, is gone."""
    for path in folder.glob(f"{glob.escape(_drafts())}*"):
        number, _, _ = path.name.removeprefix(_drafts()).partition("-")
        if not number.isdigit() or path.name.startswith(_own_drafts()):
            continue
        if int(number) == os.getpid() or not _runs(int(number)):
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path, ignore_errors=True)
            else:
                with suppress(OSError):
                    path.unlink()


def _runs(process: int) -> bool:
    """Whether there is a process of that number."""
    if os.name == "nt":
        return _runs_on_windows(process)
    try:
        os.kill(process, 0)  # signal 0 asks, and does nothing
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):  # it is someone else's; no number of a process
        return True
    return True


def _runs_on_windows(process: int) -> bool:
    """Asked of the kernel: os.kill would end it. A process that may not be asked counts as running."""
    import ctypes

    kernel = ctypes.windll.kernel32  # type: ignore[attr-defined]
    wait_for_it, not_there = 0x00100000, 87  # SYNCHRONIZE; ERROR_INVALID_PARAMETER
    handle = kernel.OpenProcess(wait_for_it, False, process)
    if not handle:
        return bool(kernel.GetLastError() != not_there)
    try:
        return bool(kernel.WaitForSingleObject(handle, 0) != 0)  # 0: it has ended
    finally:
        kernel.CloseHandle(handle)


def _make_way(places: list[Path]) -> None:
    """The folders that files go to. Raises CannotWrite where a folder stands in a file's place."""
    for place in places:
        place.parent.mkdir(parents=True, exist_ok=True)
        if place.is_dir():
            raise CannotWrite(f"{place}: cannot be written, a folder of that name is in the way.")


def _settle(draft: Path, path: Path) -> None:
    """Force the draft to disk, give it the rights of a new file, and move it into place."""
    _force_to_disk(draft)
    umask = os.umask(0)
    os.umask(umask)
    draft.chmod(0o666 & ~umask)  # mkstemp makes it private to the owner
    os.replace(draft, path)


def _force_to_disk(path: Path) -> None:
    with open(path, "rb+") as written:
        os.fsync(written.fileno())
