"""Processes that work for this one and end with it, however it ends.

A worker is a fresh interpreter at the other end of two pipes, started alike on every system. It imports
nothing of the program that started it, so that it may be started by a script without a guard, from standard
input and from a notebook; and it holds no file of its starter, so that whoever reads from that one need not
wait for its workers. A pipe closes when the process that holds it dies, whatever killed it: a worker watches
the one that its questions come from in a thread of its own, and ends when that closes.
"""

from __future__ import annotations

import os
import pickle
import select
import signal
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib import import_module
from queue import SimpleQueue
from typing import IO, Any, BinaryIO, TypeVar, cast

from steps import collecting
from steps.progress import heard, patiently, tick, within

Value = TypeVar("Value")

#: What the interpreter runs: nothing may be imported but by the path of the process that asks.
START = """
import pickle, sys
sys.path[:] = pickle.load(sys.stdin.buffer)
from steps.workers import serve
serve()
"""
#: An answer of some megabytes is handed over in few pieces where the system allows (bytes; Linux's limit).
PIPE_BYTES = 1 << 20
#: How long the end of a worker that was killed, or whose pipe has closed, is waited for (s).
PATIENCE_S = 2.0
#: A worker tells at most so often that its work moves on (s).
MOVED_S = 0.2
#: In a process group of its own, so that Ctrl-C at the terminal reaches the program and not its workers.
APART: dict[str, Any] = (
    {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
    if os.name == "nt"
    else {"process_group": 0}
)


class WorkerEnded(Exception):
    """A worker ended before it had answered; the message says how, as "by signal SIGKILL"."""


@dataclass(frozen=True)
class _Told:
    """A pipe, and who is told of each piece that went into it."""

    pipe: IO[bytes]
    moved: Callable[[], None]

    def write(self, piece: bytes) -> None:
        whole = memoryview(piece)
        for start in range(0, len(whole), PIPE_BYTES):
            self.pipe.write(whole[start : start + PIPE_BYTES])
            self.moved()


class RemoteTrace(Exception):
    """The traceback of an error in a worker, as text: the cause of the error that is raised here."""

    def __str__(self) -> str:
        return f"\n{self.args[0]}"


class Worker:
    """One process. It is asked one thing at a time, by one thread; ``module`` is loaded at once. ``moved`` is
    called by that thread each time that the work has moved on there, or more of it been handed over.

    Raises OSError where no process can be started.
    """

    def __init__(self, module: str, moved: Callable[[], None] = tick):
        self._moved = moved
        if getattr(sys, "frozen", False) or not sys.executable:
            raise OSError("the program is not run by a Python interpreter")
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", START],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            pipesize=PIPE_BYTES,
            **APART,
        )
        self._loaded = False
        with suppress(WorkerEnded):  # told when it is asked for more
            self._send(sys.path)
            self._send((load, (module,)))

    @property
    def number(self) -> int:
        """The system's number of the process."""
        return self._process.pid

    def ask(self, work: Callable[..., Iterator[Any]], *arguments: Any) -> Iterator[Any]:
        """What the generator function ``work`` yields there, as it yields it. What it raises is raised here.

        ``work`` must be importable by its name. Raises WorkerEnded.
        """
        if not self._loaded:
            yield from self._answers()
            self._loaded = True
        self._send((work, arguments))
        yield from self._answers()

    def end(self) -> None:
        """End the process, and see that it is gone; what it still works on is lost."""
        self._process.kill()  # it holds nothing that would be left half done
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(PATIENCE_S)
        for pipe in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                pipe.close()  # type: ignore[union-attr]

    def _answers(self) -> Iterator[Any]:
        while True:
            kind, value = self._receive()
            if kind == "end":
                return
            if kind == "error":
                error, trace = value
                raise error from RemoteTrace(trace)
            if kind == "moved":
                self._moved()
            else:
                yield value

    def _send(self, value: Any) -> None:
        stream = self._process.stdin
        assert stream is not None
        try:
            pickle.dump(value, _Told(stream, self._moved), pickle.HIGHEST_PROTOCOL)
            stream.flush()
        except (OSError, ValueError) as error:  # ValueError: closed by another thread
            raise WorkerEnded(self._how()) from error

    def _receive(self) -> tuple[str, Any]:
        stream = self._process.stdout
        assert stream is not None
        try:
            return pickle.load(stream)  # type: ignore[no-any-return]
        except (EOFError, OSError, ValueError, pickle.UnpicklingError) as error:  # cut off anywhere
            raise WorkerEnded(self._how()) from error

    def _how(self) -> str:
        try:
            status = self._process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            return "without a word"
        try:
            return f"by signal {signal.Signals(-status).name}"
        except ValueError:
            return f"with status {status}"


def apart(long: bool, work: Callable[..., Value], *arguments: Any) -> Value:
    """What a function answers that, where it takes ``long``, holds the interpreter's lock so that nobody here
    could tell that it moves on: then another process is asked. It is done here, with the same answer, where
    nobody listens or no process can be started."""
    if not long or not heard():
        return work(*arguments)
    try:
        worker = Worker(work.__module__, moved=_untold)
        try:
            (answer,) = patiently(lambda: list(worker.ask(_answered, work, arguments)))
            return cast(Value, answer)
        finally:
            worker.end()
    except (OSError, WorkerEnded):
        return work(*arguments)


def _answered(work: Callable[..., Value], arguments: tuple[Any, ...]) -> Iterator[Value]:
    with watched_by_the_system():
        answer = work(*arguments)
    yield answer


def _untold() -> None:
    """Whoever asks patiently tells by itself."""


def load(module: str) -> Iterator[None]:
    """Load a module, in a worker; it answers nothing."""
    import_module(module)
    yield from ()


def serve() -> None:
    """What a worker does all its life."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # for the program that asks to decide
    collecting.seldom()
    asked: SimpleQueue[tuple[Callable[..., Any], tuple[Any, ...]]] = SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, asked), daemon=True).start()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whatever a library prints is no answer
    while True:
        work, arguments = asked.get()
        try:
            with within(_Moved(answers).tell, "work"):
                for answer in work(*arguments):
                    _answer(answers, "answer", answer)
        except Exception as error:
            _answer(answers, "error", (_that_travels(error), traceback.format_exc()))
        else:
            _answer(answers, "end", None)


@dataclass
class _Moved:
    """Hands on that the work moves, as often as it is worth while."""

    answers: BinaryIO
    last: float = 0.0

    def tell(self, _stage: str, _done: int, _total: int) -> None:
        now = time.monotonic()
        if now - self.last >= MOVED_S:
            self.last = now
            _answer(self.answers, "moved", None)


@contextmanager
def watched_by_the_system() -> Iterator[None]:
    """In a worker, around a call that holds the interpreter's lock for long, so that no thread of its own can
    watch: the system ends the process when whoever asks is gone. Windows has no such signal."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    questions = sys.stdin.fileno()
    before = fcntl.fcntl(questions, fcntl.F_GETFL)
    fcntl.fcntl(questions, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(questions, fcntl.F_SETFL, before | os.O_ASYNC)  # a SIGIO, unheard, ends it
    if select.select([questions], [], [], 0)[0]:  # nothing is asked meanwhile: it is gone already
        os._exit(0)
    try:
        yield
    finally:
        fcntl.fcntl(questions, fcntl.F_SETFL, before)


def _listen(questions: BinaryIO, asked: SimpleQueue[Any]) -> None:
    """Hand on what is asked; leave, in the middle of any work, when the process that asks is gone."""
    while True:
        try:
            asked.put(pickle.load(questions))
        except (EOFError, OSError, pickle.UnpicklingError):
            os._exit(0)
        except Exception as error:  # a question of what cannot be imported here
            asked.put((_raise, (error,)))


def _raise(error: Exception) -> Iterator[None]:
    raise error


def _that_travels(error: Exception) -> Exception:
    """The error, or its words where it cannot be handed over."""
    try:
        pickle.loads(pickle.dumps(error))
    except Exception:
        return RuntimeError(f"{type(error).__name__}: {error}")
    return error


def _answer(answers: BinaryIO, kind: str, value: Any) -> None:
    answers.write(pickle.dumps((kind, value), pickle.HIGHEST_PROTOCOL))
    answers.flush()
