"""Time, peak memory and size of the tug's booklets: `python -m tests.benchmarks.booklet [edition ...]`.

Bars: 20 s an edition on two cores, 15 MB of PDF. Planning is not counted. Each edition runs in a
process of its own, cold.
"""

from __future__ import annotations

import json
import os
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.booklet import write_booklet, write_html, write_labels
from steps.pipeline import make_plan
from steps.settings import Settings

EDITIONS = {
    "child": {"reader": "child"},
    "helper": {"reader": "helper"},
    "adult": {"reader": "adult"},
    "helper, mono": {"reader": "helper", "mono": True},
    "helper, folded": {"reader": "helper", "fold": True},
    "helper, HTML": {"reader": "helper"},
    "labels": {},
}
WRITERS = {"helper, HTML": (write_html, "html"), "labels": (write_labels, "pdf")}


def run_one(name: str, folder: Path) -> None:
    """One edition; figures as JSON on standard output."""
    plan = pickle.loads((folder / "plan.pickle").read_bytes())
    writer, suffix = WRITERS.get(name, (write_booklet, "pdf"))
    path = folder / f"booklet.{suffix}"
    start = time.perf_counter()
    writer(plan, path, Settings(scale=4.0, **EDITIONS[name]), workers=os.cpu_count() or 1)
    seconds = time.perf_counter() - start
    own, workers = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    cpu = own.ru_utime + own.ru_stime + workers.ru_utime + workers.ru_stime
    peak = max(own.ru_maxrss, workers.ru_maxrss) / 1024
    print(json.dumps({"seconds": seconds, "cpu": cpu, "peak": peak, "size": path.stat().st_size / 1e6}))


def main() -> None:
    if len(sys.argv) == 4 and sys.argv[1] == "--one":
        run_one(sys.argv[2], Path(sys.argv[3]))
        return
    names = sys.argv[1:] or list(EDITIONS)
    table = Table("edition", "s (bar 20)", "CPU s", "peak MB of one process", "MB (bar 15)")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_3mf(tug(), folder / "tug.3mf")
        plan = make_plan(folder / "tug.3mf", Settings(scale=4.0))
        (folder / "plan.pickle").write_bytes(pickle.dumps(plan))
        for edition in names:
            command = [sys.executable, "-m", "tests.benchmarks.booklet", "--one", edition, name]
            ran = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
            row = json.loads(ran.stdout.splitlines()[-1])
            table.add_row(edition, *(f"{row[key]:.1f}" for key in ("seconds", "cpu", "peak", "size")))
    Console().print(table)
    load = os.getloadavg()[0]
    Console().print(f"load average {load:.1f} on {os.cpu_count()} cores while measuring")


if __name__ == "__main__":
    main()
