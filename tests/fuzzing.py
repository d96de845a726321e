"""Wrong files without number: seeds of every kind that is read, broken at random, each through reading,
measuring and joints (a plan through verification) in a forked process with limits of time and memory.

A mutant is fine when it is read or refused in words: an error of ours, with neither a control character nor a
word of the programming language in it. Its number and the seed make it again.
"""

from __future__ import annotations

import json
import os
import random
import re
import resource
import select
import shutil
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any

from tests.fuzz_seeds import KINDS, Seed, seeds

#: What one mutant may take: s of the processor, whatever else the machine is busy with, and bytes above
#: what the process has at the start.
MOST_S, MOST_BYTES = 10.0, 1 << 30
#: Without an answer for so long (s by the clock) a process waits for something that does not come.
STUCK_S = 300.0
#: Words that only a programmer reads.
JARGON = re.compile(
    r"Traceback|NoneType|\b\w+(Error|Exception)\b|\bobject has no attribute|\bcodec\b|unhashable|\bndarray\b|"
    r"not subscriptable|\bdict\b|\btuple\b|\bint\(\)|\bfloat\(\)|invalid literal|out of bounds|<class|"
    r"\bat 0x[0-9a-f]{6}|positional argument|unexpected keyword|list index|broadcast|\bdtype\b|math domain|"
    r"Input should be|"
    # and sentences of the 3MF library
    r"Lib3MF|Wanted to convert|Could not (get|find|close|end) |Invalid [A-Z]|Duplicate [A-Z]|\bOPC\b|\bUUID\b"
)
#: What must not be in a name or a problem that is handed on.
STEERING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


# ------------------------------------------------------------------------------ mutants

NUMBERS = (
    "0", "-1", "1e308", "-1e308", "1e-320", "nan", "inf", "-inf", "1e9", "2147483648", "4294967295", "1e20",
    "0x7f", "99999999999999999999999", "", "-0", "1,5", "٣", "1_0", "3.", "1e", "--1", "1e400", "0.0000001",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, -1, 0, 1, 2**31, 2**63, 10**30, 1e308, 1e-300, -1.5, float("nan"), float("inf"), "", "x",
    "P1", "P99", "J1", "\x1b[31m", "\u202e", "\ud800", [], {}, [[]], [0, 0, 0], [None], {"a": 1}, "é" * 300,
)  # fmt: skip
#: Pieces that mean something to some format, put where they do not belong.
PIECES = (
    b"\x00", b"\xff", b"\xff\xfe", b"\n", b"\r\n", b'"', b"<", b">", b"&amp;", b"</mesh>", b"<!--", b"{",
    b"}", b"[", b"]", b",", b";", b"= ", b"solid x\n", b"endsolid\n", b"f 1 1 1\n", b"f -1 -2 -3\n", b"o a\n",
    b"v nan 0 0\n", b"\\\n", b"g\n", b"..", b"/", b"e999", b"\x1b", "\u202e".encode(), b"'''", b'"""', b"#",
    b"   ", b"\xe2\x80\xa8",
)  # fmt: skip
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")


def mutated(kind: str, seed: int, number: int) -> Mapping[str, bytes]:
    """The files of mutant ``number`` of a kind: relative name -> content."""
    chance = random.Random(f"{kind}:{seed}:{number}")
    base = chance.choice(seeds(kind))
    files = dict(base.files)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        name = chance.choice(base.targets)
        way = chance.choice(_ways(name, base))
        files[name] = way(chance, files[name])
    return files


def _ways(name: str, base: Seed) -> list[Callable[[random.Random, bytes], bytes]]:
    plain: list[Callable[[random.Random, bytes], bytes]] = [_bits, _cut, _piece, _number, _doubled, _swapped]
    if base.inner is None:
        return plain
    unwrap, wrap = base.inner
    within = [
        partial(_within, unwrap, wrap, way) for way in (_cut, _piece, _number, _number, _doubled, _swapped)
    ]
    if base.json:
        within += [partial(_within, unwrap, wrap, _json)] * 8
    return [_bits, _cut, *within]


def _within(
    unwrap: Callable[[bytes], bytes],
    wrap: Callable[[bytes, bytes], bytes],
    way: Callable[[random.Random, bytes], bytes],
    chance: random.Random,
    data: bytes,
) -> bytes:
    """The inner text broken and put back, where an earlier break has left one."""
    try:
        inner = unwrap(data)
    except Exception:
        return _bits(chance, data)
    return wrap(data, way(chance, inner))


def _bits(chance: random.Random, data: bytes) -> bytes:
    made = bytearray(data or b"\0")
    for _ in range(chance.choice((1, 1, 4, 16))):
        made[chance.randrange(len(made))] = chance.choice((0, 1, 127, 128, 255, chance.randrange(256)))
    return bytes(made)


def _span(chance: random.Random, data: bytes) -> tuple[int, int]:
    at = chance.randrange(len(data) + 1)
    return at, min(len(data), at + chance.choice((1, 2, 4, 16, 64, 256, len(data))))


def _cut(chance: random.Random, data: bytes) -> bytes:
    start, end = _span(chance, data)
    return data[:start] + data[end:]


def _doubled(chance: random.Random, data: bytes) -> bytes:
    start, end = _span(chance, data)
    return data[:end] + data[start:end] * chance.choice((1, 1, 3, 40)) + data[end:]


def _swapped(chance: random.Random, data: bytes) -> bytes:
    (a, b), (c, d) = sorted((_span(chance, data), _span(chance, data)))
    c = max(b, c)
    d = max(c, d)
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


def _piece(chance: random.Random, data: bytes) -> bytes:
    at = chance.randrange(len(data) + 1)
    return data[:at] + chance.choice(PIECES) * chance.choice((1, 1, 1, 2, 2000)) + data[at:]


def _number(chance: random.Random, data: bytes) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return _bits(chance, data)
    match = chance.choice(found)
    return data[: match.start()] + chance.choice(NUMBERS).encode() + data[match.end() :]


def _json(chance: random.Random, data: bytes) -> bytes:
    """One value of the document replaced, dropped or moved."""
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        return _bits(chance, data)
    places = list(_places(document))
    if not places:
        return data
    holder, key = chance.choice(places)
    what = chance.random()
    if what < 0.15:
        del holder[key]
    elif what < 0.35:
        other, where = chance.choice(places)
        holder[key] = json.loads(json.dumps(other[where])) if where in _keys(other) else None
    elif what < 0.45 and isinstance(holder[key], list):
        holder[key] = holder[key] * chance.choice((2, 50))
    else:
        holder[key] = chance.choice(VALUES)
    return json.dumps(document).encode("utf-8", "surrogatepass")


def _keys(holder: Any) -> Sequence[Any]:
    return list(holder) if isinstance(holder, dict) else range(len(holder))


def _places(document: Any) -> Iterator[tuple[Any, Any]]:
    stack = [document]
    while stack:
        holder = stack.pop()
        if isinstance(holder, (dict, list)):
            for key in _keys(holder):
                yield holder, key
                stack.append(holder[key])


# ------------------------------------------------------------------------------- trials


@dataclass(frozen=True)
class Finding:
    """A mutant that was neither read nor refused in words."""

    kind: str
    number: int
    what: str

    def __str__(self) -> str:
        return f"{self.kind} {self.number}: {self.what}"


@dataclass
class Report:
    """What came of many mutants."""

    verdicts: Counter[str] = field(default_factory=Counter)  #: "read" or the class of the refusal
    findings: list[Finding] = field(default_factory=list)
    slowest_s: float = 0.0
    slowest: str = ""
    most_bytes: int = 0

    def __str__(self) -> str:
        told = ", ".join(f"{name} {count:,}" for name, count in sorted(self.verdicts.items()))
        return (
            f"{sum(self.verdicts.values()):,} mutants: {told}; slowest {self.slowest_s:.2f} s "
            f"({self.slowest}); at most {self.most_bytes / 2**20:.0f} MiB in a process; "
            f"{len(self.findings)} findings"
        )


def verdict_on(kind: str, files: Mapping[str, bytes], folder: Path) -> str:
    """ "read", or the class that refused. Raises AssertionError for a refusal not in words, and whatever is
    no refusal."""
    from steps.errors import StepleafError

    for name, content in files.items():
        (folder / name).write_bytes(content)
    try:
        for text in KINDS[kind](folder):
            assert not STEERING.search(text) and not JARGON.search(text), f"said: {text[:200]!r}"
    except StepleafError as error:
        said = str(error)
        assert said.strip() and not JARGON.search(said), f"said: {said[:200]!r}"
        return type(error).__name__
    return "read"


def verdict_in_words(kind: str, files: Mapping[str, bytes]) -> str:
    """The verdict, in a folder of its own; a finding begins with an exclamation mark."""
    folder = Path(tempfile.mkdtemp(dir=_memory()))
    try:
        return verdict_on(kind, files, folder)
    except (Exception, RecursionError) as error:
        import traceback

        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(last.filename).name}:{last.lineno}"
        return f"!{type(error).__name__} at {where}: {str(error)[:200]}"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def trial(
    kinds: Sequence[str], count: int, seed: int, first: int = 0, tell: Callable[[str], None] = str
) -> Report:
    """``count`` mutants, of the kinds in turn, from number ``first`` on."""
    report = Report()
    todo = [(kinds[number % len(kinds)], number) for number in range(first, first + count)]
    done = 0
    while done < len(todo):
        done += _batch(todo[done:], kinds, seed, report)
    return report


def warm(kinds: Sequence[str]) -> None:
    """Load what is loaded late, once: in the fork, where no thread of a library that was begun before it
    lives on."""
    for kind in kinds:
        verdict_in_words(kind, seeds(kind)[0].files)


def _batch(todo: Sequence[tuple[str, int]], kinds: Sequence[str], seed: int, report: Report) -> int:
    """Mutants in one forked process, until all are done or one ends or outlasts it; how many."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _serve(todo, kinds, seed, writing)
    os.close(writing)
    done, begun, rest = 0, time.monotonic(), b""
    with os.fdopen(reading, "rb", buffering=0) as answers:
        while done < len(todo):
            left = STUCK_S - (time.monotonic() - begun)
            ready = select.select([answers], [], [], max(left, 0.0))[0]
            chunk = answers.read(65536) if ready else None
            if not chunk:
                kind, number = todo[done]
                if chunk is None:
                    os.kill(child, signal.SIGKILL)
                status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
                spent = status == -signal.SIGPROF
                what = f"took over {MOST_S:g} s" if spent else f"the process ended ({status})"
                what = f"no answer within {STUCK_S:g} s" if chunk is None else what
                _note(report, kind, number, f"!{what}", MOST_S if spent else 0.0)
                return done + 1
            *lines, rest = (rest + chunk).split(b"\n")
            for line in lines:
                seconds, most, verdict = json.loads(line)
                _note(report, *todo[done], verdict, seconds)
                report.most_bytes = max(report.most_bytes, most)
                done, begun = done + 1, time.monotonic()
    os.waitpid(child, 0)
    return done


def _note(report: Report, kind: str, number: int, verdict: str, seconds: float) -> None:
    if verdict.startswith("!"):
        report.findings.append(Finding(kind, number, verdict[1:]))
        verdict = "FINDING"
    report.verdicts[verdict] += 1
    if seconds > report.slowest_s:
        report.slowest_s, report.slowest = seconds, f"{kind} {number}"


def _serve(todo: Sequence[tuple[str, int]], kinds: Sequence[str], seed: int, writing: int) -> None:
    """In the fork: one line of JSON to each mutant, and out."""
    null = os.open(os.devnull, os.O_RDWR)
    for number in (0, 1, 2):
        os.dup2(null, number)
    warm(kinds)
    limit = _virtual() + MOST_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    signal.signal(signal.SIGPROF, signal.SIG_DFL)  # ends the process, also within a library
    for kind, number in todo:
        begun = _spent()[0]
        signal.setitimer(signal.ITIMER_PROF, MOST_S)
        verdict = verdict_in_words(kind, mutated(kind, seed, number))
        seconds, most = _spent()
        os.write(writing, json.dumps([seconds - begun, most, verdict]).encode() + b"\n")
    os._exit(0)


def _spent() -> tuple[float, int]:
    """Seconds of the processor so far, and the most bytes in a process, with those that this one started."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used), max(each.ru_maxrss for each in used) * 1024


def _virtual() -> int:
    """Bytes of address space that the process has."""
    pages = Path("/proc/self/statm")
    if not pages.exists():
        return MOST_BYTES
    return int(pages.read_text().split()[0]) * resource.getpagesize()


@cache
def _memory() -> str | None:
    """A folder in memory, where there is one."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
