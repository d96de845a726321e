"""Every family of generated models, planned and judged: ``python -m tests.benchmarks.families --seeds 500``.

Each seed is a model of one family, families in turn. It is planned from the file up, the plan replayed by
``steps.verify``, its joints held against the generator's truth, what the generator calls free looked for
under the glue; a model that cannot be built must be refused with the set that locks. Every miss is
printed with what was seen; then the families with their misses and the slowest of each.

``--families cages,hung`` and ``--first 40`` choose seeds; ``--most 150`` bounds the parts; ``--scale 4``;
``--turned`` lays each in any direction in space; ``--limit`` CPU seconds for each.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.models.families import FAMILIES, family
from tests.models.value import Made

#: Seconds that 150 parts of any family may take: bar and aim.
BAR_S, AIM_S, BAR_PARTS = 20.0, 10.0, 150
#: A seed is ended after so many times its limit by the clock too, should it wait for something.
IDLE = 20
#: Characters of a miss that are printed.
SHOWN = 260


@dataclass
class Verdict:
    """What became of one seed. ``misses``: (short cause, what was seen)."""

    family: str
    seed: int
    title: str = ""
    parts: int = 0
    seconds: float = 0.0
    cpu: float = 0.0
    misses: list[tuple[str, str]] = field(default_factory=list)

    def miss(self, cause: str, seen: object) -> None:
        self.misses.append((cause, " ".join(str(seen).split())[:SHOWN]))


def judge(made: Made, scale: float, verdict: Verdict) -> None:
    """Plan a model from its file and hold everything against the truth."""
    from steps.errors import FaultyModel, StepleafError
    from steps.pipeline import make_plan
    from steps.planfile import parse_plan, plan_to_json
    from steps.settings import Settings
    from steps.verify import verify_plan
    from tests.models.files import write

    settings = Settings(scale=scale)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "model.3mf"
        write(made, path)
        before, begun = time.process_time(), time.perf_counter()
        try:
            plan = make_plan(path, settings)
        except FaultyModel as fault:
            _refused(made, fault, verdict)
            return
        except StepleafError as error:
            verdict.miss(type(error).__name__, error)
            return
        finally:
            verdict.cpu, verdict.seconds = time.process_time() - before, time.perf_counter() - begun
    if made.locked:
        verdict.miss("built what is locked", f"{len(plan.order.steps)} steps")
        return
    _compare(made, plan, verdict)
    filed = parse_plan(plan_to_json(plan, settings))
    report = verify_plan(filed, plan.model)
    for check in report.checks:
        for fault in check.faults[:1]:
            verdict.miss(f"verify: {check.name}", f"{len(check.faults)} wrong; {fault}")
    doubtful = [step for step in plan.order.steps if step.doubtful]
    if doubtful:
        verdict.miss("doubtful steps", f"{len(doubtful)}; {doubtful[0].doubtful}")


def _refused(made: Made, fault: Exception, verdict: Verdict) -> None:
    """Right for what is locked, when it names the set; wrong for anything else."""
    problems = [each for each in fault.problems if each.severity == "error"]  # type: ignore[attr-defined]
    codes = ", ".join(sorted({each.code for each in problems}))
    model = getattr(fault, "model", None)
    names = {part.id: part.source for part in model.parts} if model is not None else {}
    sets = [frozenset(names.get(part, part) for part in each.parts) for each in problems]
    if not made.locked:
        verdict.miss(f"refused: {codes}", problems[0].text if problems else fault)
    elif not any(each in made.locked for each in sets):
        told = [sorted(each)[:6] for each in sets]
        verdict.miss("wrong set refused", f"{codes}: {told}, not {[sorted(each) for each in made.locked]}")


def _compare(made: Made, plan: object, verdict: Verdict) -> None:
    """Joints as the generator has them: pairs, kinds, counts, and nothing free under glue."""
    names = {part.id: part.source for part in plan.model.parts}  # type: ignore[attr-defined]
    found = {frozenset((names[j.a], names[j.b])): j for j in plan.joints.joints}  # type: ignore[attr-defined]
    true = {frozenset((j.a, j.b)): j for j in made.joints}
    missed, invented = true.keys() - found.keys(), found.keys() - true.keys()
    for what, pairs in (("joints missed", missed), ("joints invented", invented)):
        if pairs:
            verdict.miss(what, f"{len(pairs)} of {len(true)}; {sorted(sorted(pair) for pair in pairs)[:3]}")
    both = [(true[pair], found[pair]) for pair in true.keys() & found.keys()]
    kinds = [(t, f) for t, f in both if f.kind not in t.kinds]
    if kinds:
        seen = sorted((t.a, t.b, "/".join(t.kinds), f.kind) for t, f in kinds)
        verdict.miss("kinds wrong", f"{len(kinds)} of {len(true)}; {seen[:2]}")
    counts = [(t, f) for t, f in both if t.contacts and f.kind in t.kinds and f.contacts != t.contacts]
    if counts:
        seen = sorted((t.a, t.b, t.contacts, f.contacts) for t, f in counts)
        verdict.miss("counts wrong", f"{len(counts)} of {len(true)}; {seen[:2]}")
    marks = plan.gluing.marks  # type: ignore[attr-defined]
    glued = sorted((t.a, t.b) for t, f in both if t.free and marks[f.id] == "glue")
    if glued:
        verdict.miss("free but glued", f"{len(glued)}; {glued[:3]}")


def run(name: str, seed: int, options: argparse.Namespace) -> Verdict:
    """Judge one seed in a process of its own, ended at the time limit."""
    receiver, sender = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(receiver)
        signal.setitimer(signal.ITIMER_PROF, options.limit)  # these end this process, and no other
        signal.alarm(int(IDLE * options.limit))
        verdict = Verdict(name, seed)
        try:
            made = family(name, seed, options.parts, most=options.most, turn=options.turned)
            verdict.title, verdict.parts = made.name, len(made.placed)
            os.write(sender, (json.dumps(asdict(verdict)) + "\n").encode())
            judge(made, options.scale, verdict)
        except Exception as error:
            verdict.miss(f"fault of the program: {type(error).__name__}", error)
        os.write(sender, (json.dumps(asdict(verdict)) + "\n").encode())
        os._exit(0)
    os.close(sender)
    begun = time.perf_counter()
    with os.fdopen(receiver) as stream:
        lines = stream.read().splitlines()
    os.waitpid(child, 0)
    verdict = Verdict(**json.loads(lines[-1])) if lines else Verdict(name, seed)
    if len(lines) < 2:
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
    import steps.draw
    import steps.glue
    import steps.order
    import steps.verify
    import tests.models.files

    assert steps.draw and steps.glue and steps.order and steps.verify and tests.models.files


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Plans and judges seeds of every family.")
    parser.add_argument("--seeds", type=int, default=3 * len(FAMILIES))
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--families", type=lambda text: text.split(","), default=list(FAMILIES))
    parser.add_argument("--most", type=int, default=60, help="parts drawn at most")
    parser.add_argument("--parts", type=int, help="about so many parts, instead of drawing")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--turned", action="store_true")
    parser.add_argument("--limit", type=float, default=60.0, help="CPU seconds a seed may take")
    options = parser.parse_args()
    unknown = set(options.families) - set(FAMILIES)
    if unknown:
        parser.error(f"no family {', '.join(sorted(unknown))}; there are {', '.join(FAMILIES)}")
    return options


if __name__ == "__main__":
    main()
