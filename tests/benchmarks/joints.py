"""Time, memory, precision and recall of joints on generated sea walls: ``python -m tests.benchmarks.joints``.

Each size runs in a process of its own, cold; seconds are of CPU, so that a busy machine tells the same.
Bars: 1,000 parts in 5 s; 10,000 in 30 s and 2 GB;
exponent at most 1.1 from 300 to 10,000.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
from time import process_time

import numpy as np
from rich.console import Console
from rich.table import Table

SIZES = (50, 300, 1000, 5000, 10_000)


def run(parts: int) -> dict[str, float]:
    """Figures of one size, measured here and now."""
    from demo_model.seawall import sea_wall
    from steps.features import measure
    from steps.joints import find_joints
    from steps.settings import Settings
    from tests.joint_cases import from_demo

    demo = sea_wall(parts=parts)
    model = from_demo(demo)
    settings = Settings()
    start = process_time()
    measures = measure(model, settings)
    measured = process_time()
    joints = find_joints(model, measures, settings)
    end = process_time()
    name = {part.id: part.source for part in model.parts}
    got = {(name[j.a], name[j.b], j.kind, j.contacts) for j in joints.joints if j.kind != "rest"}
    want = set(demo.known_joints)
    right = len(got & want)
    return {
        "parts": len(model.parts),
        "joints": len(joints.joints),
        "measure_s": measured - start,
        "join_s": end - measured,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "precision": right / max(len(got), 1),
        "recall": right / max(len(want), 1),
        "problems": len(joints.problems),
    }


def main() -> None:
    if len(sys.argv) > 2 and sys.argv[1] == "--one":
        print(json.dumps(run(int(sys.argv[2]))))
        return
    sizes = [int(word) for word in sys.argv[1:]] or list(SIZES)
    rows = []
    for size in sizes:
        command = [sys.executable, "-m", "tests.benchmarks.joints", "--one", str(size)]
        rows.append(json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout))
    table = Table(
        "parts", "joints", "measure, CPU s", "join, CPU s", "peak MB", "precision", "recall", "problems"
    )
    for row in rows:
        table.add_row(
            str(row["parts"]),
            str(row["joints"]),
            f"{row['measure_s']:.2f}",
            f"{row['join_s']:.2f}",
            f"{row['peak_mb']:.0f}",
            f"{row['precision']:.3f}",
            f"{row['recall']:.3f}",
            str(row["problems"]),
        )
    console = Console()
    console.print(table)
    large = [row for row in rows if row["parts"] >= 300]
    if len(large) > 1:
        seconds = [row["measure_s"] + row["join_s"] for row in large]
        slope = np.polyfit(np.log([row["parts"] for row in large]), np.log(seconds), 1)[0]
        console.print(
            f"time grows as n^{slope:.2f} from {large[0]['parts']} to {large[-1]['parts']} parts (bar 1.1)"
        )


if __name__ == "__main__":
    main()
