"""Time and memory of pictures: ``python -m tests.benchmarks.pictures [parts ...]``.

Each model runs in a process of its own, cold. A picture is timed at the size it has on an A4 sheet, at
200 pixels an inch, on one core, ink and marks included. The floor, in the same run, is a bare ray cast of
the same pixels at one ready mesh of what the picture shows, and PNG encoding of its pixels. "Seen" is the
share of a new part in its drawing (median); "told" and "least" the median and least share in it or in the
inset that shows it or one of its kind.

Bars and aims: a picture 1.0 s / 0.5 s for 84 parts and at most 1.5 times that for 5,000; 3 / 2 times the
floor; all pictures of the tug 20 s / 8 s on two cores; 1 GB at 5,000 parts; visible shares of new parts:
median 0.7, least 0.35 after insets.
"""

from __future__ import annotations

import io
import json
import resource
import subprocess
import sys
from dataclasses import replace
from time import perf_counter, process_time

import numpy as np
from PIL import Image
from rich.console import Console
from rich.table import Table

from steps.booklet.compose import compose
from steps.booklet.crew import Crew
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.fonts import typeface
from steps.booklet.layout import Composer
from steps.booklet.pictures import PictureOrder, StudioPictures, orders_of
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.draw import Studio, choose_views, step_picture
from steps.draw.closer import HIDDEN_PART
from steps.draw.lift import lifted_things
from steps.draw.sheet import Field
from steps.draw.step import _step_camera, new_items
from steps.model import Plan
from steps.settings import Settings

#: The drawing's field on an A4 sheet, mm.
WIDTH, HEIGHT = 200.0, 170.0
TUG = 84
SIZES = (TUG, 1000, 5000)
#: Pictures timed of each model: a run of steps from its middle, and as many spread over all steps.
TIMED = 12


def plan_of_size(parts: int) -> Plan:
    """The tug by its real plan; sea walls from the table up, whose order needs no planner."""
    from demo_model.seawall import sea_wall
    from demo_model.tug import tug
    from steps.features import measure
    from steps.joints import find_joints
    from steps.pipeline import plan_survey
    from tests.draw_scenes import plan_of
    from tests.joint_cases import from_demo

    if parts != TUG:
        plan = plan_of(sea_wall(parts=parts), per_step=4)
        start = perf_counter()
        plan = replace(plan, sights=choose_views(plan, Settings()))
        print(f"views of {parts} parts: {perf_counter() - start:.1f} s", file=sys.stderr)
        return plan
    model = from_demo(tug())
    measures = measure(model, Settings())
    return plan_survey(model, measures, find_joints(model, measures, Settings()), Settings())


def run(parts: int) -> dict[str, float]:
    """Figures of one model, measured here and now."""
    from tests.draw_scenes import shares_told

    plan = plan_of_size(parts)
    studio = Studio(plan, Settings())
    numbers = [step.number for step in plan.order.steps]
    middle = numbers[len(numbers) // 2 :][:TIMED]
    spread = numbers[:: max(1, len(numbers) // TIMED)][:TIMED]
    times: dict[int, float] = {}
    for number in [*middle, *spread]:
        start = process_time()
        step_picture(studio, number, WIDTH, HEIGHT)
        times[number] = process_time() - start
    floors = [floor(studio, number) for number in middle[:3]]
    shares = [share for sight in plan.sights for share in sight.seen.values()]
    told = [share for step in plan.order.steps for share in shares_told(studio, step).values()]
    return {
        "parts": len(plan.model.parts),
        "steps": len(numbers),
        "run_s": float(np.median([times[number] for number in middle])),
        "mean_s": float(np.mean([times[number] for number in middle])),
        "spread_s": float(np.median([times[number] for number in spread])),
        "most_s": max(times.values()),
        "floor_s": float(np.median(floors)),
        "seen_median": float(np.median(shares)),
        "seen_least": min(shares),
        "inset_share": float(np.mean(np.array(shares) < HIDDEN_PART)),
        "told_median": float(np.median(told)),
        "told_least": min(told),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def floor(studio: Studio, number: int) -> float:
    """Seconds of a bare ray cast and of PNG encoding, for the picture of a step."""
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    step = studio.plan.sequence.by_number[number].step
    field = Field(WIDTH, HEIGHT)
    camera = _step_camera(studio, step, field)
    new = new_items(studio, lifted_things(studio, step))
    table = studio.table(studio.moment(step).before, new, camera)
    keys = set(np.unique(table.key)) - {-1} - {item.key for item in new}
    items = [*new, *(studio.item_of_key(int(key), "earlier") for key in sorted(keys))]
    corners = [(i.solid.vertices @ i.pose[:3, :3].T + i.pose[:3, 3])[i.solid.faces] for i in items]
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, np.concatenate(corners).astype(np.float32))
    rows, columns = np.indices(table.key.shape)
    far = -2 * float(np.abs(camera.project(np.concatenate([i.outer for i in items]))[:, 2]).max())
    start = camera.unproject(columns.ravel() + 0.5, rows.ravel() + 0.5, far).astype(np.float32)
    ways = np.broadcast_to(-camera.toward.astype(np.float32), start.shape).copy()
    scene.run(start[:1], ways[:1], query="INTERSECT")
    pixels = step_picture(studio, number, WIDTH, HEIGHT).pixels
    begin = process_time()
    scene.run(start, ways, query="INTERSECT")
    Image.fromarray(pixels).save(io.BytesIO(), "PNG")
    return process_time() - begin


def orders_of_booklet(plan: Plan) -> tuple[PictureOrder, ...]:
    """Every picture that the plan's booklet asks for, each once."""
    settings = Settings()
    words = words_in(settings.language)
    face, edition, paper = typeface(words), edition_of(settings), paper_of(settings)
    booklet = compose(plan, settings, words)
    pages = Composer(Typesetter(edition, face), edition, paper, words).pages(booklet)
    return tuple(dict.fromkeys(orders_of(pages)))


def all_pictures() -> tuple[int, float, float]:
    """How many pictures the tug's booklet has, the seconds they take on two cores, workers started cold,
    and the CPU seconds of the same in one process."""
    plan = plan_of_size(TUG)
    orders = orders_of_booklet(plan)
    start = perf_counter()
    with Crew(2) as crew:
        count = sum(1 for _ in StudioPictures(plan, Settings(), crew).drawn(orders))
    wall = perf_counter() - start
    begin = process_time()
    for _ in StudioPictures(plan, Settings()).drawn(orders):
        pass
    return count, wall, process_time() - begin


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(run(int(sys.argv[2]))))
        return
    sizes = [int(word) for word in sys.argv[1:]] or SIZES
    console = Console(width=120)
    table = Table(title=f"One picture of {WIDTH:.0f} x {HEIGHT:.0f} mm at 200 dpi, CPU seconds on one core")
    for name in ("parts", "steps", "in a run", "mean", "spread", "most", "floor", "x floor"):
        table.add_column(name, justify="right")
    for name in ("seen", "told", "least", "MB"):
        table.add_column(name, justify="right")
    for size in sizes:
        command = [sys.executable, "-m", "tests.benchmarks.pictures", "--one", str(size)]
        found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        table.add_row(
            f"{found['parts']:.0f}",
            f"{found['steps']:.0f}",
            *(f"{found[name]:.2f}" for name in ("run_s", "mean_s", "spread_s", "most_s", "floor_s")),
            f"{found['mean_s'] / found['floor_s']:.1f}",
            *(f"{found[name]:.2f}" for name in ("seen_median", "told_median", "told_least")),
            f"{found['peak_mb']:.0f}",
        )
    console.print(table)
    if TUG in sizes:
        count, wall, cpu = all_pictures()
        console.print(f"All {count} pictures of the tug on two cores: {wall:.1f} s (bar 20, aim 8)")
        console.print(f"The same in one process: {cpu:.1f} CPU s")


if __name__ == "__main__":
    main()
