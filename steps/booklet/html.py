"""The same sheets as one self-contained HTML file: any width, keyboard, screen reader, offline."""

from __future__ import annotations

import base64
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import singledispatchmethod
from html import escape
from io import BytesIO

from PIL import Image as Pixels

from renderer.picture import Balloon, Picture, Sign, Stroke, by_kind
from steps.booklet import content as c
from steps.booklet.edition import Edition
from steps.booklet.fonts import Typeface
from steps.booklet.html_style import STYLE
from steps.booklet.marks import mark_lines
from steps.booklet.paint import (
    BALLOON_LINE_MM,
    CAP_HEIGHT,
    DOT_MM,
    LEADER_MM,
    TEXT_SHARE,
    grey_of,
    grey_pixels,
)
from steps.booklet.pictures import PictureOrder, Pictures
from steps.booklet.typeset import SIGNAL_COLOURS
from steps.booklet.words import Words
from steps.one_set import identifier

#: Sizes at which pictures are drawn for the screen, mm; the page scales them. Those with letters or numbers
#: are small: on a phone 70 mm wide their circles are still 5 mm.
SIZES_MM = {
    "step": (120.0, 96.0),
    "cover": (190.0, 150.0),
    "assembly": (190.0, 150.0),
    "overview": (75.0, 62.0),
}
FINISHED_MM = (120.0, 100.0)
SMALL_MM = {"turn": (75.0, 34.0)}
WIDE_EM = 0.66  # widest bold digit or small letter of the typeface over its size
QUALITY = 90  # of the effort WebP puts into lossless packing, percent


def html_of(
    booklet: c.Booklet, words: Words, face: Typeface, edition: Edition, pictures: Pictures, mono: bool
) -> str:
    """The whole file as text."""
    orders = tuple(order for sheet in booklet.sheets for order in _orders(sheet))
    page = _Page(words, edition, iter(pictures.drawn(orders)), mono)
    return page.whole(booklet, face)


def _orders(sheet: c.Sheet) -> Iterator[PictureOrder]:
    """The pictures of a sheet in the order in which the page shows them."""
    if sheet.figure is not None:
        yield _large(sheet.figure.wish)
    for block in sheet.words:
        if isinstance(block, (c.Take, c.PartLine)):
            yield _thumb(block)
        elif isinstance(block, c.Figure):
            yield _small(block.wish)
    if sheet.foot is not None:
        yield _large(sheet.foot.wish)


def _large(wish: c.Wish) -> PictureOrder:
    return PictureOrder(wish, *SIZES_MM.get(wish.kind, FINISHED_MM))


def _small(wish: c.Wish) -> PictureOrder:
    return PictureOrder(wish, *SMALL_MM[wish.kind])


def _thumb(block: c.Take | c.PartLine) -> PictureOrder:
    return PictureOrder(block.wish, *(round(each, 3) for each in block.size_mm))


@dataclass
class _Page:
    """Writes blocks as HTML; keeps which marks and pictures were used."""

    words: Words
    edition: Edition
    pictures: Iterator[Picture | None]
    mono: bool
    marks: dict[str, None] = field(default_factory=dict)
    shown: dict[PictureOrder, int] = field(default_factory=dict)

    # ---------------------------------------------------------------------- the file

    def whole(self, booklet: c.Booklet, face: Typeface) -> str:
        say = self.words.say
        sections = [self.section(sheet, n, booklet) for n, sheet in enumerate(booklet.sheets, start=1)]
        links = "".join(
            f'<li class="level{sheet.level}"><a href="#sheet-{n}">'
            f"{_text(sheet.bookmark or sheet.title)}</a></li>"
            for n, sheet in enumerate(booklet.sheets, start=1)
        )
        skip, sheets = _text(say("Skip the list of sheets")), _text(say("Sheets"))
        title, body = _text(booklet.title), "\n".join(sections)
        return (
            f'<!DOCTYPE html>\n<html lang="{escape(booklet.language)}">\n<head>\n<meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f'<meta name="dc.identifier" content="{identifier(booklet.run)}">\n'
            f"<title>{title}</title>\n<style>\n{_fonts(face)}{STYLE}"
            f":root{{--size:{self.edition.body / 12.5:.2f}}}\n</style>\n</head>\n<body>\n"
            f'<a class="skip" href="#sheet-1">{skip}</a>\n'
            f'<header><h1 dir="auto">{title}</h1><p>{_text(booklet.subject)}</p></header>\n'
            f'{self.symbols()}\n<nav aria-label="{sheets}"><details><summary>{sheets}</summary>'
            f"<ol>{links}</ol></details></nav>\n<main>\n{body}\n</main>\n</body>\n</html>\n"
        )

    def section(self, sheet: c.Sheet, n: int, booklet: c.Booklet) -> str:
        """One sheet: heading, who and where, picture, blocks, and the way on."""
        figure = self.figure(sheet.figure, _large(sheet.figure.wish)) if sheet.figure else ""
        blocks = self.blocks((*sheet.words, *sheet.band))
        foot = self.figure(sheet.foot, _large(sheet.foot.wish)) if sheet.foot else ""
        title = sheet.bookmark or sheet.title
        body = f'<div class="field">{figure}</div><div class="column">{blocks}{foot}</div>'
        if sheet.figure is None:
            body = f'<div class="flow">{blocks}</div>'
        return (
            f'<section id="sheet-{n}" class="{sheet.kind}" aria-labelledby="title-{n}">\n'
            f'<h2 id="title-{n}" tabindex="-1">{_text(title)}</h2>{self.facts_of(sheet)}\n'
            f'<div class="sheet">{body}</div>\n{self.way_on(n, len(booklet.sheets))}</section>'
        )

    def facts_of(self, sheet: c.Sheet) -> str:
        if sheet.kind != "step" or sheet.strip is None:
            return ""
        say, strip = self.words.say, sheet.strip
        times = ". ".join(filter(None, (strip.begin, strip.then))) or say("none")
        rows = ((say("Part of the model"), sheet.part), (say("Done by"), strip.by), (say("Wait"), times))
        cells = "".join(f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>" for name, value in rows)
        return f'<dl class="block">{cells}</dl>'

    def way_on(self, n: int, total: int) -> str:
        say = self.words.say
        before, after = _text(say("Sheet before")), _text(say("Next sheet"))
        back = f'<a href="#sheet-{n - 1}">{before}</a>' if n > 1 else ""
        on = f'<a href="#sheet-{n + 1}">{after}</a>' if n < total else ""
        count = say("{n} of {total}", n=self.words.number(n), total=self.words.number(total))
        return f'<p class="way">{back} <span>{_text(count)}</span> {on}</p>'

    def symbols(self) -> str:
        """Every mark that is used, drawn once."""
        drawn = "".join(
            f'<symbol id="mark-{kind}" viewBox="-0.5 -0.5 1 1">{self.mark_paths(kind)}</symbol>'
            for kind in self.marks
        )
        return f'<svg width="0" height="0" aria-hidden="true" class="symbols">{drawn}</svg>'

    # ------------------------------------------------------------------------ blocks

    def blocks(self, blocks: Sequence[c.Block]) -> str:
        """Blocks in turn; runs of list rows become lists."""
        out: list[str] = []
        run: list[str] = []
        for block in blocks:
            if isinstance(block, (c.Take, c.PartLine, c.Marked, c.SignNote)):
                run.append(f"<li>{self.block(block)}</li>")
                continue
            if run:
                out.append(f'<ul class="rows">{"".join(run)}</ul>')
                run = []
            out.append(self.block(block))
        if run:
            out.append(f'<ul class="rows">{"".join(run)}</ul>')
        return "\n".join(out)

    @singledispatchmethod
    def block(self, block: c.Block) -> str:
        raise TypeError(f"no way to write a {type(block).__name__}")

    @block.register
    def _(self, block: c.Heading) -> str:
        return "" if block.level == 1 else f"<h3>{_text(block.words)}</h3>"

    @block.register
    def _(self, block: c.Para) -> str:
        kind = "strong" if block.strong else "quiet" if block.quiet else ""
        return f'<p class="{kind}">{_text(block.words)}</p>' if kind else f"<p>{_text(block.words)}</p>"

    @block.register
    def _(self, block: c.Rule) -> str:
        return "<hr>"

    @block.register
    def _(self, block: c.Marked) -> str:
        detail = f'<span class="detail">{_text(block.detail)}</span>' if block.detail else ""
        words = f"<b>{_text(block.words)}</b>" if block.strong else _text(block.words)
        if block.mark == "tick":
            return f'<label class="row"><input type="checkbox"><span>{words}{detail}</span></label>'
        return f'<div class="row">{self.mark(block.mark)}<span>{words}{detail}</span></div>'

    @block.register
    def _(self, block: c.SignNote) -> str:
        return (
            f'<div class="row sign">{self.mark(block.sign, block.alt)}<span>{_text(block.words)}</span></div>'
        )

    @block.register
    def _(self, block: c.Titled) -> str:
        return f"<p><b>{_text(block.title)}</b><br>{_text(block.words)}</p>"

    @block.register
    def _(self, block: c.Take) -> str:
        letters = "".join(
            f'<b class="count">{_text(count)}</b><span class="letter">{_text(letter)}</span>'
            for count, letter in block.letters
        )
        picture = f'<span class="thumb">{self.picture(_thumb(block), block.alt)}</span>'
        return f'<div class="take">{letters}{picture}{_named(block)}</div>'

    @block.register
    def _(self, block: c.PartLine) -> str:
        picture = f'<span class="thumb">{self.picture(_thumb(block), block.alt)}</span>'
        return (
            f'<label class="take"><input type="checkbox"><b class="count">{_text(block.count)}</b>'
            f"{picture}{_named(block)}</label>"
        )

    @block.register
    def _(self, block: c.Facts) -> str:
        rows = "".join(f"<dt>{_text(a)}</dt><dd>{_text(b)}</dd>" for a, b in block.rows)
        return f'<dl class="facts">{rows}</dl>'

    @block.register
    def _(self, block: c.Table) -> str:
        head = "".join(f'<th scope="col">{_text(words)}</th>' for words in block.header)
        rows = "".join(
            "<tr>" + "".join(f"<td>{_text(words)}</td>" for words in row) + "</tr>" for row in block.rows
        )
        return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"

    @block.register
    def _(self, block: c.Notice) -> str:
        ground, ink = SIGNAL_COLOURS[block.signal]
        if self.mono:
            ground = grey_of(ground)
        alert = "" if block.signal == "NOTICE" else self.mark("W001")
        signs = "".join(self.mark(sign, alt) for sign, alt in zip(block.signs, block.sign_alts, strict=False))
        lines = "".join(f"<li>{_text(line)}</li>" for line in block.lines)
        title = f"<p><b>{_text(block.title)}</b></p>" if block.title else ""
        return (
            f'<div class="notice" role="note"><p class="signal" style="background:{ground};color:{ink}">'
            f'{alert}{_text(block.word)}</p>{title}<ul>{lines}</ul><p class="signs">{signs}</p></div>'
        )

    @block.register
    def _(self, block: c.Figure) -> str:
        return self.figure(block, _small(block.wish))

    @block.register
    def _(self, block: c.Timeline) -> str:
        def place(start: float, length: float = 0.0) -> str:
            left, width = (100 * each / block.total_min for each in (start, length))
            return f"left:{left:.2f}%;width:{width:.2f}%" if length else f"left:{left:.2f}%"

        rows = []
        for lane, name in enumerate(block.lanes):
            kind = "bar wait" if lane == len(block.lanes) - 1 else "bar"
            bars = "".join(
                f'<i class="{kind}" style="{place(bar.start_min, bar.length_min)}"></i>'
                for bar in block.bars
                if bar.lane == lane
            )
            rows.append(f'<b>{_text(name)}</b><div class="lane">{bars}</div>')
        steps, hours = (
            "".join(f'<span style="{place(tick.at_min)}">{_text(tick.words)}</span>' for tick in ticks)
            for ticks in (block.steps, block.hours)
        )
        return (
            f'<div class="timeline" role="img" aria-label="{_text(block.alt)}"><b></b><div class="ticks">'
            f'{steps}</div>{"".join(rows)}<b></b><div class="ticks">{hours}</div></div>'
        )

    # --------------------------------------------------------------------- pictures

    def figure(self, figure: c.Figure, order: PictureOrder) -> str:
        caption = f"<figcaption>{_text(figure.caption)}</figcaption>" if figure.caption else ""
        picture = self.picture(order, figure.alt)
        return f"<figure>{caption}{picture}</figure>" if picture else ""

    def picture(self, order: PictureOrder, alt: str) -> str:
        """The next picture, drawn once and shown again by reference."""
        picture = next(self.pictures)
        if picture is None:
            return ""
        box = f'viewBox="0 0 {picture.width_mm:.2f} {picture.height_mm:.2f}"'
        head = f'<svg {box} role="img" aria-label="{_text(alt)}">'
        if order in self.shown:
            return f'{head}<use href="#picture-{self.shown[order]}"/></svg>'
        self.shown[order] = len(self.shown) + 1
        flipped = f"translate(0 {picture.height_mm:.2f}) scale(1 -1)"
        layers = "".join(self.layers(picture))
        return f'{head}<g id="picture-{self.shown[order]}" transform="{flipped}">{layers}</g></svg>'

    def layers(self, picture: Picture) -> Iterator[str]:
        """Pixels, strokes, signs, balloons and insets, y up as in the picture."""
        w, h = picture.width_mm, picture.height_mm
        pixels = grey_pixels(picture.pixels) if self.mono else picture.pixels
        yield (
            f'<image width="{w:.2f}" height="{h:.2f}" transform="translate(0 {h:.2f}) scale(1 -1)" '
            f'preserveAspectRatio="none" href="{_webp(pixels)}"/>'
        )
        yield from _strokes(picture.strokes)
        yield from (self.sign(sign) for sign in picture.signs)
        yield from (_leader(balloon) for balloon in picture.balloons)
        yield from (_balloon(balloon) for balloon in picture.balloons)
        for x, y, inset in picture.insets:
            frame = (
                f'<rect width="{inset.width_mm:.2f}" height="{inset.height_mm:.2f}" fill="none" stroke="#000"'
            )
            yield f'<g transform="translate({x:.2f} {y:.2f})">{"".join(self.layers(inset))}'
            yield f'{frame} stroke-width="{LEADER_MM}"/></g>'

    def sign(self, sign: Sign) -> str:
        x, y = sign.centre
        turn = f"translate({x:.2f} {y:.2f}) rotate({sign.angle * 57.29578:.1f}) scale({sign.size_mm:.2f})"
        words = _label(x + 0.6 * sign.size_mm, y, sign.text, sign.size_mm, "start") if sign.text else ""
        return f'<g transform="{turn}">{self.mark_paths(sign.kind, up=True)}</g>{words}'

    def mark(self, kind: str, alt: str = "") -> str:
        self.marks[kind] = None
        said = f'role="img" aria-label="{_text(alt)}"' if alt else 'aria-hidden="true"'
        return f'<svg class="mark" {said}><use href="#mark-{kind}"/></svg>'

    def mark_paths(self, kind: str, up: bool = False) -> str:
        """The lines of a mark in its unit square; SVG's y points down, so does this unless ``up``."""
        ink: Callable[[str], str] = grey_of if self.mono else str
        paths = []
        for line in mark_lines(kind):
            points = " ".join(f"{x:.3f},{y if up else -y:.3f}" for x, y in line.points)
            fill = ink(line.fill) if line.fill else "none"
            stroke = f' stroke="{ink(line.colour)}" stroke-width="{line.width_mm:.3f}"' if line.colour else ""
            closed = "polygon" if line.points[0] == line.points[-1] else "polyline"
            paths.append(f'<{closed} points="{points}" fill="{fill}"{stroke}/>')
        return "".join(paths)


def _named(block: c.Take | c.PartLine) -> str:
    lines = "".join(f'<span class="line">{_text(line)}</span>' for line in block.lines if line)
    return f'<span class="name"><b>{_text(block.name)}</b>{lines}</span>'


def _text(words: str) -> str:
    """Escaped, without control characters."""
    return escape("".join(each for each in words if unicodedata.category(each) not in ("Cc", "Cs")))


def _strokes(strokes: Iterable[Stroke]) -> Iterator[str]:
    """Strokes of one kind in one path."""
    for (width, dash, grey), lines in by_kind(strokes):
        level = round(255 * grey)
        paths = ["M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in line.tolist()) for line in lines]
        dashes = f' stroke-dasharray="{" ".join(f"{each:.2f}" for each in dash)}"'
        # a round end would close the gaps between dashes
        ends = dashes if dash else ' stroke-linecap="round"'
        yield (
            f'<path d="{"".join(paths)}" fill="none" stroke="#{level:02x}{level:02x}{level:02x}" '
            f'stroke-width="{width:.3f}" stroke-linejoin="round"{ends}/>'
        )


def _leader(balloon: Balloon) -> str:
    (x0, y0), (x1, y1) = balloon.centre, balloon.target
    return (
        f'<path d="M{x0:.2f} {y0:.2f}L{x1:.2f} {y1:.2f}" stroke="#000" stroke-width="{LEADER_MM}"/>'
        f'<circle cx="{x1:.2f}" cy="{y1:.2f}" r="{DOT_MM}"/>'
    )


def _balloon(balloon: Balloon) -> str:
    x, y = balloon.centre
    circle = f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{balloon.radius_mm:.2f}" fill="#fff" stroke="#000"'
    size = min(1.25 * balloon.radius_mm, 2 * TEXT_SHARE * balloon.radius_mm / (WIDE_EM * len(balloon.text)))
    return f'{circle} stroke-width="{BALLOON_LINE_MM}"/>' + _label(x, y, balloon.text, size, "middle")


def _label(x: float, y: float, words: str, size: float, anchor: str) -> str:
    """Words in a picture, upright although its y points up."""
    place = f"translate({x:.2f} {y:.2f}) scale(1 -1) translate(0 {0.5 * CAP_HEIGHT * size:.2f})"
    look = f'font-size="{size:.2f}" font-weight="bold" text-anchor="{anchor}"'
    return f'<text transform="{place}" {look}>{_text(words)}</text>'


def _webp(pixels: object) -> str:
    packed = BytesIO()
    Pixels.fromarray(pixels).save(packed, "WEBP", lossless=True, quality=QUALITY, method=2)  # type: ignore[arg-type]
    return "data:image/webp;base64," + base64.b64encode(packed.getvalue()).decode("ascii")


def _fonts(face: Typeface) -> str:
    rules = []
    for path, weight in ((face.regular_file, 400), (face.bold_file, 700)):
        data = base64.b64encode(path.read_bytes()).decode("ascii")
        rules.append(
            f'@font-face{{font-family:"Legible";font-weight:{weight};src:url(data:font/ttf;base64,{data})}}\n'
        )
    return "".join(rules)
