"""Processes that draw a plan's pictures. One that crashes costs one picture, which is drawn again."""

from __future__ import annotations

import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass
from itertools import islice
from types import TracebackType
from typing import Literal

from renderer.picture import Picture
from renderer.source import may_use_gl
from steps.draw import desk
from steps.draw.desk import Request
from steps.errors import CannotDraw
from steps.model import Plan
from steps.progress import tick
from steps.settings import Settings
from steps.workers import Worker, WorkerEnded

#: What a worker draws in one go: neighbours share a view, and what the studio keeps of it.
RUN = 16
#: Runs handed out ahead of the page being painted, per worker: bounds the memory.
AHEAD = 2
#: A source of pictures in which so many pictures each ended two processes is broken, and not the pictures:
#: the rest is drawn by the other, since every such picture costs the start of two processes.
BROKEN = 2
#: A wait without an end cannot be interrupted on Windows, nor tell that the work moves on (s).
GLANCE_S = 0.5

SitDown = Callable[[Plan, Settings], Iterator[None]]
Drawn = list[Picture | None]
Way = Literal["gl", "rays"]
SAID_AS: dict[Way, str] = {"gl": "OpenGL", "rays": "rays"}


class NoWorkers(Exception):
    """No process can be started here; the message says why."""


@dataclass(eq=False)
class Bench:
    """A worker, and what it is ready to draw."""

    worker: Worker
    plan: Plan | None = None
    settings: Settings | None = None


class Crew:
    """So many processes, which load at once what they need to draw; to be used in a ``with``, at whose end
    they are gone. ``sit_down`` makes one of them ready for a plan."""

    def __init__(self, count: int, sit_down: SitDown = desk.sit_down):
        self._count, self._sit_down = count, sit_down
        self._lock = threading.Lock()
        self._benches: list[Bench] = []
        self._free: deque[Bench] = deque()
        self._over = False
        self._ends: list[str] = []  # how each worker that crashed ended
        self._other: Counter[Way] = Counter()  # pictures that only the other source could draw
        self._notice = ""
        self._moving = threading.Event()  # the work of a worker has moved on, which is not told yet
        self.drew: Counter[str] = Counter()  #: how many pictures by which source, for the log
        with suppress(NoWorkers):  # told when there is something to draw
            self._free.extend(self._start() for _ in range(count))
        self._threads = ThreadPoolExecutor(count)

    def __enter__(self) -> Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self._over = True
        for bench in self._benches:
            bench.worker.end()
        self._threads.shutdown(cancel_futures=True)

    def drawn(self, plan: Plan, settings: Settings, asked: Sequence[Request]) -> Iterator[Picture | None]:
        """Each picture in turn. Raises NoWorkers; CannotDraw for a picture that every source crashes at."""
        runs = iter([asked[start : start + RUN] for start in range(0, len(asked), RUN)])

        def hand_out(count: int) -> Iterator[Future[Drawn]]:
            return (self._threads.submit(self._run, plan, settings, run) for run in islice(runs, count))

        waiting = deque(hand_out(AHEAD * self._count))
        while waiting:
            finished = self._patiently(waiting.popleft())
            waiting.extend(hand_out(1))
            yield from finished

    def _patiently(self, future: Future[Drawn]) -> Drawn:
        """The pictures of a run; meanwhile what moves in the workers is told."""
        while True:
            if self._moving.is_set():
                self._moving.clear()
                tick()
            try:
                return future.result(GLANCE_S)
            except TimeoutError:
                if future.done():
                    raise

    @property
    def notice(self) -> str:
        """What the user should know of how it went, in one line; else empty."""
        said = [self._notice] if self._notice else []
        if self._ends:
            times = "A process" if len(self._ends) == 1 else f"{len(self._ends)} processes"
            how = ", ".join(dict.fromkeys(self._ends))
            again = "its picture was" if len(self._ends) == 1 else "their pictures were"
            said.append(f"{times} that drew ended {how}; {again} drawn again.")
        for way, count in self._other.items():
            said.append(f"{count} could not be drawn with {SAID_AS[way]}, and {_other(way)} took over.")
        return " ".join(said)

    # ------------------------------------------------------------------- in a thread of its own

    def _run(self, plan: Plan, settings: Settings, run: Sequence[Request]) -> Drawn:
        done: Drawn = []
        while len(done) < len(run):
            bench = self._ready(plan, self._by(settings))
            try:
                self._ask(bench, run[len(done) :], done)
            except WorkerEnded as ended:
                bench.worker.end()
                done.append(self._again(plan, settings, run[len(done)], str(ended)))
        return done

    def _again(self, plan: Plan, settings: Settings, lost: Request, how: str) -> Picture | None:
        """A picture at which a process ended: in a fresh one by the same source, then by the other."""
        with self._lock:
            self._ends.append(how)
        same = self._by(settings)
        way = _way(same)
        for each in (same, same.model_copy(update={"pictures": _other(way)})):
            bench, done = self._ready(plan, each), list[Picture | None]()
            try:
                self._ask(bench, [lost], done)
            except WorkerEnded:
                bench.worker.end()
                continue
            if each is not same:
                with self._lock:
                    self._other[way] += 1
            return done[0]
        of = lost.shape or lost.assembly or (f"step {lost.step}" if lost.step else "the model")
        raise CannotDraw(
            f"The {lost.kind} picture of {of} cannot be drawn: a process that draws it ends {how}, by rays "
            "and with OpenGL. Is there memory enough? If so, please report it, with the model."
        )

    def _ask(self, bench: Bench, run: Sequence[Request], done: Drawn) -> None:
        for picture, who, notice in bench.worker.ask(desk.draw_run, run):
            done.append(picture)
            with self._lock:
                self.drew[who] += picture is not None
            if notice and not self._notice:
                self._notice = notice
        self._free.append(bench)

    def _by(self, settings: Settings) -> Settings:
        """The settings, without a source that is broken."""
        way = _way(settings)
        if self._other[way] < BROKEN:
            return settings
        return settings.model_copy(update={"pictures": _other(way)})

    def _ready(self, plan: Plan, settings: Settings) -> Bench:
        """A worker ready for the plan: a free one that still lives, or a fresh one. Raises NoWorkers."""
        while True:
            try:
                bench, fresh = self._free.pop(), False
            except IndexError:
                bench, fresh = self._start(), True
            try:
                if bench.plan is not plan or bench.settings != settings:
                    for _ in bench.worker.ask(self._sit_down, plan, settings):
                        pass
                    bench.plan, bench.settings = plan, settings
                return bench
            except WorkerEnded as ended:
                bench.worker.end()
                if fresh:
                    raise NoWorkers(f"it ends {ended}") from ended

    def _start(self) -> Bench:
        """A new process. Raises NoWorkers."""
        with self._lock:  # none is started that nobody would end
            if self._over:
                raise NoWorkers("all are told to end")
            try:
                bench = Bench(Worker(desk.__name__, self._moving.set))
            except OSError as error:
                raise NoWorkers(str(error)) from error
            self._benches.append(bench)
        return bench


def crew_for(settings: Settings, workers: int) -> AbstractContextManager[Crew | None]:
    """Processes to draw with; None where this one is to draw alone, and then with rays: a driver of OpenGL
    that crashes takes its process with it."""
    return Crew(workers) if workers > 1 or settings.pictures == "gl" else nullcontext()


def _way(settings: Settings) -> Way:
    """What draws, as far as can be told from here."""
    return "gl" if may_use_gl(settings.pictures) else "rays"


def _other(way: Way) -> Way:
    return "rays" if way == "gl" else "gl"
