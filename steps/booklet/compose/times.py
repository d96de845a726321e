"""The timeline: who is busy when, and when all wait for glue."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from steps.booklet.compose.matter import READERS, Matter
from steps.booklet.content import Bar, Tick, Timeline
from steps.model import Reader, Step

LANES: tuple[Reader, ...] = ("child", "helper", "adult")
#: Distances between the hours' ticks that are tried, minutes; and the most ticks of either kind.
TICKS_MIN, MOST_TICKS = (5, 10, 15, 30, 60, 120, 240, 480, 1440, 2880, 10080), 6
#: Two stretches in one lane closer than this are drawn as one, minutes.
JOINED_MIN = 1e-6


@dataclass(frozen=True)
class Stretch:
    """One step on the clock, minutes: hands are free from ``since``, and begin once glue has hardened."""

    step: Step
    since: float
    begin: float
    end: float


def stretches(matter: Matter) -> Iterator[Stretch]:
    """Every step in turn, one after the other, each begun once the glue it needs is hard."""
    now = 0.0
    glued: dict[str, float] = {}
    for step in matter.plan.order.steps:
        work = matter.work(step)
        lags = zip(work.needs_cured, work.lags_min, strict=True)
        begin = max([now, *(glued.get(joint, 0.0) + lag for joint, lag in lags)])
        end = begin + matter.minutes(step)
        yield Stretch(step, now, begin, end)
        glued.update(dict.fromkeys(work.glues, end))
        now = end


def timeline(matter: Matter) -> Timeline | None:
    """The whole build on one scale; None where nobody has to wait."""
    words = matter.words
    if matter.waiting_min <= 0:
        return None
    found = list(stretches(matter))
    total = found[-1].end
    busy = [reader for reader in LANES if any(matter.work(each.step).by == reader for each in found)]
    lanes = (*(words.say(READERS[reader]) for reader in busy), words.say("Waiting"))
    bars: list[Bar] = []
    for each in found:
        if each.begin > each.since:
            _extend(bars, Bar(len(busy), each.since, each.begin - each.since))
        _extend(bars, Bar(busy.index(matter.work(each.step).by), each.begin, each.end - each.begin))
    waited = sum(bar.length_min for bar in bars if bar.lane == len(busy))
    alt = words.say(
        "Timeline of building and waiting: {build} of work, {wait} of waiting, {each} if nothing were built "
        "meanwhile.",
        build=words.minutes(total - waited),
        wait=words.minutes(waited),
        each=words.minutes(max(waited, matter.waiting_each_min)),
    )
    return Timeline(lanes, tuple(bars), _step_ticks(matter, found), _hour_ticks(matter, total), total, alt)


def _extend(bars: list[Bar], bar: Bar) -> None:
    """Add a bar, as one with the one before where they meet in a lane."""
    last = bars[-1] if bars else None
    if last and last.lane == bar.lane and abs(last.start_min + last.length_min - bar.start_min) < JOINED_MIN:
        bars[-1] = Bar(bar.lane, last.start_min, bar.start_min + bar.length_min - last.start_min)
    else:
        bars.append(bar)


def _step_ticks(matter: Matter, found: list[Stretch]) -> tuple[Tick, ...]:
    """The first step and about every sixth of the rest."""
    every = -(-len(found) // MOST_TICKS)
    return tuple(
        Tick(each.begin, matter.words.number(each.step.number))
        for index, each in enumerate(found)
        if index % every == 0
    )


def _hour_ticks(matter: Matter, total: float) -> tuple[Tick, ...]:
    every = next((step for step in TICKS_MIN if total / step < MOST_TICKS), TICKS_MIN[-1])
    return tuple(
        Tick(float(at), matter.words.minutes(at) if at else matter.words.number(0))
        for at in range(0, int(total) + 1, every)
    )
