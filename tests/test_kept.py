"""Hands off: what was read, and what Stepleaf did not write or was edited since, is spared."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from steps.errors import CannotWrite
from steps.kept import RECORD, Kept, files_read, recorded
from steps.output import write_folder


def once(folder: Path, text: str = "first") -> Path:
    """A target that one run has written."""
    target = folder / "out.txt"
    kept = Kept()
    kept.allow([target])
    target.write_text(text)
    assert kept.wrote([target]) == ""
    return target


def test_what_stepleaf_wrote_may_be_written_again_and_the_change_is_told(tmp_path: Path) -> None:
    target = once(tmp_path)
    again = Kept()
    again.allow([target, tmp_path / "new.txt"])
    assert again.wrote([target]) == "Nothing changed since the last run."
    later = Kept()
    later.allow([target, tmp_path / "new.txt"])
    target.write_text("second")
    (tmp_path / "new.txt").write_text("n")
    told = later.wrote([target, tmp_path / "new.txt"])
    assert told == "Since the last run 1 of 1 files changed: out.txt; 1 new: new.txt."


def test_an_edited_file_and_one_of_another_are_spared_unless_forced(tmp_path: Path) -> None:
    target, other = once(tmp_path), tmp_path / "theirs.txt"
    target.write_text("edited by hand")
    other.write_text("theirs")
    for path in (target, other):
        with pytest.raises(CannotWrite, match=rf"{path.name}: not as Stepleaf left it.*--force"):
            Kept().allow([path])
    with pytest.raises(CannotWrite, match=r"out.txt, .*theirs.txt: not as Stepleaf left them"):
        Kept().allow([target, other])
    Kept(force=True).allow([target, other])
    Kept(ours=frozenset(["out.txt"])).allow([target])


def test_without_its_record_nothing_is_ours(tmp_path: Path) -> None:
    target = once(tmp_path)
    for content in ("", "[]", '{"files": 3}'):
        (tmp_path / RECORD).write_text(content)
        assert not recorded(target)
        with pytest.raises(CannotWrite):
            Kept().allow([target])


def test_what_was_read_is_spared_by_identity_even_when_forced(tmp_path: Path) -> None:
    (tmp_path / "model").mkdir()
    table, mesh = tmp_path / "model" / "build.toml", tmp_path / "model" / "a.stl"
    for path in (table, mesh, tmp_path / "set.toml"):
        path.write_text("x")
    os.link(mesh, tmp_path / "link.pdf")
    read = files_read(table, tmp_path / "set.toml")
    assert read[table] == "the model itself" and read[tmp_path / "set.toml"] == "the settings file"
    with pytest.raises(CannotWrite, match=r"link.pdf is read with the model"):
        Kept(read, force=True).allow([tmp_path / "link.pdf"])
    table.with_name("placements.csv").write_text("id,file\na,../far/b.stl\n")
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "b.stl").write_text("x")
    named = files_read(table.with_name("placements.csv"))
    assert any(path.samefile(tmp_path / "far" / "b.stl") for path in named)
    with pytest.raises(CannotWrite, match="is the model itself"):
        Kept(read, force=True).allow([table])


def test_a_table_that_names_what_no_file_can_be_called_reads_nothing_by_that_name(tmp_path: Path) -> None:
    table = tmp_path / "placements.csv"
    table.write_text(f"id,file\na,{'n' * 5000}.stl\nb,nul\0.stl\n")
    assert set(files_read(table)) == {table}


def test_files_that_are_gone_leave_the_record(tmp_path: Path) -> None:
    target = once(tmp_path)
    target.unlink()
    (tmp_path / "b.txt").write_text("b")
    Kept().wrote([tmp_path / "b.txt"])
    assert not recorded(target) and recorded(tmp_path / "b.txt")


def test_a_run_that_is_ended_between_two_files_leaves_both_to_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [("a.txt", b"1"), ("sub/b.txt", b"1")]
    Kept().wrote([tmp_path / name for name in write_folder(tmp_path, files, Kept())])
    replace = os.replace

    def ended(draft: str | Path, place: Path) -> None:
        if place.name == "b.txt":
            raise KeyboardInterrupt
        replace(draft, place)

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(os, "replace", ended)
        write_folder(tmp_path, [(name, b"2") for name, _ in files], Kept())
    assert [(tmp_path / name).read_bytes() for name, _ in files] == [b"2", b"1"]
    again = Kept()
    assert again.wrote([tmp_path / name for name in write_folder(tmp_path, files, again)])
    (tmp_path / "a.txt").write_bytes(b"2")  # as the ended run had it: that is over
    with pytest.raises(CannotWrite):
        Kept().allow([tmp_path / "a.txt"])
