"""Growth of planning, CPU s and peak memory: python -m tests.benchmarks.load [KIND] [PARTS ...].

Few shapes and no file: how the stages grow with the number of parts alone.
"""

from __future__ import annotations

import resource
import sys
import time

from steps.pipeline import make_plan
from steps.settings import Settings
from tests.models.files import model_of
from tests.models.structures import structure

USUAL = ("250", "1000", "4000")


def stages(kind: str, parts: int) -> dict[str, float]:
    """CPU seconds that each stage of the plan of a structure took."""
    model = model_of(structure(kind, parts))
    spent: dict[str, float] = {}
    now, since = "", time.process_time()

    def tell(stage: str, done: int, total: int) -> None:
        nonlocal now, since
        at = time.process_time()
        spent[now] = spent.get(now, 0.0) + at - since
        now, since = stage, at

    make_plan(model, Settings(anyway=True), tell)
    tell("", 0, 0)
    spent.pop("", None)
    return spent


def main() -> None:
    kind, *sizes = sys.argv[1:] or ("wall",)
    for parts in map(int, sizes or USUAL):
        told = ", ".join(f"{stage} {spent:.1f}" for stage, spent in stages(kind, parts).items())
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{kind} of {parts}: {told} s; peak {peak:.0f} MB", flush=True)


if __name__ == "__main__":
    main()
