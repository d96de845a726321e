"""Reading: python -m tests.benchmarks.intake. Prints seconds of CPU, peak memory, parts and shapes.

Each file is read in a process of its own, cold.
"""

from __future__ import annotations

import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.tug import tug
from demo_model.write import write_3mf, write_glb, write_stl_folder
from steps.intake import read_model
from steps.settings import Settings
from tests.intake_files import binary_stl


def write_one_stl(model: DemoModel, path: Path) -> None:
    """Every part of the model in one STL, as bodies."""
    meshes = []
    for part in model.placed:
        solid = model.solids[part.solid_key]
        meshes.append((solid.vertices @ part.pose[:3, :3].T + part.pose[:3, 3], np.asarray(solid.faces)))
    binary_stl(path, *meshes)


WRITERS: dict[str, Callable[[DemoModel, Path], None]] = {
    "3mf": write_3mf,
    "glb": write_glb,
    "folder": write_stl_folder,
    "stl": write_one_stl,
}


def read_one(path: Path) -> str:
    """Parts, shapes, seconds of CPU and peak memory (MB) of one file, here and now."""
    start = time.process_time()
    read = read_model(path, Settings())
    spent = time.process_time() - start
    return f"{len(read.parts)} {len(read.shapes)} {spent:.2f} {_peak_mb():.0f}"


def _peak_mb() -> float:
    """Peak memory of this process; Linux counts the parent's into ru_maxrss, so its own page goes first."""
    status = Path("/proc/self/status")
    if status.exists():
        return int(re.search(r"VmHWM:\s*(\d+)", status.read_text())[1]) / 1024  # type: ignore[index]
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    if len(sys.argv) > 2 and sys.argv[1] == "--one":
        print(read_one(Path(sys.argv[2])))
        return
    table = Table("model", "file", "MB", "parts", "shapes", "read, CPU s", "peak MB")
    cases = [("tug", tug(), "3mf glb folder stl"), ("wall 1,000", sea_wall(1000), "3mf glb folder stl")]
    cases.append(("wall 20,000", sea_wall(20_000), "3mf glb folder"))
    with tempfile.TemporaryDirectory() as scratch:
        for name, model, kinds in cases:
            for kind in kinds.split():
                path = Path(scratch) / f"{name.replace(' ', '-')}.{kind}"
                WRITERS[kind](model, path)
                files = list(path.iterdir()) if path.is_dir() else [path]
                size = sum(file.stat().st_size for file in files) / 1e6
                command = [sys.executable, "-m", "tests.benchmarks.intake", "--one", str(path)]
                said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
                table.add_row(name, kind, f"{size:.1f}", *said.split())
                print(name, kind, said, end="", file=sys.stderr)
    Console().print(table)


if __name__ == "__main__":
    main()
