"""An output file appears whole or not at all."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from steps.errors import CannotWrite
from steps.output import whole_file, write_whole


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
