"""An output file appears whole or not at all."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from steps import output
from steps.errors import CannotWrite
from steps.output import may_write, whole_file, write_folder, write_whole


def test_writes_text_and_bytes_and_makes_folders(tmp_path: Path) -> None:
    write_whole(tmp_path / "a" / "b.txt", "μ\n")
    write_whole(tmp_path / "c.bin", b"\x00\r\n")
    assert (tmp_path / "a" / "b.txt").read_bytes() == "μ\n".encode()
    assert (tmp_path / "c.bin").read_bytes() == b"\x00\r\n"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["a", "c.bin"]


def test_new_file_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    write_whole(tmp_path / "whole", "")
    assert stat.S_IMODE((tmp_path / "whole").stat().st_mode) == stat.S_IMODE(
        (tmp_path / "plain").stat().st_mode
    )


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt, OSError])
def test_a_failed_write_leaves_the_old_file_and_no_litter(
    tmp_path: Path, failure: type[BaseException]
) -> None:
    target = tmp_path / "booklet.pdf"
    target.write_text("old")
    expected = CannotWrite if failure is OSError else failure
    with pytest.raises(expected), whole_file(target) as draft:
        draft.write_text("half")
        raise failure("stop")
    assert target.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["booklet.pdf"]


def test_draft_keeps_the_suffix(tmp_path: Path) -> None:
    with whole_file(tmp_path / "model.3mf") as draft:
        assert draft.suffix == ".3mf"
        assert draft.parent == tmp_path  # a move within one folder cannot be half done
        draft.write_text("x")


def test_a_folder_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "out.pdf").mkdir()
    with pytest.raises(CannotWrite, match=r"out\.pdf.*folder"):
        write_whole(tmp_path / "out.pdf", b"x")


def test_a_file_where_a_folder_should_be_is_named(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("I am a file")
    with pytest.raises(CannotWrite, match="out"):
        write_whole(tmp_path / "out" / "booklet.pdf", b"x")
    assert (tmp_path / "out").read_text() == "I am a file"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_reported(tmp_path: Path) -> None:
    target = tmp_path / "out.pdf"
    target.write_text("old")
    with (
        pytest.raises(CannotWrite, match="No space left"),
        whole_file(target),
        open("/dev/full", "wb", buffering=0) as full,
    ):
        full.write(b"x")
    assert target.read_text() == "old"


def test_a_place_is_asked_before_the_work(tmp_path: Path) -> None:
    may_write(tmp_path / "new folder" / "booklet.pdf")
    assert not list(tmp_path.iterdir())  # asked, nothing made
    (tmp_path / "file").write_text("")
    for path in (tmp_path, tmp_path / "file" / "booklet.pdf", Path("/proc/booklet.pdf")):
        with pytest.raises(CannotWrite, match=str(path)):
            may_write(path)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_is_reported(tmp_path: Path) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o555)
    with pytest.raises(CannotWrite, match="Permission denied"):
        write_whole(locked / "x", b"x")


def test_a_killed_run_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "out.pdf"
    target.write_text("old")
    script = (
        "import sys, time; from pathlib import Path; from steps.output import whole_file\n"
        "with whole_file(Path(sys.argv[1])) as draft:\n"
        "    draft.write_text('half'); print('ready', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(target)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        child.kill()
        child.wait(timeout=10)
    assert target.read_text() == "old"


SLEEPER = (
    "import sys, time; from pathlib import Path; from steps.output import whole_file, write_folder\n"
    "def files():\n"
    "    yield 'a.txt', b'half'; print('ready', flush=True); time.sleep(60)\n"
    "if sys.argv[2] == 'folder':\n"
    "    write_folder(Path(sys.argv[1]), files())\n"
    "with whole_file(Path(sys.argv[1]) / 'out.pdf') as draft:\n"
    "    draft.write_text('half'); print('ready', flush=True); time.sleep(60)\n"
)


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("kind", ["file", "folder"])
def test_drafts_go_at_the_next_run_once_their_process_is_gone(kind: str, tmp_path: Path) -> None:
    def drafts() -> list[Path]:
        return list(tmp_path.glob(".draft-*"))

    with subprocess.Popen(
        [sys.executable, "-c", SLEEPER, str(tmp_path), kind], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None and child.stdout.readline() == "ready\n"
        (living,) = drafts()
        write_whole(tmp_path / "other.txt", "x")
        write_folder(tmp_path, [("more.txt", b"x")])
        assert drafts() == [living]  # it may still become a file
        child.kill()
        child.wait()
    stranger = tmp_path / ".draft-another machine-1-abcd"
    stranger.write_text("of a machine that shares the folder")
    write_whole(tmp_path / "other.txt", "y")
    assert drafts() == [stranger]


def test_a_draft_of_an_earlier_process_of_the_same_number_goes(tmp_path: Path) -> None:
    """In a container the program may have the same number at each run."""
    mine = output._own_drafts()
    earlier = tmp_path / f"{mine.removesuffix(output.OWN_WORD + '-')}00000000-x.pdf"
    earlier.write_text("half")
    (tmp_path / f"{mine}now.pdf").write_text("being written")
    write_whole(tmp_path / "a", "x")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([f"{mine}now.pdf", "a"])


# ------------------------------------------------------------------------- whole folders


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def test_a_folder_of_files_is_written_with_folders_within(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_bytes(b"old")
    assert write_folder(tmp_path, [("a.txt", b"new"), ("b/c.txt", b"\x00")]) == ("a.txt", "b/c.txt")
    assert contents(tmp_path) == {"a.txt": b"new", "b/c.txt": b"\x00"}
    (tmp_path / "plain").write_text("")
    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize("failure", [RuntimeError, KeyboardInterrupt, OSError])
def test_a_folder_that_fails_half_way_is_as_it_was(tmp_path: Path, failure: type[BaseException]) -> None:
    def files() -> Iterator[tuple[str, bytes]]:
        yield "a.txt", b"new"
        yield "b.txt", b"new"
        raise failure("stop")

    (tmp_path / "a.txt").write_bytes(b"old")
    with pytest.raises(failure):  # of who makes the contents: no error of writing
        write_folder(tmp_path, files())
    assert contents(tmp_path) == {"a.txt": b"old"} and len(list(tmp_path.iterdir())) == 1
    with pytest.raises(failure):
        write_folder(tmp_path / "fresh", files())
    assert not (tmp_path / "fresh").exists()


def test_a_folder_in_the_place_of_a_file_stops_before_any_is_moved(tmp_path: Path) -> None:
    (tmp_path / "b.txt").mkdir()
    (tmp_path / "a.txt").write_bytes(b"old")
    with pytest.raises(CannotWrite, match=r"b\.txt.*folder"):
        write_folder(tmp_path, [("a.txt", b"new"), ("b.txt", b"new")])
    assert contents(tmp_path) == {"a.txt": b"old"}


def test_a_signal_within_the_clean_up_leaves_no_folder_of_drafts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    removes, calls = output.shutil.rmtree, []

    def told_to_end_once(path: Path, ignore_errors: bool) -> None:
        calls.append(path)
        if len(calls) == 1:
            raise KeyboardInterrupt
        removes(path, ignore_errors=ignore_errors)

    monkeypatch.setattr(output.shutil, "rmtree", told_to_end_once)
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path, [("a.txt", b"new")])
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
    calls.clear()
    with pytest.raises(KeyboardInterrupt):
        write_folder(tmp_path / "fresh", [])
    assert not (tmp_path / "fresh").exists()
