"""How long a build file takes: at first, and after an edit; read, seated, checked, drawn.

``python -m tests.benchmarks.place`` runs ``stepleaf place`` as a maker does, each run a process of its own,
on the tug, a house and a sea wall of about 100 parts and on 300 blocks: at first, again after a line was
taken away, and again after it was put back. Seconds by the clock, and of the processor in brackets: on a busy
machine the clock tells of the others too. The program is compiled before, as installing it does.
"""

from __future__ import annotations

import compileall
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from demo_model.seawall import sea_wall
from demo_model.solids import block
from demo_model.tug import tug
from steps.cli.placing import MEASURED
from steps.place.table import build_table
from steps.prints.stl import stl_bytes
from tests.models import model_of
from tests.models.structures import structure

#: Seconds that were meant, of about 100 parts and of the many: at first, and after an edit.
FIRST_S, EDITED_S, MANY_S = 5.0, 2.0, 5.0
MANY = 300


def zigzag(folder: Path) -> None:
    """A column of blocks, each on the one before."""
    solid = block(4, 2)
    (folder / "wall.stl").write_bytes(stl_bytes(solid.vertices, solid.faces))
    rows = ["w1 = wall, table, 1 1", *(f"w{k} = wall, w{k - 1}, {1 + k % 2} 1" for k in range(2, MANY + 1))]
    (folder / "build.toml").write_text(
        "\n".join(['[build]\nlines = """', *rows, '"""', ""]), encoding="utf-8"
    )


def as_table(make: Callable[[], object]) -> Callable[[Path], None]:
    """A model as loose meshes and a build file."""

    def write(folder: Path) -> None:
        written = build_table(model_of(make()))  # type: ignore[arg-type]
        for name, content in written.files.items():
            (folder / name).write_bytes(content)
        (folder / "build.toml").write_text(written.text, encoding="utf-8")

    return write


MODELS: Mapping[str, Callable[[Path], None]] = {
    "tug": as_table(tug),
    "house of 100": as_table(lambda: structure("house", 100, 1)),
    "sea wall of 100": as_table(lambda: sea_wall(100)),
    f"{MANY} blocks": zigzag,
}


def installed(folder: Path) -> None:
    """The program in a folder, compiled, as installing it leaves it."""
    for package in ("steps", "renderer"):
        shutil.copytree(Path(package), folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    compileall.compile_dir(folder, quiet=1)


def run(folder: Path, program: Path) -> str:
    """One ``stepleaf place``: seconds by the clock, and of the processor."""
    before, started = os.times(), time.perf_counter()
    command = [sys.executable, "-m", "steps.cli", "place", str(folder), "-q"]
    subprocess.run(command, stdout=subprocess.DEVNULL, cwd=program)
    after = os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return f"{time.perf_counter() - started:.1f} s ({spent:.1f})"


def without_its_last_line(text: str) -> str:
    """A build file with one part less."""
    rows = text.split("\n")
    del rows[max(row for row, each in enumerate(rows) if " = " in each)]
    return "\n".join(rows)


def main() -> None:
    """One line a model."""
    for name, write in MODELS.items():
        with tempfile.TemporaryDirectory() as there, tempfile.TemporaryDirectory() as code:
            folder, program = Path(there), Path(code)
            write(folder)
            installed(program)
            build, told = folder / "build.toml", [f"at first {run(folder, program)}"]
            text = build.read_text(encoding="utf-8")
            for label, edited in (("one less", without_its_last_line(text)), ("put back", text)):
                build.write_text(edited, encoding="utf-8")
                told.append(f"{label} {run(folder, program)}")
            size = (folder / MEASURED).stat().st_size / 1e6
        most = MANY_S if str(MANY) in name else FIRST_S
        print(f"{name}: {', '.join(told)}; {size:.1f} MB kept (meant: {most:g} s, then {EDITED_S:g} s)")


if __name__ == "__main__":
    main()
