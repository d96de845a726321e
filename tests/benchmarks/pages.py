"""How the pages are filled: `python -m tests.benchmarks.pages [model ...]`; both demos and twelve models by
default, or tug, beacon, names of structures and of families.

A place is empty if nothing but rules is printed within 8 mm of it. Bars: at most a
tenth of the sheets over 40 % empty; words a step in the median at most 35 (helper), 20 (child). A word has a
letter in it, and the letters in circles are none. `--editions`, `--seed`, `--pdf FOLDER` keeps the booklets.
"""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pypdfium2
from rich.console import Console
from rich.table import Table
from scipy.ndimage import distance_transform_edt

from demo_model.beacon import beacon
from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.booklet.boxes import Page
from steps.booklet.compose import compose
from steps.booklet.content import Block, Marked, Sheet
from steps.booklet.crew import crew_for
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.fonts import typeface
from steps.booklet.layout import Composer
from steps.booklet.paint import paint
from steps.booklet.pictures import StudioPictures
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.model import Plan
from steps.pipeline import make_plan
from steps.settings import Settings
from tests.models.families import FAMILIES, family
from tests.models.files import write
from tests.models.structures import STRUCTURES, structure

NEAR_MM = 8.0  # from anything printed: not empty; so the first booklet had 15 of 58 sheets over 40 %
MOST_EMPTY = 0.4
PER_MM = 2.0  # pixels
WHITE = 247  # of 255: paler than this is paper
BARS = {"helper": 35, "child": 20}
DEMOS = {"tug": tug, "beacon": beacon}
PARTS = 40  # of a structure
OF_FAMILIES = ("bridges", "cages", "tied towers", "hung", "side studs", "ball arms")
USUAL = ("tug", "beacon", *STRUCTURES, *OF_FAMILIES)


def plan_of(name: str, seed: int, settings: Settings) -> Plan:
    """A demo, a structure or the model of a family, planned from its file."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.3mf"
        if name in DEMOS:
            write_3mf(DEMOS[name](), path)
        elif name in STRUCTURES:
            write(structure(name, PARTS, seed), path)
        else:
            write(family(name, seed, most=60), path)
        return make_plan(path, settings)


def words_of(sheet: Sheet) -> int:
    """Words that a step's panel says."""
    strip = sheet.strip
    said = [strip.by, strip.begin, strip.then] if strip is not None else []
    said += [text for block in sheet.words for text in _texts(block)]
    said += [sheet.foot.caption] if sheet.foot is not None else []
    return sum(bool(re.search(r"[^\W\d_]{2}|\b[A-Z]\d", word)) for word in " ".join(said).split())


def _texts(block: Block) -> Iterator[str]:
    if isinstance(block, Marked):
        yield from (block.words, block.detail)
    for name in ("name", "remark", "label", "caption"):
        yield getattr(block, name, "")
    if hasattr(block, "words") and not isinstance(block, Marked):
        yield block.words


def emptiness(content: bytes, frames: list[Page]) -> list[float]:
    """Share of each page's frame that is empty."""
    found = []
    for page, laid in zip(pypdfium2.PdfDocument(content), frames, strict=True):
        pixels = np.asarray(page.render(scale=PER_MM * 25.4 / 72).to_pil().convert("L"))
        frame = laid.frame[0].rect()
        top = laid.height - frame.top
        rows, columns = (
            slice(int(start * PER_MM), int((start + size) * PER_MM))
            for start, size in ((top, frame.height), (frame.x, frame.width))
        )
        away = distance_transform_edt(pixels[rows, columns] >= WHITE)
        found.append(float((away > NEAR_MM * PER_MM).mean()))
    return found


def figures(name: str, reader: str, plan: Plan, pdf: str | None) -> list[str]:
    """One row of the table."""
    settings = Settings(scale=4.0, reader=reader)
    words = words_in("en")
    face, edition, paper = typeface(words), edition_of(settings), paper_of(settings)
    booklet = compose(plan, settings, words)
    pages = Composer(Typesetter(edition, face), edition, paper, words).pages(booklet)
    bare = [replace(page, frame=()) for page in pages]
    with crew_for(settings, os.cpu_count() or 1) as crew:
        content = paint(bare, booklet, face, words, StudioPictures(plan, settings, crew), settings)
    if pdf:
        (Path(pdf) / f"{name}-{reader}.pdf").write_bytes(content)
    empty = np.array(emptiness(content, list(pages)))
    counts = [words_of(sheet) for sheet in booklet.sheets if sheet.kind == "step"]
    over = np.flatnonzero(empty > MOST_EMPTY) + 1
    kinds = ", ".join(f"{n} {pages[n - 1].kind} {empty[n - 1]:.2f}" for n in over)
    return [
        name,
        reader,
        str(len(plan.model.parts)),
        str(len(plan.order.steps)),
        str(len(pages)),
        f"{np.mean(empty):.2f}",
        f"{len(over)} of {len(pages)}" + ("" if len(over) <= 0.1 * len(pages) else " !"),
        f"{np.median(counts):g} / {max(counts)}" + ("" if np.median(counts) <= BARS[reader] else " !"),
        kinds,
    ]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("models", nargs="*", default=USUAL)
    parser.add_argument("--editions", default="helper,child")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pdf")
    options = parser.parse_args()
    for name in options.models:
        if name not in (*DEMOS, *STRUCTURES, *FAMILIES):
            parser.error(f"no model '{name}'; known: {', '.join((*DEMOS, *STRUCTURES, *FAMILIES))}")
    table = Table(
        "model", "edition", "parts", "steps", "sheets", "empty", "over 40 %", "words a step", "which"
    )
    for name in options.models:
        for reader in options.editions.split(","):
            plan = plan_of(name, options.seed, Settings(scale=4.0, reader=reader))
            table.add_row(*figures(name, reader, plan, options.pdf))
    Console(width=150).print(table)


if __name__ == "__main__":
    main()
