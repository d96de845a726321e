"""Hands off: what was read and what Stepleaf did not write is never written over.

A small record of hashes lies beside the outputs; a file whose hash is in it is ours, an edited one theirs.
What is about to be moved into place is recorded first, so that a run which is ended half-way leaves nothing
that the next one takes for another's.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from steps.errors import CannotWrite
from steps.letters import decoded
from steps.output import write_whole

#: The record's name; one in each folder that is written to.
RECORD = ".stepleaf-written.json"
#: Files named in one line before "and more".
SHOWN = 4
#: What a model may be read with: mesh files, their buffers, materials and pictures, tables, settings.
READ_WITH = (".3mf", ".glb", ".gltf", ".bin", ".obj", ".mtl", ".stl", ".step", ".stp", ".csv", ".toml")


def files_read(model: Path, settings: Path | None = None) -> Mapping[Path, str]:
    """Every file that reading ``model`` may have read, and what it is: the model, the settings; of a folder,
    a table or a build file all that it can name; of a file with buffers or materials those beside it."""
    found = {model: "the model itself"} if model.is_file() else {}
    if settings is not None:
        found[settings] = "the settings file"
    folder = model if model.is_dir() else model.resolve().parent
    if model.is_dir() or model.suffix.lower() in (".csv", ".toml", ".gltf", ".obj"):
        with suppress(OSError):
            for path in sorted(folder.iterdir()):
                if path.suffix.lower() in READ_WITH:
                    found.setdefault(path, "read with the model")
    for table in [path for path in found if path.suffix.lower() == ".csv"]:
        for path in _named_in(table):
            found.setdefault(path, "read with the model")
    return {path: what for path, what in found.items() if os.path.isfile(path)}  # of a name of any length


def _named_in(table: Path) -> Iterator[Path]:
    """Files that the cells of a table name, wherever they are."""
    with suppress(OSError, csv.Error):
        text = decoded(table.read_bytes())
        separator = max(",;\t", key=text.split("\n", 1)[0].count)
        for row in csv.reader(io.StringIO(text), delimiter=separator):
            for cell in row:
                if Path(cell.strip()).suffix.lower() in READ_WITH:
                    yield table.parent / cell.strip().replace("\\", "/")


@dataclass
class Kept:
    """What one run may write, and what it wrote."""

    read: Mapping[Path, str] = field(default_factory=dict)
    force: bool = False
    ours: frozenset[str] = frozenset()  #: names that may be written: what they hold is kept
    before: dict[Path, str] = field(default_factory=dict)  #: hashes of the targets that stood there
    asked: list[Path] = field(default_factory=list)  #: every target that was allowed

    def allow(self, targets: Iterable[Path]) -> None:
        """Raises CannotWrite where a target was read (by whatever name), or is a file that Stepleaf did not
        write or that was changed since; the second ``force`` allows."""
        theirs = []
        for target in targets:
            self.asked.append(target)
            if not target.exists():
                continue
            for path, what in self.read.items():
                if target.name not in self.ours and target.samefile(path):
                    raise CannotWrite(f"{target} is {what}; choose another name with -o.")
            now = self.before[target] = _sum(target)
            if target.name not in self.ours and now not in recorded(target):
                theirs.append(target)
        if theirs and not self.force:
            it = "it" if len(theirs) == 1 else "them"
            raise CannotWrite(
                f"{_some([str(path) for path in theirs])}: not as Stepleaf left {it}, or not its own. Choose "
                f"another name with -o, move {it} away, or write over {it} with --force."
            )

    def is_ours(self, path: Path) -> bool:
        """Whether a file is as the record beside it has it."""
        return path.is_file() and _sum(path) in recorded(path)

    def coming(self, drafts: Mapping[Path, Path]) -> None:
        """Record what is about to be moved to each place, beside what stands there."""
        for folder, places in _by_folder(drafts):
            record = _read(folder)
            coming = {place.name: _sum(drafts[place]) for place in places}
            _write(folder, replace(record, coming={**record.coming, **coming}))

    def wrote(self, targets: Iterable[Path]) -> str:
        """Record what was written; in one line what changed since the last run, empty at the first."""
        written = [path for path in targets if path.is_file()]
        sums = {path: _sum(path) for path in written}
        for folder, places in _by_folder(written):
            known = {**_read(folder).files, **{path.name: sums[path] for path in places}}
            _write(folder, Record({name: sum_ for name, sum_ in known.items() if (folder / name).exists()}))
        return "".join(self._changes(sums))

    def _changes(self, sums: dict[Path, str]) -> Iterator[str]:
        known = [path for path in sums if path in self.before]
        if not known:
            return
        changed = [path.name for path in known if self.before[path] != sums[path]]
        new = [path.name for path in sums if path not in self.before]
        told = [f"{len(changed)} of {len(known)} files changed: {_some(changed)}"] if changed else []
        told += [f"{len(new)} new: {_some(new)}"] if new else []
        yield f"Since the last run {'; '.join(told)}." if told else "Nothing changed since the last run."


@dataclass(frozen=True)
class Record:
    """Hashes by name of a folder's files: as they were left, and as a run was about to leave them."""

    files: Mapping[str, str] = field(default_factory=dict)
    coming: Mapping[str, str] = field(default_factory=dict)


def recorded(path: Path) -> frozenset[str]:
    """The hashes that the record beside a file has for it."""
    record = _read(path.parent)
    return frozenset(known[path.name] for known in (record.files, record.coming) if path.name in known)


def _read(folder: Path) -> Record:
    try:
        found = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        known = (found.get(key, {}).items() for key in ("files", "coming"))
        return Record(*({str(name): str(sum_) for name, sum_ in each} for each in known))
    except (OSError, ValueError, AttributeError):
        return Record()


def _write(folder: Path, record: Record) -> None:
    content = {key: dict(sorted(known.items())) for key, known in asdict(record).items() if known}
    with suppress(CannotWrite):  # the outputs stand; without a record they are spared next time
        write_whole(folder / RECORD, json.dumps(content, indent=1) + "\n")


def _by_folder(paths: Iterable[Path]) -> Iterator[tuple[Path, list[Path]]]:
    folders: dict[Path, list[Path]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path)
    yield from folders.items()


def _sum(path: Path) -> str:
    if path.is_dir():
        return ""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more
