"""Booklets, HTML and stickers appear whole or not at all, whatever happens while they are written."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from steps.booklet import write_booklet, write_html, write_labels
from steps.errors import CannotWrite
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan

WRITERS = {"write_booklet": ".pdf", "write_html": ".html", "write_labels": ".pdf"}
OLD = b"the old one"
HEAD = """
import resource, sys, time
from pathlib import Path
from steps.booklet import {writer}
from steps.errors import CannotWrite
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan
target = Path(sys.argv[1])
"""
SLOW = """
class Slow(PlainPictures):
    def draw(self, *args):
        print("drawing", flush=True)
        if len(self.asked) > 5:
            time.sleep(60)
        return super().draw(*args)
{writer}(sample_plan(), target, Settings(), pictures=Slow())
"""
#: The kernel refuses to let a file grow past the limit, as it would on a full disk.
SHORT = """
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
try:
    {writer}(sample_plan(), target, Settings(), pictures=PlainPictures())
except CannotWrite as error:
    print(error)
    sys.exit(2)
"""


def start(script: str, target: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", script, str(target)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1])


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
@pytest.mark.parametrize("writer", WRITERS)
def test_a_killed_run_leaves_the_old_file(writer: str, tmp_path: Path) -> None:
    target = tmp_path / f"old{WRITERS[writer]}"
    target.write_bytes(OLD)
    child = start((HEAD + SLOW).format(writer=writer), target)
    assert child.stdout is not None
    for _ in range(6):
        assert child.stdout.readline() == "drawing\n"
    time.sleep(0.1)
    child.send_signal(signal.SIGKILL)
    assert child.wait() == -signal.SIGKILL
    assert target.read_bytes() == OLD


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits")
@pytest.mark.parametrize("writer", WRITERS)
def test_a_full_disk_is_one_clear_line_and_leaves_nothing_half_written(writer: str, tmp_path: Path) -> None:
    target = tmp_path / f"old{WRITERS[writer]}"
    target.write_bytes(OLD)
    child = start((HEAD + SHORT).format(writer=writer, limit=20_000), target)
    said, _ = child.communicate(timeout=120)
    assert child.returncode == 2
    assert str(target) in said and len(said.strip().splitlines()) == 1
    assert target.read_bytes() == OLD
    assert [each.name for each in tmp_path.iterdir()] == [target.name]


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no folder that nobody may write to")
@pytest.mark.parametrize("write", [write_booklet, write_html, write_labels])
def test_a_folder_that_cannot_be_written_is_named(write) -> None:
    """/proc refuses new files even to root."""
    with pytest.raises(CannotWrite, match="/proc/tug"):
        write(sample_plan(), Path("/proc/tug.pdf"), Settings(), pictures=PlainPictures())
