"""How long planning and drawing are silent, where: python -m tests.benchmarks.silence [KIND] [PARTS ...].

Seconds are those of the working thread (CPU), so that other work on the machine does not count. For each
stage the longest silences, each with the lines of the product in which most of it was spent. ``full [PARTS
SHAPES TRIANGLES]`` is the heaviest model that is promised, ``FILE.3mf`` any file; ``--scale 4``: larger.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from steps import collecting
from steps.errors import StepleafError
from steps.model import Model
from steps.settings import Settings
from tests.benchmarks.load import DRAWN, FULL, full, plan_and_draw
from tests.models.files import model_of
from tests.models.structures import structure

#: Seconds between two looks at the stack, and those told of each stage. Silences at least so long are told.
LOOK_S, TOLD, LONG_S = 0.02, 9, 0.4
#: Frames of the product told of a stack, innermost first.
FRAMES = 4
PRODUCT = str(Path(__file__).parents[2] / "steps")

Silence = tuple[float, str]  # seconds, where most of it was spent


@dataclass
class Listener:
    """Hears what a stage tells, and looks at the working thread in between."""

    worker: int = field(default_factory=threading.get_ident)
    silences: dict[str, list[Silence]] = field(default_factory=dict)
    _stage: str = "begin"
    _heard: float = field(default_factory=time.thread_time)
    _seen: Counter[str] = field(default_factory=Counter)
    _ended: threading.Event = field(default_factory=threading.Event)

    def tell(self, stage: str, done: int, total: int) -> None:
        now = time.thread_time()
        if now - self._heard >= LONG_S:
            where = self._seen.most_common(1)[0][0] if self._seen else ""
            self.silences.setdefault(self._stage, []).append((now - self._heard, where))
        self._stage, self._heard, self._seen = stage, time.thread_time(), Counter()

    def __enter__(self) -> Listener:
        threading.Thread(target=self._look, daemon=True).start()
        return self

    def __exit__(self, *fault: object) -> None:
        self.tell("", 0, 0)
        self._ended.set()

    def _look(self) -> None:
        while not self._ended.wait(LOOK_S):
            self._seen[where_is(sys._current_frames()[self.worker])] += 1

    def __str__(self) -> str:
        lines = []
        for stage, found in self.silences.items():
            longest = sorted(found, reverse=True)
            lines.append(
                f"{stage}: {len(found)} silences of {LONG_S:g} s or more, at most {longest[0][0]:.1f}"
            )
            lines += [f"    {seconds:.1f} s  {where}" for seconds, where in longest[:TOLD]]
        return "\n".join(lines) or f"nowhere {LONG_S:g} s without a word"


def where_is(frame: FrameType | None) -> str:
    """The innermost lines of the product in a stack."""
    told: list[str] = []
    while frame is not None and len(told) < FRAMES:
        code = frame.f_code
        if code.co_filename.startswith(PRODUCT):
            told.append(f"{Path(code.co_filename).stem}.{code.co_name}:{frame.f_lineno}")
        frame = frame.f_back
    return " < ".join(told)


def listened(source: Model | Path, settings: Settings) -> None:
    with Listener() as listener:
        try:
            plan_and_draw(source, DRAWN, settings, listener.tell)
        except StepleafError as error:
            print(f"ended: {error}", flush=True)
    print(listener, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", nargs="?", default="wall", help="a structure, full, or a file")
    parser.add_argument("sizes", nargs="*", type=int, default=[])
    parser.add_argument("--scale", type=float, default=1.0)
    given = parser.parse_args()
    collecting.seldom()  # as on the command line
    settings = Settings(anyway=True, scale=given.scale)
    if given.kind == "full":
        with tempfile.TemporaryDirectory() as folder:
            listened(full(Path(folder), *(given.sizes or map(int, FULL))), settings)
    elif "." in given.kind:
        listened(Path(given.kind), settings)
    else:
        for parts in given.sizes or (1000,):
            print(f"{given.kind} of {parts}", flush=True)
            listened(model_of(structure(given.kind, parts), given.scale), settings)


if __name__ == "__main__":
    main()
