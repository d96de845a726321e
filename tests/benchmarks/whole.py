"""The main job, cold: `python -m tests.benchmarks.whole`.

Each row is one run of the command line in a new process, on files written beforehand. Memory is the
sum over the process and its children, sampled, so that pages drawn in parallel count.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from demo_model.seawall import sea_wall
from demo_model.tug import tug
from demo_model.write import write_3mf

SAMPLE_S = 0.1
MB = 1 << 20

#: (name, seconds: bar and aim, MB: bar), arguments for the command line given the folder
ROWS: tuple[tuple[str, float, float, float, Callable[[Path], list[str]]], ...] = (
    (
        "tug, booklet",
        30.0,
        10.0,
        1000.0,
        lambda at: ["booklet", "tug.3mf", "--scale", "4", "-o", str(at / "tug.pdf")],
    ),
    (
        "tug, plan",
        30.0,
        10.0,
        1000.0,
        lambda at: ["plan", "tug.3mf", "--scale", "4", "-o", str(at / "tug.plan.json")],
    ),
    ("wall of 1,000, plan", 60.0, 20.0, 1000.0, lambda at: ["plan", "wall.3mf", "-o", str(at / "w.json")]),
    ("tug, verify", 60.0, 20.0, 1000.0, lambda at: ["verify", str(at / "tug.plan.json"), "tug.3mf"]),
    ("wall of 1,000, verify", 60.0, 20.0, 1000.0, lambda at: ["verify", str(at / "w.json"), "wall.3mf"]),
)


def main() -> None:
    """Print the table; status 1 when a bar is missed."""
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before the start")
    print(f"{'job':<24}{'seconds':>9}{'bar':>6}{'aim':>6}{'cpu s':>9}{'MB':>8}{'bar':>7}  outcome")
    missed = False
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        write_3mf(tug(), at / "tug.3mf")
        write_3mf(sea_wall(1000), at / "wall.3mf")
        for name, bar, aim, memory_bar, arguments in ROWS:
            seconds, cpu, memory, status = measured(arguments(at), at)
            good = status == 0 and seconds <= bar and memory <= memory_bar
            missed |= not good
            outcome = (
                "status " + str(status)
                if status
                else "aim"
                if seconds <= aim
                else "bar"
                if good
                else "MISSED"
            )
            print(
                f"{name:<24}{seconds:>9.1f}{bar:>6.0f}{aim:>6.0f}{cpu:>9.1f}"
                f"{memory:>8.0f}{memory_bar:>7.0f}  {outcome}",
                flush=True,
            )
    sys.exit(1 if missed else 0)


def measured(arguments: list[str], folder: Path) -> tuple[float, float, float, int]:
    """Wall seconds, processor seconds, peak MB and exit status of one run."""
    before, started = os.times(), time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-m", "steps.cli", *arguments, "-q"], cwd=folder, stdout=subprocess.DEVNULL
    )
    peak = [0.0]
    watcher = threading.Thread(target=_watch, args=(child, peak))
    watcher.start()
    status = child.wait()
    seconds = time.monotonic() - started
    watcher.join()
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return seconds, cpu, peak[0] / MB, status


def _watch(child: subprocess.Popen[bytes], peak: list[float]) -> None:
    while child.poll() is None:
        peak[0] = max(peak[0], sum(_resident(pid) for pid in _tree(child.pid)))
        time.sleep(SAMPLE_S)


def _tree(pid: int) -> Iterator[int]:
    """A process and all that descend from it (Linux)."""
    yield pid
    try:
        for task in Path(f"/proc/{pid}/task").iterdir():
            for inner in (task / "children").read_text().split():
                yield from _tree(int(inner))
    except OSError:  # it ended meanwhile
        return


def _resident(pid: int) -> float:
    """Bytes held by a process, shared pages counted by share."""
    try:
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                return float(line.split()[1]) * 1024
    except OSError:
        pass
    return 0.0


if __name__ == "__main__":
    main()
