"""The command line: the only place that prints, and that turns errors into exit statuses.

Exit status: 0 done; 1 the model cannot be built as asked; 2 wrong use or unreadable input;
130 interrupted. Progress and messages go to standard error, results to standard output; only results that
cannot be written are wrong use.
"""

from __future__ import annotations

import errno
import io
import os
import signal
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import takewhile
from typing import NoReturn, TextIO

from steps import collecting

DONE, CANNOT_BUILD, WRONG_USE, INTERRUPTED = 0, 1, 2, 130
#: What a disk that is full, or that fails, answers to what is printed into a file on it.
FULL = (errno.ENOSPC, errno.EFBIG, errno.EIO)
TO_END = (signal.SIGINT, signal.SIGTERM)
#: Set this environment variable to see the traceback of a fault in the program itself.
TRACE_VARIABLE = "STEPLEAF_TRACE"


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run one command and leave the process with its exit status. Ctrl-C and being told to end interrupt it,
    even where interrupts were ignored at the start, as by a shell for what it runs in the background."""
    for number in TO_END:
        signal.signal(number, _stop)
    collecting.seldom()
    _speak_plainly()
    try:
        status = run(sys.argv[1:] if arguments is None else list(arguments))
    except KeyboardInterrupt:  # after the last word
        status = INTERRUPTED
    for number in TO_END:  # the status stands; one that comes now would end the process by the signal
        signal.signal(number, signal.SIG_IGN)
    sys.exit(status)


def _speak_plainly() -> None:
    """No warning of a library's reaches the terminal, and a letter that its encoding lacks is no fault. A
    stream that was closed at the start swallows what it gets, and no file takes its number. What is said to
    people and cannot be written is no reason to leave their work undone."""
    if not os.environ.get(TRACE_VARIABLE):
        warnings.simplefilter("ignore")
    for name, way in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), way))
    if isinstance(sys.stdout, io.TextIOWrapper):
        encoding, lines = sys.stdout.encoding, sys.stdout.line_buffering
        sys.stdout = _Results(sys.stdout.detach(), encoding, "backslashreplace", line_buffering=lines)
    if isinstance(sys.stderr, io.TextIOWrapper):
        encoding = sys.stderr.encoding
        sys.stderr = _Said(sys.stderr.detach(), encoding, "backslashreplace", line_buffering=True)


class _Said(io.TextIOWrapper):
    """Where messages go: from the first that is refused, as on a full disk, they go nowhere."""

    swallowed: type[OSError] = OSError

    def write(self, text: str) -> int:
        with self._heard_or_not():
            super().write(text)
        return len(text)

    def flush(self) -> None:
        with self._heard_or_not():
            super().flush()

    @contextmanager
    def _heard_or_not(self) -> Iterator[None]:
        try:
            yield
        except self.swallowed:
            _drop(self)


class _Results(_Said):
    """Where results go: nowhere once their reader has left, who has read enough."""

    swallowed = BrokenPipeError


def run(arguments: Sequence[str]) -> int:
    """Run one command; returns its exit status, with every error already told in plain words."""
    try:
        from steps.cli.commands import app

        app(_with_usual_scales(arguments), prog_name="stepleaf")
    except SystemExit as leave:  # typer ends every run so, with its own status for wrong use
        status = leave.code if isinstance(leave.code, int) else DONE
        return _interrupted() if status == INTERRUPTED else _flushed(status)
    except KeyboardInterrupt:
        return _interrupted()
    except Exception as error:
        if isinstance(error.__cause__, KeyboardInterrupt):  # a signal as a class was made, in a module read
            return _interrupted()
        # errors of files name the file, and those of writing one are CannotWrite: this is the output's own
        if isinstance(error, OSError) and error.filename is None and error.errno in FULL:
            return _refused(error)
        return _told(error, "--json" in takewhile("--".__ne__, arguments))  # what comes after is a path
    return DONE


def _with_usual_scales(arguments: Sequence[str]) -> list[str]:
    """The arguments, with the usual scales where `--scales` stands without any; what comes after `--` is a
    path."""
    told, options = list(arguments), list(takewhile("--".__ne__, arguments))
    for row in [row for row, each in enumerate(options) if each == "--scales"][::-1]:
        after = told[row + 1] if row + 1 < len(told) else ""
        if not after[:1].isdigit() and after != "usual":
            told.insert(row + 1, "usual")
    return told


def _interrupted() -> int:
    _say("interrupted; nothing is half-written.")
    return INTERRUPTED


def _told(error: Exception, whole: bool) -> int:
    """Say what went wrong, each fault or those alike gathered; returns the exit status."""
    from steps.errors import FaultyModel, StepleafError
    from steps.pipeline import gathered

    if isinstance(error, FaultyModel) and len(error.problems) > 1:
        told = error.problems if whole else gathered(error.problems)
        faults = "\n".join(f"- {problem.text}" for problem in told)
        _say(f"the model cannot be built as it is, {len(error.problems):,} faults:\n{faults}")
        return error.exit_status
    if isinstance(error, StepleafError):
        _say(str(error))
        return error.exit_status
    if os.environ.get(TRACE_VARIABLE):
        raise error
    _say(
        f"a fault of the program itself, not of your model ({type(error).__name__}: {error}). "
        f"Set {TRACE_VARIABLE}=1 and run it again to see where, and report it."
    )
    return CANNOT_BUILD


def _say(text: str) -> None:
    from steps.letters import unsteered

    print(f"stepleaf: {unsteered(text)}", file=sys.stderr)


class ToldToEnd(KeyboardInterrupt):
    """Unwinds, so that drafts of output files are removed. Not the plain class: of that Python remembers that
    it came through an ``exec`` (as of a dataclass being defined), and ends by the signal after all."""


def _stop(signal_number: int, frame: object) -> NoReturn:
    raise ToldToEnd


def _flushed(status: int) -> int:
    """The status, after what was printed has left the process; a disk may be full."""
    try:
        sys.stdout.flush()
    except OSError as error:
        return _refused(error)
    return status


def _refused(error: OSError) -> int:
    _drop(sys.stdout)
    _say(f"the output cannot be written ({error.strerror or error}).")
    return WRONG_USE


def _drop(stream: TextIO) -> None:
    """It refuses, as where whoever read it has left: say no more, and fail at nothing."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
