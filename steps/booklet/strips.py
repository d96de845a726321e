"""The strip over a drawing, by which a step is found, and the strip at the foot of every page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from steps.booklet import content as c
from steps.booklet.boxes import BLACK, GREY, THICK_MM, THIN_MM, Cell, Item, Mark, Polyline, Rect, Text
from steps.booklet.typeset import Galley, Typesetter, line_height
from steps.booklet.words import NBSP, Words

PAD_MM = 3.0  # at both sides of a strip's words
MARK_SHARE = 0.62  # of a strip's height, for the mark beside its words
NAME_SHARE = 0.6  # of a strip, at most, for the name of what is opened
WHO_SHARE = 0.5  # of a strip, at most, for who does the step
STRIP_LINES = 2  # of words in a strip
LONGEST_SCALE = f"1{NBSP}:{NBSP}88.8"  # room kept for a drawing's scale


@dataclass(frozen=True)
class StripField:
    """A label and a value of the foot strip."""

    label: str
    value: str
    share: float
    scale_of: tuple[c.Wish, ...] = ()
    is_name: bool = False  #: may be shortened where there is no room: another page has it in full


@dataclass(frozen=True)
class Strips:
    """Sets both strips in one edition."""

    setter: Typesetter
    words: Words

    # ------------------------------------------------------------------ over a drawing

    def over(self, strip: c.Strip, title: str, area: Rect) -> tuple[list[Cell], list[Polyline]]:
        """The strip at the top of an area: number or name, who, when; and the rules round them."""
        high = self.setter.edition.strip
        top, x = area.top, area.x
        cells = [self._first(strip, title, Rect(x, top - high, area.width, high))]
        x = cells[0].rect.right
        if strip.by:
            cells.append(self._who(strip, Rect(x, top - high, WHO_SHARE * area.width, high)))
            x = cells[-1].rect.right
        clock = "wait" if strip.number else ""
        times = [(clock, each, bold) for each, bold in ((strip.begin, False), (strip.then, True)) if each]
        cells += self._times(times, Rect(x, top - high, area.right - x, high))
        rules = [Polyline(((area.x, top - high), (area.right, top - high)), THICK_MM)]
        rules += [
            Polyline(((cell.rect.right, top - high), (cell.rect.right, top)), THIN_MM)
            for cell in cells
            if cell.rect.right < area.right - PAD_MM
        ]
        return cells, rules

    def _first(self, strip: c.Strip, title: str, room: Rect) -> Cell:
        """The step's number, as large as the strip allows, or a name."""
        e = self.setter.edition
        if strip.number:
            galley = self.setter.fit(strip.number, 0.3 * room.width, e.title, True)
            width = max(1.5 * room.height, self._wide(galley) + 2 * PAD_MM)
        else:
            width = NAME_SHARE * room.width
            galley = self.setter.fit(strip.name, width - 2 * PAD_MM, e.title, True)
            if galley.size <= e.head:
                galley = self.setter.fit(strip.name, width - 2 * PAD_MM, e.head, True, STRIP_LINES)
        rect = Rect(room.x, room.y, width, room.height)
        return Cell(rect, tuple(self._middle(galley, rect.x + PAD_MM, rect)), "heading", 2, alt=title)

    def _who(self, strip: c.Strip, room: Rect) -> Cell:
        """The reader's figure and word."""
        size = MARK_SHARE * room.height
        body = self.setter.edition.body
        galley = self.setter.fit(strip.by, room.width - size - 2.5 * PAD_MM, body, True, STRIP_LINES)
        rect = Rect(room.x, room.y, self._wide(galley) + size + 2.5 * PAD_MM, room.height)
        mark = Mark(strip.by_mark, rect.x + 0.5 * PAD_MM + size / 2, rect.y + rect.height / 2, size)
        return Cell(rect, (mark, *self._middle(galley, rect.x + PAD_MM + size, rect)), "title block")

    def _times(self, times: Sequence[tuple[str, str, bool]], room: Rect) -> Iterator[Cell]:
        """When to begin and what to wait for then, each with its clock, by the width that each needs."""
        e = self.setter.edition
        size = min(0.45 * room.height, 1.3 * line_height(e.body))
        asides = [size + 2.5 * PAD_MM if mark else 2 * PAD_MM for mark, _, _ in times]
        wide = [
            self.setter.face.width_mm(words, e.body, bold) + aside + 0.1
            for (_, words, bold), aside in zip(times, asides, strict=True)
        ]
        spare, x = max(0.0, sum(wide) - room.width), room.x
        for (mark, words, bold), need, aside in zip(times, wide, asides, strict=True):
            given = need - spare * (need == max(wide))  # the longest is broken into lines
            rect = Rect(x, room.y, given, room.height)
            galley = self.setter.fit(words, rect.width - aside, e.body, bold, STRIP_LINES)
            clock = [Mark(mark, x + PAD_MM + size / 2, rect.y + rect.height / 2, size)] if mark else []
            words_x = x + aside - PAD_MM
            yield Cell(rect, (*clock, *self._middle(galley, words_x, rect)), "title block")
            x = rect.right

    # ------------------------------------------------------------------ at the foot

    def foot(self, fields: Sequence[StripField], frame: Rect) -> tuple[list[Cell], list[Polyline]]:
        """Labels and values in one line along the bottom of the frame, and the rules round them."""
        high = self.setter.edition.foot
        cells, x = [], frame.x
        labelled = sum(self._need(each) for each in fields) <= frame.width
        for field, wide in zip(fields, self._widths(fields, frame.width), strict=True):
            cells.append(self._field(field, Rect(x, frame.y, wide, high), labelled))
            x += wide
        top = frame.y + high
        rules = [Polyline(((frame.x, top), (frame.right, top)), THICK_MM)]
        rules += [Polyline(((c.rect.right, frame.y), (c.rect.right, top)), THIN_MM) for c in cells[:-1]]
        return cells, rules

    def _field(self, field: StripField, rect: Rect, labelled: bool) -> Cell:
        e = self.setter.edition
        setter = replace(self.setter, edition=replace(e, least=e.label))
        label = setter.fit(field.label if labelled else "", rect.width, e.label)
        x = rect.x + PAD_MM
        items: list[Item] = list(self._middle(label, x, rect, GREY))
        if labelled:
            x += self._wide(label) + PAD_MM / 2
        value = setter.fit(self._value(field), rect.right - x - PAD_MM / 2, e.label, True)
        for text in self._middle(value, x, rect):
            words = text.words.replace(self._scales(field), "{scale}") if field.scale_of else text.words
            items.append(replace(text, words=words, scale_of=field.scale_of))
        return Cell(rect, tuple(items), "title block")

    def _widths(self, fields: Sequence[StripField], width: float) -> list[float]:
        """Widths by share, but what a field's words need taken from those that have more than they need."""
        shares = sum(field.share for field in fields)
        usual = [width * field.share / shares for field in fields]
        needs = [self._need(field) for field in fields]
        if sum(needs) > width:
            bare = [self._need(field, label=False) for field in fields]
            names = [need for need, field in zip(bare, fields, strict=True) if field.is_name]
            most = _level(names, width - sum(bare) + sum(names))
            needs = [min(n, most) if f.is_name else n for n, f in zip(bare, fields, strict=True)]
        wanted = [max(pair) for pair in zip(usual, needs, strict=True)]
        excess, spares = sum(wanted) - width, [w - n for w, n in zip(wanted, needs, strict=True)]
        if excess <= 0 or sum(spares) <= 0:
            return usual
        return [w - excess * each / sum(spares) for w, each in zip(wanted, spares, strict=True)]

    def _need(self, field: StripField, label: bool = True) -> float:
        """Least width at which a field's label and value stand whole, mm."""
        face, size = self.setter.face, self.setter.edition.label
        need = face.width_mm(face.printable(self._value(field)), size, True) + 1.5 * PAD_MM + 0.1
        return need + (face.width_mm(face.printable(field.label), size) + PAD_MM / 2 if label else 0.0)

    def _value(self, field: StripField) -> str:
        return field.value.replace("{scale}", self._scales(field))

    def _scales(self, field: StripField) -> str:
        """Room for the scales of a page's drawings, where they differ."""
        return ", ".join([LONGEST_SCALE] * min(2, len(field.scale_of)))

    # ------------------------------------------------------------------ helpers

    def _middle(self, galley: Galley, x: float, rect: Rect, colour: str = BLACK) -> list[Text]:
        """Lines at ``x``, amid the height of a strip."""
        return self.setter.text(galley, x, rect.y + (rect.height + galley.height) / 2, colour)

    def _wide(self, galley: Galley) -> float:
        face = self.setter.face
        return max((face.width_mm(line, galley.size, galley.bold) for line in galley.lines), default=0.0)


def _level(needs: Sequence[float], room: float) -> float:
    """What each may have at most so that all together have the room: none takes from one that needs less."""
    rising = sorted(needs)
    for at, need in enumerate(rising):
        if need * (len(rising) - at) > room:
            return max(0.0, room / (len(rising) - at))
        room -= need
    return max(rising, default=0.0)


__all__ = ["StripField", "Strips"]
