"""Plans a made model from its file up and holds everything against the generator's truth."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from steps.errors import FaultyModel, StepleafError
from steps.model import Joints, Model, Plan
from steps.pipeline import make_plan, survey
from steps.planfile import parse_plan, plan_to_json
from steps.settings import Settings
from steps.verify import verify_plan
from tests.models.files import write
from tests.models.value import Made

#: How far a gap may be off after mending, mm at 1x (scans: their noise).
GAP_MM = 0.02
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


def judge(made: Made, scale: float, verdict: Verdict, clean: Made | None = None) -> None:
    """Plan a model from its file and hold everything against the truth.

    ``clean`` is the same model before its meshes were spoiled: the gaps must be those found in it.
    """
    settings = Settings(scale=scale)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("model.3mf" if clean is None else "model.glb")
        write(made, path)
        before, begun = time.process_time(), time.perf_counter()
        try:
            plan = make_plan(path, settings)
        except FaultyModel as fault:
            _refused(made, fault, verdict)
            if not made.locked and fault.model is not None:
                found = survey(path, settings)
                _joints(made, found.model, found.joints or Joints(()), verdict)
            return
        except StepleafError as error:
            verdict.miss(type(error).__name__, error)
            return
        finally:
            verdict.cpu, verdict.seconds = time.process_time() - before, time.perf_counter() - begun
    if made.locked:
        verdict.miss("built what is locked", f"{len(plan.order.steps)} steps")
        return
    _joints(made, plan.model, plan.joints, verdict)
    _marks(made, plan, verdict)
    if clean is not None:
        _gaps(clean, plan, settings, verdict)
    filed = parse_plan(plan_to_json(plan, settings))
    report = verify_plan(filed, plan.model)
    for check in report.checks:
        for fault in check.faults[:1]:
            verdict.miss(f"verify: {check.name}", f"{len(check.faults)} wrong; {fault}")
    doubtful = [step for step in plan.order.steps if step.doubtful]
    if doubtful:
        verdict.miss("doubtful steps", f"{len(doubtful)}; {'; '.join(map(str, doubtful[0].doubtful))}")


def _refused(made: Made, fault: FaultyModel, verdict: Verdict) -> None:
    """Right for what is locked, when it names the set; wrong for anything else."""
    problems = [each for each in fault.problems if each.severity == "error"]
    codes = ", ".join(sorted({each.code for each in problems}))
    names = {part.id: part.source for part in fault.model.parts} if fault.model is not None else {}
    sets = [frozenset(names.get(part, part) for part in each.parts) for each in problems]
    if not made.locked:
        verdict.miss(f"refused: {codes}", problems[0].text if problems else fault)
    elif not any(each in made.locked for each in sets):
        told = [sorted(each)[:6] for each in sets]
        verdict.miss("wrong set refused", f"{codes}: {told}, not {[sorted(each) for each in made.locked]}")


def _joints(made: Made, model: Model, joints: Joints, verdict: Verdict) -> None:
    """Joints as the generator has them: pairs, kinds, counts."""
    names = {part.id: part.source for part in model.parts}
    found = {frozenset((names[j.a], names[j.b])): j for j in joints.joints}
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
        told = sorted((t.a, t.b, t.contacts, f.contacts) for t, f in counts)
        verdict.miss("counts wrong", f"{len(counts)} of {len(true)}; {told[:2]}")


def _marks(made: Made, plan: Plan, verdict: Verdict) -> None:
    """Nothing that the generator calls free is glued."""
    names = {part.id: part.source for part in plan.model.parts}
    free = {frozenset(pair) for pair in made.free}
    glued = sorted(
        sorted((names[j.a], names[j.b]))
        for j in plan.joints.joints
        if plan.gluing.marks[j.id] == "glue" and frozenset((names[j.a], names[j.b])) in free
    )
    if glued:
        verdict.miss("free but glued", f"{len(glued)} of {len(free)}; {glued[:3]}")


def _gaps(clean: Made, plan: Plan, settings: Settings, verdict: Verdict) -> None:
    """Shapes and gaps as the clean meshes give them."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "model.glb"
        write(clean, path)
        found = survey(path, settings)
    if len(plan.model.shapes) != len(found.model.shapes):
        verdict.miss("shapes", f"{len(plan.model.shapes)}, not {len(found.model.shapes)}")
    names = {part.id: part.source for part in plan.model.parts}
    there = {part.id: part.source for part in found.model.parts}
    assert found.joints is not None
    right = {frozenset((there[j.a], there[j.b])): j.gap_mm for j in found.joints.joints}
    pairs = {frozenset((names[j.a], names[j.b])): j.gap_mm for j in plan.joints.joints}
    off = {pair: gap - right[pair] for pair, gap in pairs.items() if pair in right}
    wrong = {pair: by for pair, by in off.items() if abs(by) > GAP_MM * settings.scale}
    if wrong:
        most = max(wrong, key=lambda pair: abs(wrong[pair]))
        verdict.miss("gaps wrong", f"{len(wrong)} of {len(off)}; {sorted(most)} by {wrong[most]:.3f} mm")
