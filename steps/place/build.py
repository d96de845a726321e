"""``build.toml`` -> placed parts: every line seated on measured studs, every map dropped course by course."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from steps.errors import FaultyModel
from steps.features import measure
from steps.intake.assemble import Origin, assemble
from steps.intake.checks import without_body
from steps.intake.colours import to_hex
from steps.intake.loose import read_loose
from steps.intake.said import colour_in_cell
from steps.intake.scene import RawPart, Scene
from steps.limits import LIMITS, Limits
from steps.model import Array, Listed, Problem
from steps.place.maps import Below, Boxed, Letters, dropped, footprint_of
from steps.place.poses import Spot, coordinates, on_table, seated, seats_named, turn_named
from steps.place.seats import Seated, bodies_of
from steps.place.source import BuildFile, Course, Faults, LaidLine, Legend, Word, read_source
from steps.settings import USUAL

TABLE, COORDINATES = "table", "at"
#: Groups within groups; more is a mistake.
MOST_NESTED = 8


@dataclass(frozen=True, eq=False)
class Set:
    """One part where the file sets it, at 1x."""

    name: str
    piece: int  #: row in the list of loose parts
    colour: str
    pose: Array  #: (4, 4) shape to model coordinates
    word: Word  #: where the file says so
    on: tuple[str, ...] = ()  #: parts it is to sit on
    by_map: bool = False


@dataclass(frozen=True, eq=False)
class Built:
    """A build file understood: parts in file order, and what it leaves over."""

    file: str
    title: str | None
    heap: Scene  #: the loose parts
    listed: tuple[Listed, ...]
    bodies: tuple[Seated, ...]  #: of each listed print
    own: tuple[Array, ...]  #: (4, 4) of each listed print: its shape's coordinates to its file's
    sets: tuple[Set, ...]
    left_over: Mapping[int, int] = field(default_factory=dict)  #: row of a listed print -> copies not yet set

    def scene(self) -> Scene:
        """All of it as a reader hands it on, 1x, mm."""
        parts = []
        for each in self.sets:
            sample = self.heap.samples[each.piece]
            world = each.pose @ np.linalg.inv(self.own[each.piece]) @ sample.transform
            colour = (int(each.colour[1:3], 16), int(each.colour[3:5], 16), int(each.colour[5:7], 16))
            parts.append(RawPart(each.name, sample.mesh, world, colour, sample.called))
        return replace(self.heap, parts=tuple(parts), placed=True, title=self.title, listed=(), samples=())


def read_build(path: Path, limits: Limits = LIMITS, set_corners: bool = True) -> Built:
    """Understand a build file with the loose parts beside it.

    Raises UnreadableInput (no TOML, no parts) and FaultyModel with every mistake, line and column named.
    """
    faults = Faults(path.name)
    source = read_source(path, faults)
    heap = read_loose(path.resolve().parent, limits)
    once = [replace(sample, name=str(row)) for row, sample in enumerate(heap.samples)]
    origin = Origin(path.parent.name, "", "")
    loose = assemble(replace(heap, parts=tuple(once)), origin, 1.0, limits, set_corners)
    heap = _with_bodies(heap, [int(part.source) for part in loose.parts])
    bodies = bodies_of(loose, measure(loose, USUAL))
    own = tuple(part.pose for part in loose.parts)
    site = _Site(source, faults, heap.listed, tuple(bodies[part.shape] for part in loose.parts), own)
    site.lay_courses()
    site.lay_lines()
    site.count()
    faults.raise_any()
    if not site.placed:
        raise FaultyModel([Problem("build-empty", "error", (), f"{path.name}: sets no part yet.")])
    return Built(
        path.name,
        source.title or path.resolve().parent.name,
        heap,
        heap.listed,
        site.bodies,
        own,
        tuple(site.placed.values()),
        site.left_over,
    )


def _with_bodies(heap: Scene, rows: Sequence[int]) -> Scene:
    """The loose parts of these rows; of the others a warning that they are left out."""
    lost = sorted(set(range(len(heap.samples))) - set(rows))
    told = without_body(replace(heap, parts=heap.samples), lost)
    return replace(
        heap,
        listed=tuple(heap.listed[row] for row in rows),
        samples=tuple(heap.samples[row] for row in rows),
        problems=(*heap.problems, *told),
    )


class _Site:
    """Parts as they are set, one after the other."""

    def __init__(
        self,
        source: BuildFile,
        faults: Faults,
        listed: Sequence[Listed],
        bodies: tuple[Seated, ...],
        own: tuple[Array, ...],
    ):
        self.source, self.faults, self.listed, self.bodies, self.own = source, faults, listed, bodies, own
        self.placed: dict[str, Set] = {}
        self.numbers: Counter[str] = Counter()
        self.left_over: dict[int, int] = {}
        self.refused: set[str] = set()  #: keys whose fault is told already
        self.unset: set[str] = (
            set()
        )  #: names whose line has a fault: what is to sit on them has none of its own

    # ------------------------------------------------------------------------ pieces

    def piece(self, word: Word) -> tuple[int, str] | None:
        """Row of the print that a word stands for and its colour; a fault where there is none."""
        legend = self.source.legend.get(word.text)
        if legend is None:
            rows = self._rows_called(word.text)
            if not rows:
                known = ", ".join(self.source.legend) or "none"
                self._once(
                    "build-letter",
                    word,
                    f"{word.text!r} is in no legend ([pieces]: {known}) and no part's name.",
                )
                return None
            return rows[0], self.listed[rows[0]].colour
        return self._by_legend(legend)

    def _by_legend(self, legend: Legend) -> tuple[int, str] | None:
        rows = self._rows_called(legend.file)
        if not rows:
            near = [each.file for each in self.listed][:8]
            text = (
                f"{legend.key.text}: there is no part file {legend.file!r} here; there are {', '.join(near)}."
            )
            self._once("build-file", legend.key, text)
            return None
        if not legend.colour:
            return rows[0], self.listed[rows[0]].colour
        rgb = colour_in_cell(legend.colour)
        if rgb is None:
            text = (
                f"{legend.key.text}: colour {legend.colour!r} is neither '#rrggbb' nor a plain colour word."
            )
            self._once("build-colour", legend.key, text)
            return None
        colour = to_hex(rgb)
        same = [row for row in rows if self.listed[row].colour == colour]
        if same:
            return same[0], colour
        free = [row for row in rows if not self.listed[row].colour_by]
        if free:
            return free[0], colour
        told = ", ".join(
            dict.fromkeys(self.listed[row].colour_word or self.listed[row].colour for row in rows)
        )
        text = f"{legend.key.text}: {legend.file} is listed in {told}, not in {legend.colour}."
        self._once("build-colour", legend.key, text)
        return None

    def _rows_called(self, name: str) -> list[int]:
        """Rows of the prints of a file, or of that name."""
        by_file = [row for row, each in enumerate(self.listed) if name in (each.file, Path(each.file).stem)]
        plain = name.lower()
        return by_file or [row for row, each in enumerate(self.listed) if each.name.lower() == plain]

    def _once(self, code: str, word: Word, text: str) -> None:
        if (key := f"{code} {word.text}") not in self.refused:
            self.refused.add(key)
            self.faults.add(code, word, text)

    def put(
        self, name: str, piece: tuple[int, str], pose: Array, word: Word, on: tuple[str, ...], by_map: bool
    ) -> None:
        self.placed[name] = Set(name, piece[0], piece[1], pose, word, on, by_map)

    def next_name(self, key: str) -> str:
        """ "A1", "A2", ... for copies that nobody named."""
        self.numbers[key] += 1
        joined = f"{key}{self.numbers[key]}" if key[-1:].isalpha() else f"{key} {self.numbers[key]}"
        return joined

    # ----------------------------------------------------------------------- courses

    def lay_courses(self) -> None:
        """Every map, from the bottom up; what it holds drops until it seats."""
        below = Below()
        for course in self.source.courses:
            for piece in self._pieces_of(course):
                found = self.piece(piece.word)
                if found is None:
                    continue
                body = self.bodies[found[0]]
                legend = self.source.legend.get(piece.word.text)
                turn = footprint_of(body).fitting_turn(piece, legend.turn if legend else 0, self.faults)
                if turn is None:
                    continue
                pose, on = dropped(body, piece, turn, below)
                name = self.next_name(piece.word.text)
                self.put(name, found, pose, piece.word, on, True)
                below.add(Boxed.of(name, body, pose))

    def _pieces_of(self, course: Course) -> list[Letters]:
        """Runs of equal letters that touch, by the place of their first letter."""
        cells = {
            (x, y): letter
            for y, row in enumerate(reversed(course.rows))
            for x, letter in enumerate(row.text)
            if letter not in " ."
        }
        pieces, left = [], dict(cells)
        for at in sorted(cells, key=lambda at: (-at[1], at[0])):
            if at not in left:
                continue
            letter, run, edge = left.pop(at), [at], [at]
            while edge:
                x, y = edge.pop()
                for beside in ((x + 1, y), (x - 1, y), (x, y + 1), (x, y - 1)):
                    if left.get(beside) == letter:
                        del left[beside]
                        run.append(beside)
                        edge.append(beside)
            row = course.rows[len(course.rows) - 1 - at[1]]
            word = Word(letter, row.line, row.column + at[0])
            moved = frozenset((x + course.column - 1, y + course.row - 1) for x, y in run)
            pieces.append(Letters(word, moved))
        return pieces

    # ------------------------------------------------------------------------- lines

    def lay_lines(self) -> None:
        """Every line once those are laid that it sits on; parts stay in the order of the file."""
        lines = self._named(self.source.lines, "", 0)
        waiting = dict(lines)
        mapped = list(self.placed)
        while waiting:
            ready = [name for name, line in waiting.items() if not any(on.text in waiting for on in line.on)]
            if not ready:
                self._tell_circle(waiting)
                return
            for name in ready:
                self._lay(name, waiting.pop(name))
                if name not in self.placed:
                    self.unset.add(name)
        order = [*mapped, *(name for name, _ in lines)]
        self.placed = {name: self.placed[name] for name in order if name in self.placed}

    def _named(self, lines: Sequence[LaidLine], prefix: str, depth: int) -> list[tuple[str, LaidLine]]:
        """Lines by name, groups spelt out; names within a group are "outer.inner"."""
        found: dict[str, LaidLine] = {}
        inner = {line.name.text for line in lines if line.name}
        for line in lines:
            group = self.source.groups.get(line.piece.text)
            name = prefix + (
                line.name.text if line.name else self.next_name(prefix + line.piece.text)[len(prefix) :]
            )
            own = [
                on if on.text not in inner or not prefix else replace(on, text=prefix + on.text)
                for on in line.on
            ]
            line = replace(line, on=tuple(own))
            if name in found or name in self.placed:
                self.faults.add(
                    "build-twice", line.name, f"{name!r} is set twice; give each copy a name of its own."
                )
                continue
            if group is None:
                found[name] = line
            elif depth >= MOST_NESTED:
                self.faults.add("build-circle", line.piece, f"group {line.piece.text!r} holds itself.")
            else:
                found.update(self._spelt_out(name, line, group, depth))
        return list(found.items())

    def _spelt_out(
        self, name: str, line: LaidLine, group: Sequence[LaidLine], depth: int
    ) -> list[tuple[str, LaidLine]]:
        """A group's lines; its first part goes where the group is set."""
        if not group:
            return []
        first = group[0]
        if first.on:
            self.faults.add(
                "build-group", first.on[0], "a group's first part sits on nothing: write - there."
            )
            return []
        base = replace(
            first, on=line.on, studs=line.studs, face=line.face, own=line.own if line.own else first.own
        )
        base = replace(base, turn=line.turn)
        return self._named([base, *group[1:]], f"{name}.", depth + 1)

    def _tell_circle(self, waiting: Mapping[str, LaidLine]) -> None:
        name, seen = next(iter(waiting)), []
        while name not in seen:
            seen.append(name)
            name = next(on.text for on in waiting[name].on if on.text in waiting)
        ring = seen[seen.index(name) :]
        told = " on ".join([*ring, ring[0]])
        self.faults.add(
            "build-circle",
            waiting[ring[0]].on[0],
            f"{told}: a circle; one of them must sit on something else.",
        )

    def _lay(self, name: str, line: LaidLine) -> None:
        piece = self.piece(line.piece)
        if piece is None:
            return
        body = self.bodies[piece[0]]
        ons = [on for on in line.on if on]
        if ons and ons[0].text == COORDINATES:
            file_pose = coordinates(line, self.faults)
            if file_pose is not None:
                self.put(name, piece, file_pose @ self.own[piece[0]], line.piece, (), False)
            return
        turn = turn_named(line.turn, self.faults)
        if turn is None:
            return
        if not ons or ons[0].text == TABLE:
            pose = on_table(body, line, turn, self.faults)
            if pose is not None:
                self.put(name, piece, pose, line.piece, (), False)
            return
        self._lay_on(name, line, piece, body, ons, turn)

    def _lay_on(
        self,
        name: str,
        line: LaidLine,
        piece: tuple[int, str],
        body: Seated,
        ons: Sequence[Word],
        turn: float,
    ) -> None:
        spots: list[Spot] = []
        for row, on in enumerate(ons):
            below = self.placed.get(on.text)
            if on.text in self.unset:
                return
            if below is None:
                known = ", ".join(list(self.placed)[-6:]) or f"none yet ({TABLE!r} is where the first stands)"
                self.faults.add(
                    "build-on", on, f"there is no part {on.text!r} to sit on; the last ones set are {known}."
                )
                return
            stud = line.studs[row] if row < len(line.studs) else Word("", on.line, on.column)
            spot = seats_named(self.bodies[below.piece], below.pose, below.name, line.face, stud, self.faults)
            if spot is None:
                return
            spots.append(spot)
        pose = seated(body, name, spots, line, turn, self.faults)
        if pose is not None:
            self.put(name, piece, pose, line.piece, tuple(on.text for on in ons), False)

    # ------------------------------------------------------------------------ counts

    def count(self) -> None:
        """What is left over; a fault where more are set than there are."""
        used = Counter(each.piece for each in self.placed.values())
        for row, each in enumerate(self.listed):
            if not each.count_by:
                continue
            if used[row] > each.count:
                last = [one for one in self.placed.values() if one.piece == row][each.count]
                text = (
                    f"{each.name}: {used[row]} are set, {each.count} are there by the {each.count_by}; this "
                    "is the first too many. Print more and correct the count, or set fewer."
                )
                self.faults.add("build-count", last.word, text)
            elif used[row] < each.count:
                self.left_over[row] = each.count - used[row]
