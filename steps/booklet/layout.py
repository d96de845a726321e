"""From sheets to pages: which sheets share one, frame and foot strip; blocks flow into what is left."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from steps.booklet import content as c
from steps.booklet.boxes import THICK_MM, THIN_MM, Image, Page, Polyline, Rect, rectangle
from steps.booklet.edition import Edition, Paper, adult_editions, adult_steps
from steps.booklet.lists import Lists, PageBody, run_on
from steps.booklet.panels import Panel, Panels
from steps.booklet.strips import StripField, Strips
from steps.booklet.typeset import Typesetter
from steps.booklet.words import Words
from steps.progress import tick, ticking

CENTRING_MM = 5.0  # length of a centring mark outside the frame (ISO 5457, from memory)
CUT_DASH_MM, CUT_GAP_MM = 6.0, 3.0  # of the line along which a leaf is cut out
#: How many sheets may stand on a page beside each other.
SHARED = (2, 3, 4)


@dataclass(frozen=True)
class Composer:
    """Lays out sheets on one paper in one edition."""

    setter: Typesetter
    edition: Edition
    paper: Paper
    words: Words
    level: bool = True  #: pages of lists are made equally high; not while pages are only counted

    # --------------------------------------------------------------------------- pages

    def pages(self, booklet: c.Booklet) -> tuple[Page, ...]:
        """Every page, numbered."""
        bodies = list(self._all_bodies(self._leaf_placed(booklet.sheets)))
        return tuple(
            (body.by or self)._page(booklet, body, n, len(bodies))
            for n, body in enumerate(ticking(bodies), start=1)
        )

    def _leaf_placed(self, sheets: Sequence[c.Sheet]) -> Sequence[c.Sheet]:
        """The leaf where it begins on a right-hand page, among the words before the work; of such places the
        one that needs fewest pages."""
        leaf = [sheet for sheet in sheets if sheet.leaf]
        others = [sheet for sheet in sheets if not sheet.leaf]
        work = next((at for at, sheet in enumerate(others) if sheet.step or sheet.kind == "opening"), 0)
        if not leaf or not work:
            return sheets

        counting = replace(self, level=False)

        def cost(at: int) -> tuple[int, int, int]:
            before, after = (
                sum(1 for _ in counting._all_bodies(some)) for some in (others[:at], others[at:work])
            )
            return before % 2, before + after, at

        best = min(range(1, work + 1), key=cost)
        return [*others[:best], *leaf, *others[best:]]

    def _all_bodies(self, sheets: Sequence[c.Sheet]) -> Iterator[PageBody]:
        """The pages of all sheets; some in a row share one where all fit, and a leaf begins on a
        right-hand page: at a left-hand one the next sheet goes before it."""
        waiting, pages, in_leaf = deque(self._grouped(sheets)), 0, False
        while waiting:
            group = waiting.popleft()
            if group[0].leaf and not in_leaf and pages % 2:
                leaf = [group]
                while waiting and waiting[0][0].leaf:
                    leaf.append(waiting.popleft())
                if waiting:
                    group = waiting.popleft()
                    waiting.extendleft(reversed(leaf))
                else:
                    waiting.extend(leaf[1:])
            in_leaf = group[0].leaf
            shared = self._shared(group)
            for body in self.bodies(*group) if shared is None else (shared,):
                tick()
                pages += 1
                yield body

    def _grouped(self, sheets: Sequence[c.Sheet]) -> list[tuple[c.Sheet, ...]]:
        """The sheets of each page: as few pages as can be, and of equal numbers those most alike in how
        much stands on them."""
        best: list[tuple[int, int, int]] = [(0, 0, 0)]  # pages, sum of squares, sheets on the last page
        for end in ticking(range(1, len(sheets) + 1)):
            choices = []
            for count in (1, *SHARED):
                group = tuple(sheets[max(0, end - count) : end])
                if len(group) == count and (count == 1 or self._shared(group) is not None):
                    pages, squares, _ = best[end - count]
                    choices.append((pages + 1, squares + count**2, count))
            best.append(min(choices))
        groups: list[tuple[c.Sheet, ...]] = []
        end = len(sheets)
        while end:
            group = tuple(sheets[end - best[end][2] : end])
            if groups and run_on(group[-1], groups[-1][0]):
                group += groups.pop()
            groups.append(group)
            end -= best[end][2]
        return groups[::-1]

    def _shared(self, group: tuple[c.Sheet, ...]) -> PageBody | None:
        """A page that several sheets share; None where they may not, or do not fit."""
        if self.paper.portrait or not _go_together(group):
            return None
        if group[0].for_adult and (adults := self._adults(group[0])[0]).edition != self.edition:
            shared = adults._shared(group)
            return None if shared is None else replace(shared, by=adults)
        panels = Panels(self.setter, self.paper, self.words)
        panel = panels.together(group, self.inner)
        return None if panel is None else PageBody(group, panel.cells, panel.rules, group)

    def bodies(self, *sheets: c.Sheet) -> Iterator[PageBody]:
        """The pages of one sheet, and more where its blocks need them; or of several that run on."""
        yield from self._adult_bodies(sheets) if sheets[0].for_adult else self._own_bodies(sheets)

    def _own_bodies(self, sheets: Sequence[c.Sheet]) -> Iterator[PageBody]:
        """The pages of sheets in this edition's type."""
        lists, sheet = Lists(self.setter, self.paper, self.inner, self.level), sheets[0]
        if sheet.figure is None:
            yield from lists.bodies([(each, self._titled(each)) for each in sheets])
            return
        panel = self._panel(sheet)
        yield PageBody((sheet,), panel.cells, panel.rules, (sheet,))
        if panel.rest:
            heading = c.Heading(self.words.say("{title}, continued", title=sheet.title))
            yield from lists.bodies([(sheet, [heading, *panel.rest])], begins=False)

    def _panel(self, sheet: c.Sheet) -> Panel:
        """A drawing on a page of its own."""
        panels = Panels(self.setter, self.paper, self.words)
        if self.paper.portrait:
            return panels.stacked(sheet, self.inner, 0.5 * self.paper.least_foot)
        whole = panels.whole(sheet, self.inner)
        if sheet.kind != "finished":
            return whole
        level = panels.stacked(sheet, self.inner, 0.5 * self.paper.least_foot, beside=True)
        return max(whole, level, key=_smallest_picture)

    def _adult_bodies(self, sheets: Sequence[c.Sheet]) -> list[PageBody]:
        """The pages of sheets for the adult: as few as the adult's type allows, in the largest that does."""
        fewest, best = 0, self
        for composer in self._adults(sheets[0]):
            count = sum(1 for _ in replace(composer, level=False)._own_bodies(sheets))
            if not fewest or count < fewest:
                fewest, best = count, composer
            if fewest == 1:
                break
        return [replace(body, by=best) for body in best._own_bodies(sheets)]

    def _adults(self, sheet: c.Sheet) -> tuple[Composer, ...]:
        """The same in the types that an adult's sheet may have, the largest first."""
        drawn = sheet.figure is not None
        editions = (adult_steps(self.edition),) if drawn else adult_editions(self.edition)
        return tuple(
            replace(self, edition=edition, setter=Typesetter(edition, self.setter.face))
            for edition in editions
        )

    def _titled(self, sheet: c.Sheet) -> list[c.Block]:
        return [c.Heading(sheet.title, 1), *sheet.words]

    @property
    def inner(self) -> Rect:
        """The frame without the foot strip."""
        frame, foot = self.paper.frame, self.edition.foot
        return Rect(frame.x, frame.y + foot, frame.width, frame.height - foot)

    # --------------------------------------------------------------- frame and foot strip

    def _page(self, booklet: c.Booklet, body: PageBody, n: int, total: int) -> Page:
        sheet = body.sheets[0]
        strips = Strips(self.setter, self.words)
        foot, rules = strips.foot(self._fields(booklet, body, n, total), self.paper.frame)
        cut = self._cut_line() if sheet.leaf and n % 2 else []
        titles = [each.bookmark or each.title for each in body.begins] or [""]
        levels = [each.level for each in body.begins] or [sheet.level]
        return Page(
            self.paper.width,
            self.paper.height,
            (*body.cells, *foot),
            (*self._frame(), *cut, *body.rules, *rules),
            titles[0],
            levels[0],
            sheet.kind,
            tuple(titles[1:]),
            tuple(levels[1:]),
            sheet.for_adult,
        )

    def _frame(self) -> list[Polyline]:
        """Border and centring marks."""
        frame, paper = self.paper.frame, self.paper
        x, y = paper.width / 2, paper.height / 2
        reach = min(CENTRING_MM, frame.y - 2.0)
        ends = (
            ((x, frame.top), (x, frame.top + reach)),
            ((x, frame.y), (x, frame.y - reach)),
            ((frame.x, y), (frame.x - reach, y)),
            ((frame.right, y), (frame.right + reach, y)),
        )
        return [rectangle(frame, THICK_MM), *(Polyline(each, THICK_MM) for each in ends)]

    def _cut_line(self) -> list[Polyline]:
        """A dashed line in the binding margin, along which a leaf is cut out."""
        frame, x = self.paper.frame, self.paper.frame.x / 2
        count = int((frame.height + CUT_GAP_MM) // (CUT_DASH_MM + CUT_GAP_MM))
        starts = [frame.y + k * (CUT_DASH_MM + CUT_GAP_MM) for k in range(count)]
        return [Polyline(((x, y), (x, y + CUT_DASH_MM)), THIN_MM) for y in starts]

    def _fields(self, booklet: c.Booklet, body: PageBody, n: int, total: int) -> list[StripField]:
        """Label and value, after ISO 7200: model, part, scale of the drawings, sheet."""
        say = self.words.say
        places = [each.part or each.title for each in body.sheets]
        number = say("{n} of {total}", n=self.words.number(n), total=self.words.number(total))
        fields = [
            StripField(say("Model"), booklet.model, 2.6, is_name=True),
            StripField(say("Part"), " | ".join(dict.fromkeys(places)), 2.6, is_name=True),
        ]
        drawn = tuple(item.wish for cell in body.cells for item in cell.items if isinstance(item, Image))
        scaled = tuple(wish for wish in drawn if wish.kind == "step")
        if scaled and self.edition.reader != "child":
            fields.append(StripField(say("Scale"), "{scale}", 1.6, scaled))
        return [*fields, StripField(say("Sheet"), number, 1.5)]


def _smallest_picture(panel: Panel) -> float:
    """Height of the lowest picture of a panel, mm; 0 where something found no room."""
    if panel.rest or panel.crowded:
        return 0.0
    boxes = [item.box for cell in panel.cells for item in cell.items if isinstance(item, Image)]
    return min(box.height for box in boxes)


def _go_together(group: Sequence[c.Sheet]) -> bool:
    """Whether sheets may share a page: for one reader; more than two of one part of the model, four seen from
    one side."""
    first = group[0]
    alike = [
        each.for_adult == first.for_adult
        and (len(group) < 3 or each.part == first.part)
        and (len(group) < 4 or each.view == first.view)
        for each in group
    ]
    return len(group) > 1 and all(alike)


__all__ = ["Composer", "PageBody"]
