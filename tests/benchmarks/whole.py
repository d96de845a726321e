"""The main job, cold and whole: ``python -m tests.benchmarks.whole``.

Plans of the generator's six structures by size and scale, stage by stage, beside the bars; then the tug's
booklet all told. Each row is one run in a process of its own, on a file written beforehand, ended when it
takes longer than ``--limit`` seconds. Memory is the sum over the process and all its children, sampled, so
that what runs in parallel counts.

``--parts 100,300 --structures wall,house --scales 1,4`` choose rows; ``--no-tug`` leaves the booklet out,
``--tug`` prints nothing else.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

SAMPLE_S = 0.2
MB = 1 << 20
#: parts: (seconds bar, seconds aim, MB bar)
BARS: dict[int, tuple[float, float, float]] = {
    100: (6, 3, 500),
    300: (12, 6, 700),
    1000: (30, 15, 1000),
    10_000: (120, 60, 2000),
}
STRUCTURES = ("wall", "cube", "tower", "sculpture", "house", "arcade")
#: Structures of which the largest size is asked for too.
LARGE = ("wall", "house")
MOST_OF_ALL = 1000
#: Bars over the rows together: times the quickest of its size, 4x to 1x, growth from 300 parts up.
TIMES_QUICKEST, TIMES_SCALE, EXPONENT = 3.0, 2.0, (1.2, 1.1)
#: The tug's booklet: seconds bar and aim, MB over all processes.
TUG = (15.0, 8.0, 800.0)
STAGES = ("read", "measure", "joints", "order", "glue", "pictures")
SEED = 1


@dataclass(frozen=True)
class Run:
    """What one child process did."""

    seconds: float
    cpu: float
    peak_mb: float
    status: int | None  #: None: ended at the time limit
    printed: str

    @property
    def outcome(self) -> str:
        return "time limit" if self.status is None else "" if self.status == 0 else f"status {self.status}"


def measured(command: Sequence[str], folder: Path, limit_s: float) -> Run:
    """Run a command and watch it and its children."""
    before, started = os.times(), time.monotonic()
    env = {**os.environ, "PYTHONPATH": os.getcwd()}
    child = subprocess.Popen(
        command, cwd=folder, env=env, stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    peak = [0.0]
    watcher = threading.Thread(target=_watch, args=(child, peak))
    watcher.start()
    status: int | None
    try:
        printed, _ = child.communicate(timeout=limit_s)
        status = child.returncode
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, signal.SIGKILL)  # the group that this run started, and no other
        printed, _ = child.communicate()
        status = None
    seconds = time.monotonic() - started
    watcher.join()
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Run(seconds, cpu, peak[0] / MB, status, printed)


def _watch(child: subprocess.Popen[str], peak: list[float]) -> None:
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


# ------------------------------------------------------------------- in the child process


def plan_stages(path: Path, scale: float) -> None:
    """Plan a file and print, as it goes, one line of JSON a stage: (stage, seconds, CPU seconds).

    The CPU seconds include those of children that have ended.
    """
    begun = time.perf_counter(), _cpu()
    from steps.errors import FaultyModel
    from steps.pipeline import make_plan
    from steps.settings import Settings

    at = ["import", *begun]

    def tell(stage: str, done: int, total: int) -> None:
        if stage == at[0]:
            return
        now, cpu = time.perf_counter(), _cpu()
        print(json.dumps([at[0], now - at[1], cpu - at[2]]), flush=True)
        print(json.dumps(stage), flush=True)
        at[:] = [stage, now, cpu]

    status, text = 0, ""
    try:
        plan = make_plan(path, Settings(scale=scale), tell)
        facts = {
            "steps": len(plan.order.steps),
            "glued": sum(m == "glue" for m in plan.gluing.marks.values()),
        }
    except FaultyModel as fault:
        status, facts, text = 1, {}, str(fault)
    tell("", 0, 0)
    print(json.dumps({"facts": facts, "refused": text[:300]}))
    sys.exit(status)


def _cpu() -> float:
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def write_structure(kind: str, parts: int, path: Path) -> None:
    from tests.models import structure, write

    write(structure(kind, parts, SEED), path)


# ------------------------------------------------------------------------------ the rows


@dataclass(frozen=True)
class Row:
    kind: str
    parts: int
    scale: float
    run: Run
    stages: dict[str, tuple[float, float]]  #: seconds, CPU seconds
    facts: dict[str, float]
    refused: str


def row_of(kind: str, parts: int, scale: float, folder: Path, limit_s: float) -> Row:
    """One structure planned in a new process."""
    path = folder / f"{kind}-{parts}.3mf"
    here = [sys.executable, "-m", "tests.benchmarks.whole"]
    if not path.exists():
        subprocess.run([*here, "--write", kind, str(parts), str(path)], check=True)
    run = measured([*here, "--plan", str(path), str(scale)], folder, limit_s)
    stages: dict[str, tuple[float, float]] = {}
    facts: dict[str, float] = {}
    refused, begun = "", ""
    for line in run.printed.splitlines():
        told = json.loads(line)
        if isinstance(told, str):
            begun = told
        elif isinstance(told, dict):
            facts, refused = told["facts"], told["refused"]
        else:
            had = stages.get(told[0], (0.0, 0.0))
            stages[told[0]] = (had[0] + told[1], had[1] + told[2])
    if run.status is None:
        refused = f"in {begun}"
    return Row(kind, parts, scale, run, stages, facts, refused)


def sizes_of(kind: str, parts: Sequence[int]) -> list[int]:
    return [size for size in parts if size <= MOST_OF_ALL or kind in LARGE]


def structures(console: Console, options: argparse.Namespace, folder: Path) -> bool:
    """Print the rows as they come and what they say together; whether a bar was missed."""
    rows: list[Row] = []
    head = f"{'structure':<10}{'parts':>7}{'scale':>6}{'s':>8}{'bar':>5}{'aim':>4}{'CPU s':>8}"
    head += f"{'MB':>6}{'bar':>6}"
    console.print(head + "".join(f"{name[:8]:>9}" for name in ("import", *STAGES)) + "   CPU s by stage")
    for parts in options.parts:
        for kind in options.structures:
            for scale in options.scales if parts in sizes_of(kind, options.parts) else ():
                row = row_of(kind, parts, scale, folder, options.limit)
                rows.append(row)
                console.print(_line(row), highlight=False, markup=False)
    return _together(console, rows) | any(not _good(row) for row in rows)


def _good(row: Row) -> bool:
    bar = BARS.get(row.parts)
    return row.run.status == 0 and (bar is None or (row.run.seconds <= bar[0] and row.run.peak_mb <= bar[2]))


def _line(row: Row) -> str:
    bar = BARS.get(row.parts, (0, 0, 0))
    run = row.run
    spans = [
        f"{row.stages[name][1]:>9.2f}" if name in row.stages else f"{'':>9}" for name in ("import", *STAGES)
    ]
    told = run.outcome or (
        "aim" if bar[1] and run.seconds <= bar[1] and _good(row) else "bar" if _good(row) else "MISSED"
    )
    facts = ", ".join(f"{value:.0f} {name}" for name, value in row.facts.items())
    return (
        f"{row.kind:<10}{row.parts:>7}{row.scale:>5g}x{run.seconds:>8.1f}{bar[0]:>5g}{bar[1]:>4g}{run.cpu:>8.1f}"
        f"{run.peak_mb:>6.0f}{bar[2]:>6g}{''.join(spans)}   {told}; {facts}{row.refused}"
    )


def _together(console: Console, rows: Sequence[Row]) -> bool:
    """Ratios and growth, by CPU seconds, since machines are shared; only over rows that ended well."""
    spent = {(row.kind, row.parts, row.scale): row.run.cpu for row in rows if row.run.status == 0}
    missed = False
    table = Table("parts", "scale", "quickest", "slowest", f"times (bar {TIMES_QUICKEST:g})")
    for parts, scale in dict.fromkeys((row.parts, row.scale) for row in rows):
        of_size = {kind: cpu for (kind, p, s), cpu in spent.items() if (p, s) == (parts, scale)}
        if len(of_size) < 2:
            continue
        low, high = min(of_size, key=of_size.__getitem__), max(of_size, key=of_size.__getitem__)
        times = of_size[high] / of_size[low]
        missed |= times > TIMES_QUICKEST
        table.add_row(
            str(parts),
            f"{scale:g}x",
            f"{low} {of_size[low]:.1f}",
            f"{high} {of_size[high]:.1f}",
            f"{times:.2f}",
        )
    if table.row_count:
        console.print("CPU seconds by size", table)
    for kind, parts in dict.fromkeys((row.kind, row.parts) for row in rows):
        both = [spent.get((kind, parts, scale)) for scale in (1.0, 4.0)]
        if both[0] and both[1]:
            times = max(both) / min(both)  # type: ignore[type-var]
            missed |= times > TIMES_SCALE
            told = f"1x {both[0]:.1f}, 4x {both[1]:.1f}: factor {times:.2f} (bar {TIMES_SCALE:g})"
            console.print(f"{kind} of {parts}: {told}")
    for kind, scale in dict.fromkeys((row.kind, row.scale) for row in rows):
        grown = sorted((p, cpu) for (k, p, s), cpu in spent.items() if (k, s) == (kind, scale) and p >= 300)
        if len(grown) > 1:
            logs = np.log(np.array(grown))
            slope = float(np.polyfit(logs[:, 0], logs[:, 1], 1)[0])
            missed |= slope > EXPONENT[0]
            console.print(
                f"{kind} {scale:g}x grows as n^{slope:.2f} from {grown[0][0]} to {grown[-1][0]} parts "
                f"(bar {EXPONENT[0]}, aim {EXPONENT[1]})"
            )
    return missed


# -------------------------------------------------------------------------------- the tug


def tug_booklet(console: Console, folder: Path, limit_s: float) -> bool:
    """The tug's booklet all told, beside a bare cast and PNG of every picture in it."""
    from demo_model.tug import tug
    from demo_model.write import write_3mf

    write_3mf(tug(), folder / "tug.3mf")
    command = [sys.executable, "-m", "steps.cli", "booklet", "tug.3mf", "--scale", "4", "-o", "tug.pdf", "-q"]
    run = measured(command, folder, limit_s)
    pdf = folder / "tug.pdf"
    size = pdf.stat().st_size / 1e6 if pdf.exists() else 0.0
    good = run.status == 0 and run.seconds <= TUG[0] and run.peak_mb <= TUG[2]
    told = run.outcome or ("aim" if good and run.seconds <= TUG[1] else "bar" if good else "MISSED")
    console.print(
        f"tug's booklet: {run.seconds:.1f} s (bar {TUG[0]:g}, aim {TUG[1]:g}), {run.cpu:.1f} CPU s, "
        f"{run.peak_mb:.0f} MB over all processes (bar {TUG[2]:g}), PDF {size:.2f} MB: {told}"
    )
    cast, png = bare()
    console.print(
        f"beside it, of one picture of {PICTURE[0]} x {PICTURE[1]} pixels: bare ray cast {cast:.2f} CPU s, "
        f"PNG {png:.2f} CPU s"
    )
    return not good


#: Pixels of a picture as a person would draw the whole model once, bare.
PICTURE = (1600, 1200)


def bare() -> tuple[float, float]:
    """CPU seconds of casting a ray a pixel at the finished tug, and of encoding what they hit as PNG."""
    import io

    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene
    from PIL import Image

    from demo_model.tug import tug

    ship = tug()
    corners = []
    for part in ship.placed:
        solid = ship.solids[part.solid_key]
        corners.append((solid.vertices @ part.pose[:3, :3].T + part.pose[:3, 3])[solid.faces])
    faces = np.concatenate(corners).astype(np.float32)
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, faces)
    low, high = faces.min(axis=(0, 1)), faces.max(axis=(0, 1))
    wide, tall = PICTURE
    x, z = np.meshgrid(np.linspace(low[0], high[0], wide), np.linspace(high[2], low[2], tall))
    start = np.stack([x.ravel(), np.full(x.size, low[1] - 10.0), z.ravel()], axis=1).astype(np.float32)
    ways = np.tile(np.array([0, 1, 0], dtype=np.float32), (len(start), 1))
    scene.run(start[:1], ways[:1], query="INTERSECT")
    begun = time.process_time()
    hit = scene.run(start, ways, query="INTERSECT")
    cast = time.process_time()
    pixels = (np.asarray(hit) % 251).astype(np.uint8).reshape(tall, wide)
    Image.fromarray(np.repeat(pixels[:, :, None], 3, axis=2)).save(io.BytesIO(), "PNG")
    return cast - begun, time.process_time() - cast


# ----------------------------------------------------------------------------------- main


def main() -> None:
    """Print everything; status 1 when a bar is missed."""
    if sys.argv[1:2] == ["--write"]:
        write_structure(sys.argv[2], int(sys.argv[3]), Path(sys.argv[4]))
        return
    if sys.argv[1:2] == ["--plan"]:
        plan_stages(Path(sys.argv[2]), float(sys.argv[3]))
    options = _options()
    console = Console(width=200, soft_wrap=True)
    console.print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before the start")
    missed = False
    with tempfile.TemporaryDirectory() as name:
        if not options.tug:
            missed |= structures(console, options, Path(name))
        if not options.no_tug:
            missed |= tug_booklet(console, Path(name), options.limit)
    console.print(f"load {os.getloadavg()[0]:.1f} at the end")
    sys.exit(1 if missed else 0)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Plans of structures, and the tug's booklet, cold.")
    parser.add_argument("--parts", type=_numbers, default=list(BARS), help="100,300,...")
    parser.add_argument("--structures", type=lambda text: text.split(","), default=list(STRUCTURES))
    parser.add_argument(
        "--scales", type=lambda text: [float(each) for each in text.split(",")], default=[1.0, 4.0]
    )
    parser.add_argument("--limit", type=float, default=600.0, help="seconds a run may take")
    only = parser.add_mutually_exclusive_group()
    only.add_argument("--tug", action="store_true", help="the tug's booklet alone")
    only.add_argument("--no-tug", action="store_true")
    return parser.parse_args()


def _numbers(text: str) -> list[int]:
    return [int(each) for each in text.split(",")]


if __name__ == "__main__":
    main()
