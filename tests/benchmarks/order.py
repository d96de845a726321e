"""Planning figures over demo and generated models, beside a plain baseline.

Run with ``python -m tests.benchmarks.order``.

Each row runs in a process of its own, cold; joints are found by the program (their time is not counted).
CPU time is shown beside the clock, and used to compare, since machines are shared. Bars / aims: 84 parts
3 s / 1 s, 1,000 parts 20 s / 5 s, 10,000 parts 120 s / 60 s and 2 GB; exponent 1.2 / 1.1 from 300 up; 50
times as fast as the baseline at 300.

The baseline is assembly by disassembly as one would write it in an afternoon: each part is tried along the
six axes, moved by small steps out of the model, with trimesh's FCL collision manager answering whether it
hits anything; the first that comes off is taken off. It is spared sub-assemblies, steps, cost and stability.

``--parts N ...`` chooses sizes of the sea wall; ``--no-baseline`` leaves the baseline out.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
from time import perf_counter, process_time

import numpy as np
from rich.console import Console
from rich.table import Table

WALLS = (84, 300, 1000, 3000, 10_000)
BASELINE = (84, 300)
#: The share of new parts seen asks the picture stage for every view; of larger models so many steps, spread
#: evenly, are looked at from the view that the picture stage tries first.
MOST_SEEN = 300
STEPS_SEEN = 40
#: The baseline is given up after so many CPU seconds.
BASELINE_S = 60.0
#: How far the baseline moves a part between two collision queries, mm: half a slab at 1x.
BASELINE_STEP_MM = 2.5


def given(name: str):
    from demo_model.beacon import beacon
    from demo_model.seawall import sea_wall
    from demo_model.tug import tug
    from steps.features import measure
    from steps.joints import find_joints
    from steps.settings import Settings
    from tests.order_models import barge, castle, model_of

    made = {"tug": tug, "beacon": beacon, "barge": barge, "castle": castle}
    demo = made[name]() if not name.isdigit() else sea_wall(parts=int(name))
    model = model_of(demo)
    measures = measure(model, Settings())
    return model, measures, find_joints(model, measures, Settings())


def plan(name: str) -> dict[str, float]:
    """Figures of one model, measured here and now."""
    from steps.order import plan_order
    from steps.settings import Settings

    model, measures, joints = given(name)
    start, busy = perf_counter(), process_time()
    order = plan_order(model, measures, joints, Settings())
    seconds, busy = perf_counter() - start, process_time() - busy
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    pitch = measures.pitch_mm or 1.0
    figures = {"parts": len(model.parts), "seconds": seconds, "cpu": busy, "peak_mb": peak, **order.facts}
    figures["hop_pitches"] = order.facts["longest_hop_mm"] / pitch
    figures["alone"] = sum(len(step.adds) == 1 for step in order.steps) / len(order.steps)
    figures["seen"] = share_seen(model, measures, joints, order)
    return figures


def share_seen(model, measures, joints, order) -> float:
    """Mean share of each new part that the step's picture shows, as the picture stage measures it."""
    from steps.draw import choose_views
    from steps.draw.studio import USUAL_VIEW, Studio
    from steps.draw.views import Stage
    from steps.model import Adhesive, Gluing, Plan, StepWork, Work
    from steps.settings import Settings

    marks = {joint.id: "free" if joint.moves else "press" for joint in joints.joints}
    gluing = Gluing(marks, {}, {}, Adhesive())
    work = Work(tuple(StepWork(step.number) for step in order.steps))
    plan = Plan(model, measures, joints, order, gluing, work)
    if len(model.parts) <= MOST_SEEN:
        seen = [sight.seen for sight in choose_views(plan, Settings())]
    else:
        studio = Studio(plan, Settings())
        chosen = order.steps[:: max(1, len(order.steps) // STEPS_SEEN)]
        seen = [Stage(studio, step).look(USUAL_VIEW).seen for step in chosen]
    return float(np.mean([share for shares in seen for share in shares.values()]))


def baseline(name: str) -> dict[str, float]:
    """Seconds that the plain way takes, and how many parts it could not take off."""
    import trimesh

    model, _, _ = given(name)
    meshes = {shape.id: trimesh.Trimesh(shape.vertices, shape.faces, process=False) for shape in model.shapes}
    busy = process_time()
    manager = trimesh.collision.CollisionManager()
    for part in model.parts:
        manager.add_object(part.id, meshes[part.shape], part.pose)
    far = float(np.linalg.norm(model.bounds[1] - model.bounds[0]))
    offsets = np.arange(0.1, far, BASELINE_STEP_MM)
    left = list(reversed(model.parts))  # the demo models list their parts from the table up
    while left and process_time() - busy < BASELINE_S:
        taken = next((part for part in left if leaves(manager, meshes[part.shape], part, offsets)), None)
        if taken is None:
            break
        left.remove(taken)
    return {"parts": len(model.parts), "cpu": process_time() - busy, "left": len(left)}


def leaves(manager, mesh, part, offsets) -> bool:
    """Take the part out of the manager when it comes off along some axis; else put it back."""
    manager.remove_object(part.id)
    for direction in np.vstack([np.eye(3)[::-1], -np.eye(3)]):
        for offset in offsets:
            pose = part.pose.copy()
            pose[:3, 3] += direction * offset
            if manager.in_collision_single(mesh, pose):
                break
        else:
            return True
    manager.add_object(part.id, mesh, part.pose)
    return False


def alone(what: str, name: str) -> dict[str, float]:
    """Run one row in a fresh process."""
    command = [sys.executable, "-m", "tests.benchmarks.order", what, name]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


COLUMNS = (
    ("parts", "parts", "{:.0f}"),
    ("s", "seconds", "{:.2f}"),
    ("CPU s", "cpu", "{:.2f}"),
    ("peak MB", "peak_mb", "{:.0f}"),
    ("steps", "steps", "{:.0f}"),
    ("assemblies", "assemblies", "{:.0f}"),
    ("repeats", "repeated_groups", "{:.0f}"),
    ("turns", "turns", "{:.0f}"),
    ("turned to attach", "turned_over", "{:.0f}"),
    ("directions", "directions", "{:.0f}"),
    ("longest hop, pitches", "hop_pitches", "{:.0f}"),
    ("steps of one part", "alone", "{:.0%}"),
    ("new parts seen", "seen", "{:.0%}"),
    ("orders tried", "orders_tried", "{:.0f}"),
)


def main() -> None:
    if len(sys.argv) == 3 and sys.argv[1] in ("--plan", "--baseline"):
        print(json.dumps({"--plan": plan, "--baseline": baseline}[sys.argv[1]](sys.argv[2])))
        return
    parser = argparse.ArgumentParser()
    parser.add_argument("--parts", type=int, nargs="*", default=list(WALLS))
    parser.add_argument("--no-baseline", action="store_true")
    options = parser.parse_args()
    console = Console(width=170)
    names = ("beacon", "tug", "barge", "castle", *map(str, options.parts))
    rows = {name: alone("--plan", name) for name in names}
    table = Table("model", *(title for title, _, _ in COLUMNS))
    for name, row in rows.items():
        title = name if not name.isdigit() else f"sea wall {name}"
        table.add_row(title, *(style.format(row[key]) for _, key, style in COLUMNS))
    console.print(table)
    large = [row for name, row in rows.items() if name.isdigit() and row["parts"] >= 300]
    if len(large) > 1:
        logs = np.log([[row["parts"], row["cpu"]] for row in large])
        slope = np.polyfit(logs[:, 0], logs[:, 1], 1)[0]
        console.print(
            f"CPU time grows as n^{slope:.2f} from {large[0]['parts']:.0f} parts up (bar 1.2, aim 1.1)"
        )
    for size in [] if options.no_baseline else [size for size in BASELINE if str(size) in rows]:
        plain = alone("--baseline", str(size))
        ratio = plain["cpu"] / rows[str(size)]["cpu"]
        unfinished = f", given up with {plain['left']:.0f} parts on: more than" if plain["left"] else ":"
        console.print(
            f"baseline at {size} parts: {plain['cpu']:.1f} CPU s{unfinished} {ratio:.0f} times the planner's "
            f"{rows[str(size)]['cpu']:.2f} s (aim 50 at 300)"
        )


if __name__ == "__main__":
    main()
