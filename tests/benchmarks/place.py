"""How long a build file takes: read, seated, checked, drawn. ``python -m tests.benchmarks.place``"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from demo_model.solids import block
from steps.cli.placing import checked, draw_and_tell
from steps.prints.stl import stl_bytes
from steps.settings import USUAL

#: Parts, and the seconds within which they were to be seated.
SIZES = {100: 5.0, 300: 5.0}


def wall(folder: Path, parts: int) -> Path:
    """A zigzag of blocks, each on the one before."""
    solid = block(4, 2)
    (folder / "wall.stl").write_bytes(stl_bytes(solid.vertices, solid.faces))
    rows = ["w1 = wall, table, 1 1", *(f"w{k} = wall, w{k - 1}, {1 + k % 2} 1" for k in range(2, parts + 1))]
    path = folder / "build.toml"
    path.write_text("\n".join(['[build]\nlines = """', *rows, '"""', ""]), encoding="utf-8")
    return path


def main() -> None:
    """One line a size."""
    for parts, most in SIZES.items():
        with tempfile.TemporaryDirectory() as folder:
            path = wall(Path(folder), parts)
            started = time.perf_counter()
            made = checked(path, USUAL, lambda stage, done, total: None)
            seated = time.perf_counter() - started
            draw_and_tell(made, None, USUAL, True)
            whole = time.perf_counter() - started
        print(f"{parts} parts: seated and checked {seated:.1f} s, drawn {whole:.1f} s (meant: {most:g} s)")


if __name__ == "__main__":
    main()
