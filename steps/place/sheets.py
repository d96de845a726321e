"""Stud sheets: each shape from the sides that have studs or sockets, with their columns and rows."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from renderer.camera import Camera
from renderer.flatten import flatten
from steps.draw.sheet import PLAIN_MARGIN_MM, Field
from steps.draw.step import inked
from steps.draw.studio import Studio
from steps.model import Adhesive, Array, Gluing, Joints, Measures, Model, Order, Plan, Work
from steps.place.seats import ALONG, WAYS, Face, Seated, bodies_of
from steps.prints.paper import MARGIN_MM, MM, PAPERS, PrintPaper, shortened
from steps.settings import Settings

#: One view, mm: two beside each other fit A4 upright and letter.
VIEW_MM = (86.0, 62.0)
TITLE_MM, GAP_MM, FOOT_MM = 9.0, 6.0, 14.0
DPI = 200.0
#: Numbers on the studs, in points: small, but no smaller than this.
NUMBER_PT, LEAST_PT = 8.0, 5.0
LONGEST_TITLE = 70
#: A view: its title, the way it looks from, and what is numbered on it.
View = tuple[str, Array, tuple[Face, ...]]


def stud_sheets(model: Model, measures: Measures, settings: Settings) -> bytes:
    """A PDF with every shape, large enough to write a build file by. Loose or placed models alike."""
    bodies = bodies_of(model, measures)
    paper = PrintPaper.of(settings)
    width, height = PAPERS[paper.size]
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(width, height), invariant=1, lang=paper.words.language)
    canvas.setTitle(paper.face.printable(model.name))
    page = _StudPage(canvas, paper, height)
    called = {part.shape: part.source for part in reversed(model.parts)}
    studio = _studio(model, settings)
    for shape in model.shapes:
        body = bodies[shape.id]
        title = f"{shape.id}  {paper.words.said(body.name)}"
        if called.get(shape.id, str(body.name)) != str(body.name):
            title += f"  ({called[shape.id]})"
        views = list(_views(body, paper))
        page.open(title, len(views))
        for name, way, faces in views:
            page.view(name, _drawn(studio, body, shape.id, way), _numbers(body, way, faces))
    page.close()
    canvas.save()
    return out.getvalue()


def _views(body: Seated, paper: PrintPaper) -> Iterator[View]:
    """From above and below, and from each side that has seats of its own."""
    say = paper.words.say
    titles = {
        "top": say("from above"),
        "under": say("from below"),
        "front": say("from the front"),
        "back": say("from the back"),
        "left": say("from the left"),
        "right": say("from the right"),
    }
    for name, title in titles.items():
        way = np.array(WAYS[name]) @ body.frame
        faces = tuple(
            face for face in body.faces if any(seat.axis @ way > 0.5 for seat in face.seats.values())
        )
        straight = any(face.axis @ way > ALONG for face in faces)
        if name in ("top", "under") or straight:
            yield title, way, faces


def _axes(body: Seated, way: Array) -> Array:
    """(3, 3) camera: right, up and towards the eye; columns run to the right wherever that can be."""
    right, _, up = body.frame
    if abs(way @ up) > ALONG:
        return np.array([right, np.cross(way, right), way])
    return np.array([np.cross(up, way), up, way])


def _studio(model: Model, settings: Settings) -> Studio:
    """A studio with one part of each shape, unturned."""
    first = {part.shape: part for part in reversed(model.parts)}
    parts = tuple(replace(first[shape.id], pose=np.eye(4)) for shape in model.shapes if shape.id in first)
    alone = replace(model, parts=parts)
    plan = Plan(
        alone, Measures({}, None), Joints(()), Order((), ()), Gluing({}, {}, {}, Adhesive()), Work(())
    )
    return Studio(plan, settings)


FIELD = Field(*VIEW_MM, dpi=DPI)


def _camera(body: Seated, way: Array) -> Camera:
    return FIELD.camera(_axes(body, way), body.shape.outermost, PLAIN_MARGIN_MM)


def _drawn(studio: Studio, body: Seated, shape: str, way: Array) -> NDArray[np.uint8]:
    """Pixels of a shape seen from one side."""
    ids = [part.id for part in studio.plan.model.parts if part.shape == shape]
    items = studio.items(ids, "earlier")
    picture = inked(studio, FIELD, studio.source.table(items, _camera(body, way)), items)
    return flatten(picture, DPI)


def _numbers(body: Seated, way: Array, faces: Sequence[Face]) -> list[tuple[float, float, str, bool]]:
    """(x, y) mm on the view, what is written there, and whether it is the reference seat."""
    camera = _camera(body, way)
    own = body.own()
    found = []
    for face in faces:
        for at, seat in face.seats.items():
            if seat.axis @ way <= 0.5:
                continue
            told = f"{at[0]}  {at[1]}" if face.kind in ("stud", "socket") else f"{face.kind} {at[0]}"
            if face.name.split(" ")[-1].isdigit():
                told = f"{face.name.split(' ')[-1]}: {told}"
            x, y = FIELD.paper(camera, seat.point[None])[0]
            reference = own is not None and own[0] is face and own[1] == at
            found.append((float(x), float(y), told, reference))
    return found


class _StudPage:
    """Shapes down the pages, two views a row."""

    def __init__(self, canvas: Canvas, paper: PrintPaper, height: float):
        self.canvas, self.paper, self.top = canvas, paper, height / MM - MARGIN_MM
        self.y, self.column, self.sheet = self.top, 0, 1
        self.legend()

    def legend(self) -> None:
        """What the numbers mean, at the head of each page."""
        say = self.paper.words.say
        text = say(
            "Columns and rows of studs and sockets. The ring marks the seat a part sits by. Not to scale."
        )
        self.canvas.setFont(self.paper.face.regular, 9)
        self.canvas.drawString(MARGIN_MM * MM, (self.y - 3) * MM, self.paper.face.printable(text))
        self.y -= 7

    def open(self, title: str, views: int) -> None:
        """Room for a shape; on a new page where it does not fit whole, unless it needs more than one."""
        rows = -(-views // 2)
        need = TITLE_MM + rows * (VIEW_MM[1] + GAP_MM)
        self._end_row()
        if self.y - need < FOOT_MM and self.y < self.top - 8:
            self._turn()
        self.canvas.setFont(self.paper.face.bold, 11)
        told = self.paper.face.printable(shortened(title, LONGEST_TITLE))
        self.canvas.drawString(MARGIN_MM * MM, (self.y - 5) * MM, told)
        self.y -= TITLE_MM

    def view(
        self, name: str, pixels: NDArray[np.uint8], numbers: Sequence[tuple[float, float, str, bool]]
    ) -> None:
        if self.y - VIEW_MM[1] < FOOT_MM:
            self._turn()
        left, low = MARGIN_MM + self.column * (VIEW_MM[0] + 4), self.y - VIEW_MM[1]
        image = ImageReader(Image.fromarray(pixels))
        self.canvas.drawImage(image, left * MM, low * MM, VIEW_MM[0] * MM, VIEW_MM[1] * MM)
        self.canvas.setFont(self.paper.face.regular, 8)
        self.canvas.drawString(left * MM, (self.y + 0.5) * MM, self.paper.face.printable(name))
        self._number(left, low, numbers)
        self.column += 1
        if self.column == 2:
            self._end_row()

    def _number(self, left: float, low: float, numbers: Sequence[tuple[float, float, str, bool]]) -> None:
        apart = _least_apart(numbers)
        size = min(NUMBER_PT, max(LEAST_PT, apart * MM / 2.6))
        for x, y, told, reference in numbers:
            at = (left + x) * MM, (low + y) * MM
            wide = self.paper.face.width_mm(told, size) * MM
            self.canvas.setFillGray(1, 0.8)
            self.canvas.rect(at[0] - wide / 2 - 1, at[1] - size / 2, wide + 2, size, stroke=0, fill=1)
            self.canvas.setFillGray(0)
            self.canvas.setFont(self.paper.face.regular, size)
            self.canvas.drawCentredString(at[0], at[1] - size * 0.35, told)
            if reference:
                self.canvas.setLineWidth(0.35 * MM)
                self.canvas.circle(*at, max(wide / 2 + 2.5, size * 0.8))

    def _end_row(self) -> None:
        if self.column:
            self.y -= VIEW_MM[1] + GAP_MM
            self.column = 0

    def _turn(self) -> None:
        self.close()
        self.canvas.showPage()
        self.sheet += 1
        self.y, self.column = self.top, 0
        self.legend()

    def close(self) -> None:
        """The sheet's number."""
        text = self.paper.words.say("Sheet {n}", n=self.paper.words.number(self.sheet))
        self.canvas.setFont(self.paper.face.regular, 10)
        right = PAPERS[self.paper.size][0] - MARGIN_MM * MM
        self.canvas.drawRightString(right, 7 * MM, self.paper.face.printable(text))


def _least_apart(numbers: Sequence[tuple[float, float, str, bool]]) -> float:
    """How far the two nearest numbers are apart, mm."""
    points = np.array([each[:2] for each in numbers]).reshape(-1, 2)
    if len(points) < 2:
        return 100.0
    off = np.linalg.norm(points[:, None] - points[None], axis=2) + 1e6 * np.eye(len(points))
    return float(off.min())
