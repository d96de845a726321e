"""Time and memory of the print folder, and of the demo models: ``python -m tests.benchmarks.prints``.

Each case runs in a process of its own, cold. Bars: prints of 300 parts in 15 s on 2 cores, aim 5 s of one
processor; a sea wall of 20,000 parts generated in a couple of seconds. The work is short and steady enough
that a pool of processes would cost more than it saves: each would import the geometry libraries anew.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter, process_time

from rich.console import Console
from rich.table import Table

CASES = ("tug 4x", "sea wall 300", "300 parts of 60 shapes", "generate 1000", "generate 20000")


def mixed() -> object:
    """300 parts of 60 shapes in 5 colours, none touching another: the hard case for a print folder."""
    from demo_model.scene import DemoModel, Placed, shift
    from demo_model.solids import Module, block

    module = Module(scale=4)
    solids, placed = {}, []
    for number in range(60):
        columns, rows, height = 1 + number % 5, 1 + number // 5 % 4, 5.0 * (1 + number // 20)
        solid = block(columns, rows, module, height, name=f"kind {number}")
        solids[solid.name] = solid
        for copy, colour in enumerate(("#a63a2f", "#34414d", "#f1eee4", "#d9a441", "#3f7a5c")):
            place = shift(250.0 * copy, 250.0 * number, 0)
            placed.append(Placed(f"{solid.name} {copy}", solid.name, colour, place))
    return DemoModel("mixed", solids, tuple(placed))


def run(case: str) -> dict[str, float]:
    """Figures of one case, measured here and now."""
    from demo_model.scene import DemoModel
    from demo_model.seawall import sea_wall
    from demo_model.solids import Module
    from demo_model.tug import tug

    start = perf_counter()
    if case.startswith("generate"):
        made = sea_wall(int(case.split()[1]))
        return {"parts": len(made.placed), "shapes": len(made.solids), "seconds": perf_counter() - start}
    demo = {"tug 4x": lambda: tug(Module(scale=4)), "sea wall 300": lambda: sea_wall(300)}.get(case, mixed)()
    assert isinstance(demo, DemoModel)
    return prints(demo)


def prints(demo: object) -> dict[str, float]:
    from steps.features import measure
    from steps.settings import Settings
    from tests.hand_made import write_files
    from tests.joint_cases import from_demo

    model = from_demo(demo)
    measures = measure(model, Settings())
    with tempfile.TemporaryDirectory() as folder:
        start, began = perf_counter(), process_time()
        made = write_files(model, measures, Path(folder), Settings())
        seconds, busy = perf_counter() - start, process_time() - began
        size = sum(path.stat().st_size for path in Path(folder).rglob("*.*")) / 1e6
    return {
        "parts": len(model.parts),
        "shapes": len(model.shapes),
        "files": len(made.items),
        "plates": len(made.plates),
        "seconds": seconds,
        "cpu": busy,
        "mb": size,
    }


def main() -> None:
    if len(sys.argv) > 2 and sys.argv[1] == "--one":
        figures = run(sys.argv[2])
        figures["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps(figures))
        return
    table = Table("case", "parts", "shapes", "files", "plates", "seconds", "CPU s", "folder MB", "peak MB")
    for case in CASES:
        command = [sys.executable, "-m", "tests.benchmarks.prints", "--one", case]
        row = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        whole = [str(row[key]) if key in row else "" for key in ("parts", "shapes", "files", "plates")]
        size = f"{row['mb']:.1f}" if "mb" in row else ""
        busy = f"{row['cpu']:.2f}" if "cpu" in row else ""
        table.add_row(case, *whole, f"{row['seconds']:.2f}", busy, size, f"{row['peak_mb']:.0f}")
    Console().print(table)


if __name__ == "__main__":
    main()
