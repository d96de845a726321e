"""Every family of generated models, planned and judged: ``python -m tests.benchmarks.families --seeds 500``.

Each seed is a model of one family, families in turn. It is planned from the file up, the plan replayed by
``steps.verify``, its joints held against the generator's truth, what the generator calls free looked for
under the glue; a model that cannot be built must be refused with the set that locks. Every miss is
printed with what was seen; then the families with their misses and the slowest of each.

``--families cages,hung`` and ``--first 40`` choose seeds; ``--most 150`` bounds the parts; ``--scale 4``;
``--turned`` lays each in any direction in space; ``--raw all`` spoils the meshes, each seed by one fault;
``--limit`` CPU seconds for each.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import asdict

import numpy as np
from rich.console import Console
from rich.table import Table

from tests.models.families import FAMILIES, family
from tests.models.judge import Verdict, judge
from tests.models.raw import FAULTS
from tests.models.spoil import spoiled

#: Seconds that 150 parts of any family may take: bar and aim.
BAR_S, AIM_S, BAR_PARTS = 20.0, 10.0, 150
#: A seed is ended after so many times its limit by the clock too, should it wait for something.
IDLE = 20


def run(name: str, seed: int, options: argparse.Namespace) -> Verdict:
    """Judge one seed in a process of its own, ended at the time limit."""
    receiver, sender = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(receiver)
        signal.setitimer(signal.ITIMER_PROF, options.limit)  # these end this process, and no other
        signal.alarm(int(IDLE * options.limit))
        verdict = Verdict(name, seed)
        os.write(sender, (json.dumps(asdict(verdict)) + "\n").encode())
        try:
            made = family(name, seed, options.parts, most=options.most, turn=options.turned)
            clean = None
            if options.raw:
                fault = options.raw[seed // len(options.families) % len(options.raw)]
                clean, made = made, spoiled(made, fault, np.random.default_rng(seed))
            verdict.title = ", ".join((made.name, *made.notes))
            verdict.parts = len(made.placed)
            os.write(sender, (json.dumps(asdict(verdict)) + "\n").encode())
            judge(made, options.scale, verdict, clean)
        except Exception as error:
            verdict.miss(f"fault of the program: {type(error).__name__}", error)
        os.write(sender, (json.dumps(asdict(verdict) | {"ended": True}) + "\n").encode())
        os._exit(0)
    os.close(sender)
    begun = time.perf_counter()
    with os.fdopen(receiver) as stream:
        lines = stream.read().splitlines()
    os.waitpid(child, 0)
    last = json.loads(lines[-1]) if lines else asdict(Verdict(name, seed))
    ended = last.pop("ended", False)
    verdict = Verdict(**last)
    if not ended:
        verdict.seconds = time.perf_counter() - begun
        verdict.misses.append(("time limit", f"over {options.limit:g} CPU s"))
    return verdict


def chosen(options: argparse.Namespace) -> Iterator[tuple[str, int]]:
    """(family, seed): seeds count through, families take turns."""
    for number in range(options.first, options.first + options.seeds):
        yield options.families[number % len(options.families)], number


def main() -> None:
    """Print misses as they come, then the families; status 1 when anything was missed."""
    options = _options()
    _warm()
    console = Console(width=180, soft_wrap=True)
    console.print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before the start")
    verdicts: list[Verdict] = []
    for name, seed in chosen(options):
        verdict = run(name, seed, options)
        verdicts.append(verdict)
        for cause, seen in verdict.misses:
            text = f"{name} {seed} ({verdict.title}, {verdict.parts} parts): {cause}: {seen}"
            console.print(text, highlight=False, markup=False)
    console.print(table(verdicts))
    causes = Counter(cause for verdict in verdicts for cause, _ in verdict.misses)
    console.print("causes: " + ", ".join(f"{cause} {count}" for cause, count in causes.most_common()))
    good = sum(not verdict.misses for verdict in verdicts)
    console.print(f"{good} of {len(verdicts)} right; load {os.getloadavg()[0]:.1f} at the end")
    sys.exit(0 if good == len(verdicts) else 1)


def table(verdicts: Sequence[Verdict]) -> Table:
    """A row a family: how many were right, what was missed, which took longest."""
    by_family: dict[str, list[Verdict]] = defaultdict(list)
    for verdict in verdicts:
        by_family[verdict.family].append(verdict)
    made = Table("family", "seeds", "right", "slowest CPU s", "of parts", "seed", "misses")
    for name, group in sorted(by_family.items()):
        slowest = max(group, key=lambda each: each.cpu or each.seconds)
        causes = Counter(cause for each in group for cause, _ in each.misses)
        told = "; ".join(f"{cause} {count}" for cause, count in causes.most_common())
        right = sum(not each.misses for each in group)
        spent = slowest.cpu or slowest.seconds
        over = " over the bar" if spent > BAR_S and slowest.parts <= BAR_PARTS else ""
        figures = (str(len(group)), str(right), f"{spent:.1f}{over}", str(slowest.parts), str(slowest.seed))
        made.add_row(name, *figures, told)
    return made


def _warm() -> None:
    """Load once what every child needs."""
    for name in ("steps.intake", "steps.features", "steps.joints", "steps.order", "steps.glue", "steps.draw"):
        importlib.import_module(name)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Plans and judges seeds of every family.")
    parser.add_argument("--seeds", type=int, default=3 * len(FAMILIES))
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--families", type=lambda text: text.split(","), default=list(FAMILIES))
    parser.add_argument("--most", type=int, default=60, help="parts drawn at most")
    parser.add_argument("--parts", type=int, help="about so many parts, instead of drawing")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--turned", action="store_true")
    parser.add_argument(
        "--raw", type=_faults, default=[], help="all, or names of faults: meshes spoiled by them in turn"
    )
    parser.add_argument("--limit", type=float, default=60.0, help="CPU seconds a seed may take")
    options = parser.parse_args()
    unknown = set(options.families) - set(FAMILIES)
    if unknown:
        parser.error(f"no family {', '.join(sorted(unknown))}; there are {', '.join(FAMILIES)}")
    return options


def _faults(text: str) -> list[str]:
    return list(FAULTS) if text == "all" else text.split(",")


if __name__ == "__main__":
    main()
