"""Laid-out pages to PDF: the only module that knows reportlab's canvas."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import TypeGuard

import numpy as np
from PIL import Image as Pixels
from reportlab import rl_config
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from renderer.picture import Balloon, Picture, Sign, Stroke, by_kind
from steps.booklet.boxes import BLACK, WHITE, Cell, Image, Item, Mark, Page, Polyline, Rect, Text
from steps.booklet.content import Booklet
from steps.booklet.edition import adult_steps, edition_of
from steps.booklet.fonts import Typeface
from steps.booklet.impose import Side, folded_sides, single_sides
from steps.booklet.marks import mark_lines
from steps.booklet.pictures import Pictures, orders_of
from steps.booklet.tags import TAG_OF, Tags, add_xmp
from steps.booklet.words import Words
from steps.one_set import identifier
from steps.progress import Tell
from steps.settings import Settings

CREATOR = "Stepleaf"
POINTS_PER_MM = 72 / 25.4
LEADER_MM, BALLOON_LINE_MM, DOT_MM = 0.25, 0.35, 0.7  # ISO 128-20 narrow line; ISO 6433: leader ends in a dot
FINE = 100  # units of a stroke's points in a mm
BUTT, ROUND = 0, 1  # ends and corners of lines (ISO 32000-1, 8.4.3.3 and 8.4.3.4)
TEXT_SHARE = 0.7  # of a balloon's diameter, for its text: two letters keep off its line (by eye)
MOST_SCALES = 2  # of the drawings of one page that are printed
CAP_HEIGHT = 0.668  # of the type size, from the font


class Painter:
    """Paints pages on a canvas, in mm."""

    def __init__(
        self,
        canvas: Canvas,
        face: Typeface,
        words: Words,
        pictures: Iterator[Picture | None],
        settings: Settings,
    ):
        self.canvas, self.face, self.words = canvas, face, words
        self.mono, self.edition = settings.mono, edition_of(settings)
        self.least_pt = self.edition.least
        self.pictures = pictures  # one for each image, in the order of painting
        self.tags = Tags(canvas)
        self.scales: dict[object, float] = {}

    # --------------------------------------------------------------------------- pages

    def side(self, side: Side) -> None:
        """One printed side with its one or two pages."""
        canvas = self.canvas
        self.tags.new_page()
        canvas.setPageSize((side.width * POINTS_PER_MM, side.height * POINTS_PER_MM))
        for x, page in side.pages:
            canvas.saveState()
            canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
            canvas.translate(x, 0)
            canvas.setLineJoin(0)
            self.page(page)
            canvas.restoreState()
        canvas.showPage()
        self.tags.mark_page()

    def page(self, page: Page) -> None:
        steps = adult_steps(self.edition) if page.for_adult else self.edition
        self.least_pt = min(steps.least, self.edition.least)
        for is_list, cells in groupby(page.cells, key=lambda cell: cell.role == "list"):
            if not is_list:
                for cell in cells:
                    self.cell(cell)
                continue
            with self.tags.group("L"):
                for cell in cells:
                    with self.tags.group("LI"):
                        self.cell(cell)
        with self.tags.artifact():
            for line in page.frame:
                self.line(line)

    def cell(self, cell: Cell) -> None:
        """The cell's words as one element, or a table of them; each of its pictures as one of its own."""
        if cell.alt:
            tag = f"H{cell.level}" if cell.role == "heading" else "Figure"
            with self.tags.element(tag, cell.alt):
                self.items(cell.items)
            return
        alone = [item for item in cell.items if _stands_alone(item)]
        rest = [item for item in cell.items if not _stands_alone(item)]
        if any(isinstance(item, Text) and item.slot for item in rest):
            self.table(cell, rest)
        else:
            tag = f"H{cell.level}" if cell.role == "heading" else TAG_OF[cell.role]
            worded = any(isinstance(item, Text) for item in rest)
            with self.tags.element(tag) if worded else self.tags.artifact():
                self.items(rest)
        for item in alone:
            with self.tags.element("Figure", item.alt):
                self.item(item)

    def table(self, cell: Cell, items: Sequence[Item]) -> None:
        """Rows of cells; what heads a row or column is a header."""
        with self.tags.artifact():
            self.items([item for item in items if not isinstance(item, Text)])
        texts = [item for item in items if isinstance(item, Text) and item.slot is not None]
        rows, scope = cell.headed == "rows", "Row" if cell.headed == "rows" else "Column"
        with self.tags.group("Table"):
            for row in dict.fromkeys(text.slot[0] for text in texts if text.slot):
                with self.tags.group("TR"):
                    of_row = [text for text in texts if text.slot and text.slot[0] == row]
                    for column in dict.fromkeys(text.slot[1] for text in of_row if text.slot):
                        heads = column == 0 if rows else row == 0
                        with self.tags.element("TH" if heads else "TD", scope=scope if heads else ""):
                            self.items([text for text in of_row if text.slot == (row, column)])

    def items(self, items: Iterable[Item]) -> None:
        for item in items:
            self.item(item)

    def item(self, item: Item) -> None:
        if isinstance(item, Text):
            self.text(item)
        elif isinstance(item, Polyline):
            self.line(item)
        elif isinstance(item, Mark):
            self.mark(item)
        else:
            self.image(item)

    # ------------------------------------------------------------------ words and lines

    def text(self, text: Text) -> None:
        words = text.words
        if text.scale_of:
            scales = [self.words.scale(self.scales.get(wish, 1.0)) for wish in text.scale_of]
            words = words.replace("{scale}", ", ".join(list(dict.fromkeys(scales))[:MOST_SCALES]))
        # the space parts this line from the next one for those who listen or copy
        self.write(text.x, text.y, words + " ", text.size_pt, text.bold, text.colour)

    def write(self, x: float, y: float, words: str, size_pt: float, bold: bool, colour: str = BLACK) -> None:
        """Words with their baseline from (x, y)."""
        canvas = self.canvas
        canvas.setFillColor(self.ink(colour))
        canvas.setFont(self.face.name(bold), size_pt / POINTS_PER_MM)
        canvas.drawString(x, y, words)

    def ink(self, colour: str) -> str:
        return grey_of(colour) if self.mono else colour

    def line(self, line: Polyline) -> None:
        self.polyline(line.points, line.width_mm, line.colour, line.fill, line.dash_mm)

    def polyline(
        self,
        points: Sequence[tuple[float, float]],
        width: float,
        colour: str | None,
        fill: str | None = None,
        dash: Sequence[float] = (),
    ) -> None:
        canvas = self.canvas
        path = canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if len(points) > 2 and points[0] == points[-1]:
            path.close()
        if fill is not None:
            canvas.setFillColor(self.ink(fill))
        if colour is not None:
            canvas.setStrokeColor(self.ink(colour))
            canvas.setLineWidth(width)
            canvas.setDash(list(dash)) if dash else canvas.setDash()
        canvas.drawPath(path, stroke=int(colour is not None and width > 0), fill=int(fill is not None))

    def mark(self, mark: Mark) -> None:
        if mark.kind == "balloon":
            self.balloon_circle(mark.x, mark.y, mark.size / 2, mark.text, mark.text_pt)
        else:
            self.sign(mark.kind, mark.x, mark.y, mark.size)

    def sign(self, kind: str, x: float, y: float, size: float, angle: float = 0.0) -> None:
        """A drawn mark, turned by ``angle`` radians."""
        cos, sin = np.cos(angle) * size, np.sin(angle) * size
        for line in mark_lines(kind):
            points = [(x + cos * px - sin * py, y + sin * px + cos * py) for px, py in line.points]
            self.polyline(points, line.width_mm * size, line.colour, line.fill)

    def balloon_circle(self, x: float, y: float, radius: float, text: str, size_pt: float) -> None:
        canvas = self.canvas
        canvas.setDash()
        canvas.setLineWidth(BALLOON_LINE_MM)
        canvas.setStrokeColor(BLACK)
        canvas.setFillColor(WHITE)
        canvas.circle(x, y, radius, stroke=1, fill=1)
        width = self.face.width_mm(text, size_pt, True)
        drop = 0.5 * CAP_HEIGHT * size_pt / POINTS_PER_MM
        self.write(x - width / 2, y - drop, text, size_pt, True)

    # ------------------------------------------------------------------------ pictures

    def image(self, image: Image) -> None:
        picture = next(self.pictures)
        if picture is None:
            return
        self.scales[image.wish] = picture.mm_per_model_mm
        self.picture(picture, image.box)

    def picture(self, picture: Picture, box: Rect) -> None:
        """A picture in the middle of its box, never enlarged beyond it."""
        fit = min(1.0, box.width / picture.width_mm, box.height / picture.height_mm)
        canvas = self.canvas
        canvas.saveState()
        canvas.translate(
            box.x + (box.width - fit * picture.width_mm) / 2,
            box.y + (box.height - fit * picture.height_mm) / 2,
        )
        canvas.scale(fit, fit)
        canvas.setLineJoin(ROUND)
        self.layers(picture)
        canvas.restoreState()

    def layers(self, picture: Picture) -> None:
        """Pixels, strokes, signs, balloons, insets, in picture coordinates."""
        pixels = grey_pixels(picture.pixels)[:, :, 0] if self.mono else picture.pixels
        reader = ImageReader(Pixels.fromarray(pixels))
        self.canvas.drawImage(reader, 0, 0, picture.width_mm, picture.height_mm)
        self.strokes(picture.strokes)
        for sign in picture.signs:
            self.picture_sign(sign)
        for balloon in picture.balloons:
            self.leader(balloon)
        for balloon in picture.balloons:
            size_pt = self.size_within(balloon)
            self.balloon_circle(*balloon.centre, balloon.radius_mm, balloon.text, size_pt)
        for x, y, inset in picture.insets:
            self.inset(x, y, inset)

    def strokes(self, strokes: Sequence[Stroke]) -> None:
        """Strokes of one kind as one path, in hundredths of a millimetre: a drawing has hundreds, and whole
        numbers are short and quick to write."""
        if not strokes:
            return
        code = [f"q {1 / FINE:g} 0 0 {1 / FINE:g} 0 0 cm {ROUND} j"]
        for (width, dash, grey), lines in by_kind(strokes):
            # a round end would close the gaps between dashes
            dashes = " ".join(f"{each * FINE:g}" for each in dash)
            code.append(f"{grey:g} G {width * FINE:g} w [{dashes}] 0 d {BUTT if dash else ROUND} J")
            code += _paths(lines)
            code.append("S")
        self.canvas._code.extend([*code, "Q"])

    def picture_sign(self, sign: Sign) -> None:
        self.sign(sign.kind, *sign.centre, sign.size_mm, sign.angle)
        if sign.text:
            size_pt = max(self.least_pt, sign.size_mm * POINTS_PER_MM * 0.8)
            self.write(
                sign.centre[0] + 0.6 * sign.size_mm,
                sign.centre[1] - 0.25 * sign.size_mm,
                sign.text,
                size_pt,
                True,
            )

    def size_within(self, balloon: Balloon) -> float:
        """Type size, points, at which the text fills its circle; never below the edition's least."""
        room = TEXT_SHARE * 2 * balloon.radius_mm
        high = balloon.radius_mm * POINTS_PER_MM * 1.15
        wide = room / max(self.face.width_mm(balloon.text, 1.0, True), 1e-9)
        return max(self.least_pt, min(high, wide))

    def leader(self, balloon: Balloon) -> None:
        self.polyline([balloon.centre, balloon.target], LEADER_MM, BLACK)
        self.canvas.setFillColor(BLACK)
        self.canvas.circle(*balloon.target, DOT_MM, stroke=0, fill=1)

    def inset(self, x: float, y: float, picture: Picture) -> None:
        canvas = self.canvas
        canvas.saveState()
        canvas.translate(x, y)
        self.layers(picture)
        w, h = picture.width_mm, picture.height_mm
        self.polyline([(0, 0), (w, 0), (w, h), (0, h), (0, 0)], LEADER_MM, BLACK)
        canvas.restoreState()


# ASCII streams are a fifth larger and slower to write; every reader takes binary ones (ISO 32000-1, 7.3.8)
rl_config.useA85 = 0


def _paths(lines: Sequence[np.ndarray]) -> Iterator[str]:
    """PDF path operators of polylines (k, 2) mm, in units of 1/FINE mm; one that ends where it began is
    closed."""
    whole = np.rint(np.concatenate(lines) * FINE).astype(int).tolist()
    start = 0
    for line in lines:
        points = whole[start : start + len(line)]
        start += len(line)
        (x, y), rest = points[0], points[1:]
        closed = " h" if len(points) > 2 and points[0] == points[-1] else ""
        yield f"{x} {y} m " + " ".join([f"{x} {y} l" for x, y in rest]) + closed


def grey_of(colour: str) -> str:
    """The grey of equal luminance weight (Rec. 601 luma)."""
    r, g, b = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    level = round(0.299 * r + 0.587 * g + 0.114 * b)
    return f"#{level:02x}{level:02x}{level:02x}"


def grey_pixels(pixels: np.ndarray) -> np.ndarray:
    """Rec. 601 luma of every pixel, as three equal channels."""
    level = np.rint(pixels @ np.array([0.299, 0.587, 0.114])).astype(np.uint8)
    return np.repeat(level[:, :, None], 3, axis=2)


def _stands_alone(item: Item) -> TypeGuard[Image | Mark]:
    """A picture or sign with words of its own."""
    return isinstance(item, Image) or (isinstance(item, Mark) and bool(item.alt))


def paint(
    pages: Sequence[Page],
    booklet: Booklet,
    face: Typeface,
    words: Words,
    pictures: Pictures,
    settings: Settings,
    progress: Tell | None = None,
) -> bytes:
    """The pages as a PDF file, two a side when folded: the same pages give the same bytes."""
    content = io.BytesIO()
    canvas = Canvas(
        content, invariant=1, pageCompression=1, lang=words.language, initialFontName=face.regular
    )
    _describe(canvas, booklet)
    sides = folded_sides(pages) if settings.fold else single_sides(pages)
    ordered = [page for side in sides for _, page in side.pages]
    painter = Painter(canvas, face, words, iter(pictures.drawn(orders_of(ordered))), settings)
    titles = _titles(pages)
    for index, side in enumerate(sides):
        if progress is not None:
            progress("pages", index, len(sides))
        for _, page in side.pages:
            for key, _, _ in titles[id(page)]:
                canvas.bookmarkPage(key)
        canvas.addPageLabel(index, prefix=side.name)
        painter.side(side)
    for page in pages:
        for key, title, level in titles[id(page)]:
            canvas.addOutlineEntry(title, key, level=level, closed=False)
    canvas.showOutline()
    painter.tags.finish()
    canvas.save()
    return content.getvalue()


def _describe(canvas: Canvas, booklet: Booklet) -> None:
    """What the file says of itself."""
    canvas.setTitle(booklet.title)
    canvas.setAuthor("")
    canvas.setSubject(booklet.subject)
    canvas.setCreator(CREATOR)
    add_xmp(
        canvas,
        title=booklet.title,
        subject=booklet.subject,
        language=booklet.language,
        creator=CREATOR,
        identifier=identifier(booklet.run),
    )
    canvas.setViewerPreference("DisplayDocTitle", "true")


def _titles(pages: Sequence[Page]) -> dict[int, list[tuple[str, str, int]]]:
    """The outline entries that lead to each page, in reading order: key (each its own: the library knows
    an entry by it), title, level."""
    found: dict[int, list[tuple[str, str, int]]] = {}
    level, count = -1, 0
    for page in pages:
        entries = found.setdefault(id(page), [])
        titles = zip((page.bookmark, *page.also), (page.bookmark_level, *page.also_levels), strict=True)
        for title, wanted in titles:
            if not title:
                continue
            level, count = min(wanted, level + 1), count + 1
            entries.append((f"entry-{count}", title, level))
    return found
