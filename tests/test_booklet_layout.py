"""The layout without a PDF: nothing leaves its box, no boxes overlap, type is never too small."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from steps.booklet import content as c
from steps.booklet.boxes import Cell, Image, Page, Polyline, Rect, Text
from steps.booklet.compose import compose
from steps.booklet.compose.gluing import WIDTHS
from steps.booklet.content import Wish
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.flow import Flow
from steps.booklet.fonts import typeface
from steps.booklet.layout import Composer
from steps.booklet.lists import Lists, PageBody
from steps.booklet.panels import FOOT_SHAPE, FOOT_STEP_MM, Panels
from steps.booklet.tables import table_needs
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.draw.frames import SERVES_SHARE, STEP_MARGIN_MM
from steps.errors import WrongSettings
from steps.model import Plan
from steps.settings import Settings
from tests.booklet_sample import sample_plan
from tests.test_settle_rehearse import plan_of

#: Published least sizes: large print 18 and clear print 12 (UKAAF G003), 10 (ISO/IEC Guide 37:2012), points
LEAST = {"child": 18, "helper": 12, "adult": 10}
#: The same of the foot strip, which is not read to build (ISO/IEC Guide 37:2012)
LEAST_LABEL = 10

EVERY_EDITION = [
    (reader, paper, language, fold)
    for reader in ("child", "helper", "adult")
    for paper in ("a4", "letter", "a5")
    for language in ("en", "de")
    for fold in (False, True)
    if not (reader == "child" and (paper == "a5" or fold)) and not (paper == "a5" and fold)
]

AWKWARD = (
    "Donaudampfschifffahrtsgesellschaftskapitänskajütenschlüsselanhänger",
    "a <b>bold</b> &amp; \\slashed/ name",
    "lamp 💡 and שלום and 灯",
    "x" * 300,
    "many words " * 30,
    "שלום עולם",
    "../a/b\\c:d*?<>|",
    "smooth-tapered-block-" * 14,
)


def pages_of(plan: Plan, settings: Settings) -> tuple[Page, ...]:
    words = words_in(settings.language)
    edition = edition_of(settings)
    composer = Composer(Typesetter(edition, typeface(words)), edition, paper_of(settings), words)
    return composer.pages(compose(plan, settings, words))


@lru_cache(maxsize=len(EVERY_EDITION))
def sample_pages(reader: str, paper: str, language: str, fold: bool) -> tuple[Page, ...]:
    """An edition of the sample, set once: pages cannot be edited."""
    return pages_of(sample_plan(), Settings(reader=reader, paper=paper, language=language, fold=fold))


def renamed(plan: Plan, name: str) -> Plan:
    """Every name that a file or a person can give, replaced."""
    model = replace(
        plan.model, name=name, parts=tuple(replace(part, colour_name=name) for part in plan.model.parts)
    )
    measures = replace(
        plan.measures, by_shape={k: replace(m, name=name) for k, m in plan.measures.by_shape.items()}
    )
    order = replace(
        plan.order,
        assemblies=tuple(replace(each, name=name, short_name=name) for each in plan.order.assemblies),
        steps=tuple(replace(step, note=name, doubtful=(name,)) for step in plan.order.steps),
    )
    return replace(plan, model=model, measures=measures, order=order)


def check(pages: tuple[Page, ...]) -> None:
    for page in pages:
        sheet = Rect(0, 0, page.width, page.height)
        frame = page.frame[0].rect()
        for cell in page.cells:
            assert frame.holds(cell.rect), f"{page.kind}: a {cell.role} leaves the frame"
            for item in cell.items:
                assert cell.rect.holds(item.rect(), 0.05), f"{page.kind}: {item} leaves its {cell.role}"
            texts = [item for item in cell.items if isinstance(item, Text)]
            for a, b in combinations(texts, 2):
                assert not a.rect().meets(b.rect(), 0.05), f"{page.kind}: {a.words!r} runs into {b.words!r}"
        for a, b in combinations(page.cells, 2):
            assert not a.rect.meets(b.rect), f"{page.kind}: a {a.role} and a {b.role} overlap"
        for line in page.frame:
            assert sheet.holds(line.rect())


def at_foot(page: Page, cell: Cell) -> bool:
    """Whether a cell is of the strip at the foot of the page."""
    return cell.role == "title block" and cell.rect.y == page.frame[0].rect().y


def smallest_type(pages: list[Page]) -> float:
    """The least type size on the pages, their foot strips left out, points."""
    cells = [cell for page in pages for cell in page.cells if not at_foot(page, cell)]
    items = [item for cell in cells for item in cell.items]
    return min((item.size_pt for item in items if isinstance(item, Text)), default=float("inf"))


@pytest.mark.parametrize(("reader", "paper", "language", "fold"), EVERY_EDITION)
def test_nothing_leaves_its_box_and_no_boxes_overlap(reader, paper, language, fold):
    pages = sample_pages(reader, paper, language, fold)
    check(pages)
    assert smallest_type([page for page in pages if not page.for_adult]) >= LEAST[reader]
    assert smallest_type([page for page in pages if page.for_adult]) >= LEAST["adult"]
    feet = [item for page in pages for cell in page.cells if at_foot(page, cell) for item in cell.items]
    assert min(item.size_pt for item in feet if isinstance(item, Text)) >= LEAST_LABEL


def with_family(name: str) -> Plan:
    plan = sample_plan()
    return replace(plan, gluing=replace(plan.gluing, adhesive=replace(plan.gluing.adhesive, family=name)))


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("family", ["cyanoacrylate", "epoxy", "acrylic", "polyurethane", "solvent"])
@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_the_leaf_for_the_adult_is_one_leaf_that_can_be_cut_out(reader, family, language, paper):
    """Two pages, front and back of one leaf: the front on an odd page, with the line to cut along."""
    pages = pages_of(with_family(family), Settings(reader=reader, language=language, paper=paper))
    leaf = [number for number, page in enumerate(pages, start=1) if page.kind == "adult"]
    assert len(leaf) == 2 and leaf[0] % 2 == 1 and leaf[1] == leaf[0] + 1
    front, back = (pages[number - 1] for number in leaf)
    left = front.frame[0].rect().x
    cuts = [line for line in front.frame if len(line.points) == 2 and line.points[0][0] == left / 2]
    assert len(cuts) > 10
    assert not [line for line in back.frame if len(line.points) == 2 and line.points[0][0] == left / 2]


@pytest.mark.parametrize("name", AWKWARD)
@pytest.mark.parametrize(("reader", "paper"), [("child", "a4"), ("helper", "letter"), ("adult", "a5")])
def test_awkward_names_stay_in_their_boxes(name, reader, paper):
    check(pages_of(renamed(sample_plan(), name), Settings(reader=reader, paper=paper)))


@hypothesis_settings(max_examples=15, deadline=None)
@given(name=st.text(min_size=1, max_size=120))
def test_any_name_stays_in_its_box(name):
    check(pages_of(renamed(sample_plan(), name), Settings(reader="helper")))


@given(
    words=st.text(st.characters(codec="latin-1"), max_size=200),
    width=st.floats(8, 120),
    size=st.sampled_from([10.0, 12.5, 18.0, 24.0]),
    bold=st.booleans(),
)
@hypothesis_settings(max_examples=150, deadline=None)
def test_wrapped_lines_fit_and_lose_nothing(words, width, size, bold):
    face = typeface(words_in("en"))
    setter = Typesetter(edition_of(Settings()), face)
    lines = setter.wrap(words, width, size, bold)
    assert all(face.width_mm(line, size, bold) <= width or len(line) == 1 for line in lines)
    kept = "".join(lines).replace("-", "").replace(" ", "")
    assert kept == face.printable(words).replace("\u00ad", "").replace("-", "").replace(" ", "")


def test_shortening_happens_only_at_the_least_size():
    setter = Typesetter(edition_of(Settings(reader="helper")), typeface(words_in("en")))
    whole = setter.fit("slab 2 × 8", 26.0, 14.0, True)
    assert whole.lines == ("slab 2 × 8",)
    assert whole.size < 14.0 or setter.face.width_mm("slab 2 × 8", 14.0, True) <= 26.0
    cut = setter.fit("a name that is far too long for its place", 26.0, 14.0)
    assert cut.size == 12.0
    assert cut.lines[0].endswith("…")


@pytest.mark.parametrize(
    "options",
    [{"reader": "child", "paper": "a5"}, {"reader": "child", "fold": True}, {"paper": "a5", "fold": True}],
)
def test_editions_that_do_not_fit_their_paper_are_refused(options):
    with pytest.raises(WrongSettings, match="choose A4 or Letter"):
        paper_of(Settings(**options))


def test_every_step_is_there_for_a_child():
    plan = sample_plan()
    pages = pages_of(plan, Settings(reader="child"))
    titles = [title for page in pages for title in (page.bookmark, *page.also)]
    steps = [title for title in titles if title.startswith("Step ")]
    assert steps == [f"Step {step.number}" for step in plan.order.steps]


def test_the_drawing_takes_most_of_a_step_sheet():
    """ "The drawing takes most of the sheet": more than half of the frame's area, or all of its height where
    what is high and narrow has no use for more width."""
    settings = Settings(reader="helper")
    sheets = {sheet.title: sheet for sheet in compose(sample_plan(), settings, words_in("en")).sheets}
    for page in pages_of(sample_plan(), settings):
        if page.kind == "step" and page.bookmark:
            frame = page.frame[0].rect()
            wide, high = sheets[page.bookmark].extent
            areas = [cell.rect.width * cell.rect.height for cell in page.cells if cell.role == "figure"]
            if page.also:  # of half a sheet, its strip left out, the drawing keeps nearly half
                assert sum(sorted(areas)[-2:]) > 0.4 * frame.width * frame.height
            else:
                highest = max(cell.rect.height for cell in page.cells if cell.role == "figure")
                filled = high > wide and highest > 0.8 * frame.height
                assert max(areas) > 0.5 * frame.width * frame.height or filled


def shared(pages: tuple[Page, ...]) -> list[Page]:
    """Those on which drawings stand beside each other."""
    return [page for page in pages if page.also and page.kind in ("step", "opening")]


def numbered(page: Page) -> dict[str, Cell]:
    """The cells that carry a step's number, by it."""
    heads = [cell for cell in page.cells if cell.role == "heading" and cell.alt.startswith("Step ")]
    return {cell.alt.removeprefix("Step "): cell for cell in heads}


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_a_steps_number_is_the_largest_on_its_page_and_stands_over_its_drawing(reader):
    """Found at arm's length: 28 points are 7 mm high capitals, a child's 40 are 10 mm."""
    for page in pages_of(sample_plan(), Settings(reader=reader)):
        texts = [i for cell in page.cells for i in cell.items if isinstance(i, Text)]
        for number, cell in numbered(page).items():
            (said,) = [item for item in cell.items if isinstance(item, Text)]
            assert said.words == number and said.bold
            least = 40 if reader == "child" and not page.for_adult else 28
            assert said.size_pt == max(text.size_pt for text in texts) >= least
            boxes = {
                i.wish.step: i.box
                for c in page.cells
                for i in c.items
                if isinstance(i, Image)
                if i.wish.kind == "step"
            }
            assert boxes[int(number)].top == pytest.approx(cell.rect.y)
            assert boxes[int(number)].x == pytest.approx(cell.rect.x)


def test_steps_share_a_sheet_each_with_its_own_number_words_and_drawing():
    pages = shared(pages_of(sample_plan(), Settings()))
    assert pages
    for page in pages:
        steps = [title.removeprefix("Step ") for title in (page.bookmark, *page.also) if "Step" in title]
        assert list(numbered(page)) == steps
        middle = page.width / 2
        for number, head in numbered(page).items():
            left = head.rect.x < middle - 1
            half = [cell for cell in page.cells if (cell.rect.x + cell.rect.width / 2 < middle) == left]
            drawn = [i.wish for cell in half for i in cell.items if isinstance(i, Image)]
            kinds = [wish.kind for wish in drawn if wish.step == int(number)]
            assert sorted(set(kinds) - {"turn"}) == ["overview", "step"]
        boxes = [i.box for cell in page.cells for i in cell.items if isinstance(i, Image)]
        if len(steps) == 2 and len(page.also) == 1:
            big = sorted(boxes, key=lambda box: box.width * box.height)[-2:]
            assert big[0].width == pytest.approx(big[1].width)
            assert big[0].height == pytest.approx(big[1].height)


@pytest.mark.parametrize(
    ("options", "most"),
    [
        ({"steps_per_sheet": 1}, 1),
        ({"fold": True}, 1),
        ({"paper": "a5"}, 1),
        ({"reader": "child"}, 2),
        ({"steps_per_sheet": 2}, 2),
    ],
)
def test_how_many_steps_share_a_sheet_at_most(options, most):
    pages = pages_of(sample_plan(), Settings(**options))
    assert max((1 + len(page.also) for page in shared(pages)), default=1) == most


def one_part_step(number: int, view: str = "front", words: int = 0) -> c.Sheet:
    """A step that adds one part and says so many lines more."""
    take = c.Take(
        (("1 ×", "a"),), "block 2 × 2", "red", "S01", Wish("thumbnail", shape="S1"), (20, 16), "block"
    )
    lines = tuple(c.Marked("dot", f"line {n}") for n in range(words))
    drawing = c.Figure(Wish("step", step=number), "drawing")
    overview = c.Figure(Wish("overview", step=number), "overview", "Where you are")
    strip = c.Strip(str(number), "", "Child", "child")
    options = {"strip": strip, "take": (take,), "take_title": "Take", "part": "hull", "step": number}
    return c.Sheet("step", f"Step {number}", lines, drawing, overview, share=4, view=view, **options)


@pytest.mark.parametrize(
    ("sheets", "pages"),
    [
        ([one_part_step(n) for n in range(1, 5)], [4]),
        ([one_part_step(n) for n in range(1, 4)], [3]),
        ([one_part_step(n) for n in range(1, 6)], [3, 2]),  # rather than four and one
        ([one_part_step(n, "ab"[n > 2]) for n in range(1, 5)], [2, 2]),  # seen from two sides
        ([one_part_step(n, words=6) for n in range(1, 5)], [2, 2]),  # too many words for a quarter
        ([one_part_step(n, words=4) for n in range(1, 4)], [3]),  # but not for a third
        ([one_part_step(n, words=20) for n in range(1, 3)], [1, 1]),  # too many for a half
    ],
)
def test_as_few_pages_as_can_be_as_evenly_filled(sheets, pages):
    composer = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en"))
    laid = composer.pages(c.Booklet("x", "x", "en", "x", tuple(sheets), ""))
    check(laid)
    assert sorted(1 + len(page.also) for page in laid) == sorted(pages)
    titles = [title for page in laid for title in (page.bookmark, *page.also)]
    assert titles == [sheet.title for sheet in sheets]


@pytest.mark.parametrize("extent", [None, (10.0, 20.0), (10.0, 10.0), (20.0, 10.0)])
@pytest.mark.parametrize("count", [2, 3, 4])
def test_steps_share_no_sheet_on_which_their_strips_would_be_cut(count: int, extent) -> None:
    """When to begin and how long to wait stand whole, of whatever outline the build is."""
    strips = [
        c.Strip(str(n), "", "Adult", "adult", "When step 38 holds", "then 5\u00a0min") for n in range(count)
    ]
    sheets = tuple(
        replace(one_part_step(n), strip=strip, extent=extent) for n, strip in enumerate(strips, start=1)
    )
    composer = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en"))
    laid = composer.pages(c.Booklet("x", "x", "en", "x", sheets, ""))
    check(laid)
    cells = [cell for page in laid for cell in page.cells if cell.role == "title block"]
    said = [" ".join(item.words for item in cell.items if isinstance(item, Text)) for cell in cells]
    assert said.count("When step 38 holds") == said.count("then 5\u00a0min") == count


def test_two_parts_of_the_model_that_share_a_sheet_are_both_named_at_its_foot():
    sheets = (one_part_step(1), replace(one_part_step(2), part="mast"))
    composer = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en"))
    (page,) = composer.pages(c.Booklet("x", "x", "en", "x", sheets, ""))
    said = [i.words for cell in page.cells if at_foot(page, cell) for i in cell.items if isinstance(i, Text)]
    assert "hull | mast" in said


def test_a_step_whose_studs_would_be_too_small_on_half_a_sheet_stands_alone():
    """The beacon's pitch is 40 mm; told that it is 8, its studs come out a fifth as large."""
    plan = sample_plan()
    fine = replace(plan, measures=replace(plan.measures, pitch_mm=8.0))
    assert shared(pages_of(plan, Settings()))
    assert not shared(pages_of(fine, Settings()))


def test_doubtful_steps_and_turns_stand_alone():
    plan = sample_plan()
    alone = {step.number for step in plan.order.steps if step.doubtful} | {4}  # 4 turns the tower
    for page in shared(pages_of(plan, Settings())):
        for title in (page.bookmark, *page.also):
            assert title.removeprefix("Step ") not in map(str, alone)


def test_sheets_are_numbered_n_of_total():
    pages = pages_of(sample_plan(), Settings())
    for number, page in enumerate(pages, start=1):
        values = [
            i.words for c in page.cells if c.role == "title block" for i in c.items if isinstance(i, Text)
        ]
        assert f"{number} of {len(pages)}" in values


@pytest.mark.parametrize(("reader", "paper", "language", "fold"), EVERY_EDITION)
def test_every_step_shows_where_you_are(reader, paper, language, fold):
    """However full the column, the overview finds a place and keeps a size that can be read."""
    pages = sample_pages(reader, paper, language, fold)
    for page in pages:
        if page.kind == "step" and page.bookmark:
            images = [item for cell in page.cells for item in cell.items if isinstance(item, Image)]
            overview = [image.box for image in images if image.wish.kind == "overview"]
            titles = [title for title in (page.bookmark, *page.also) if title.startswith(("Step", "Schritt"))]
            assert len(overview) == len(titles), page.bookmark
            assert min(min(box.width, box.height) for box in overview) >= 15.0


def test_a_sheet_is_set_tighter_rather_than_leave_a_line_on_a_further_page() -> None:
    """Found by growing a sheet until the usual setting needs a second page: the tight one then saves it,
    and a sheet that no setting saves keeps its usual air, its pages ending at about one height."""
    words, settings = words_in("en"), Settings(reader="child")
    edition = edition_of(settings)
    composer = Composer(Typesetter(edition, typeface(words)), edition, paper_of(settings), words)

    def bodies(count: int, usual: bool) -> list[object]:
        blocks = [c.Marked("adult", f"Line {n}") for n in range(count)]
        sheet = c.Sheet("how", "How", tuple(blocks))
        runs = [(sheet, composer._titled(sheet))]
        lists = Lists(composer.setter, composer.paper, composer.inner, level=not usual)
        return list(lists.flowed(runs, True) if usual else lists.bodies(runs))

    first = next(count for count in range(1, 200) if len(bodies(count, usual=True)) == 2)
    assert len(bodies(first, usual=False)) == 1
    far = next(count for count in range(first, 400) if len(bodies(count, usual=False)) == 2)
    level, full = bodies(far, False), bodies(far, True)
    assert _air(level[0]) == pytest.approx(_air(full[0])) and len(level) == len(full)
    lows = [min(cell.rect.y for cell in body.cells) for body in level]
    assert max(lows) - min(lows) < 0.06 * composer.inner.height < lows[0] - composer.inner.y


def _air(body: PageBody) -> float:
    """Between the first two lines."""
    tops = sorted(
        (cell.rect for cell in body.cells if cell.role == "list"), key=lambda rect: (rect.x, -rect.top)
    )
    return tops[0].y - tops[1].top


def test_lists_run_on_where_a_page_has_room_and_each_keeps_its_bookmark() -> None:
    short = c.Sheet("reading", "One", tuple(c.Para(f"line {n}") for n in range(6)))
    composer = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en"))
    other = replace(short, title="Two")
    (body,) = composer.bodies(short, other)
    assert body.sheets == body.begins == (short, other)
    heads = {i.words: cell.rect.y for cell in body.cells for i in cell.items if cell.level == 1}
    lines = [cell.rect for cell in body.cells if cell.role == "text"]
    assert len(lines) == 12 and sum(rect.y > heads["Two"] for rect in lines) == 6
    leaf = replace(other, leaf=True)
    pages = list(composer._all_bodies([short, leaf]))
    assert [page.sheets for page in pages] == [(short,), (leaf,)]


@pytest.mark.parametrize("reader", ["child", "helper"])
def test_what_finds_no_room_beside_a_drawing_goes_on_under_it(reader):
    """Found by lengthening the words until the column is full: the drawing makes room for a band of them."""
    settings = Settings(reader=reader)
    words, edition = words_in("en"), edition_of(settings)
    composer = Composer(setter_of(settings), edition, paper_of(settings), words)
    step = next(sheet for sheet in compose(sample_plan(), settings, words).sheets if sheet.kind == "step")

    def drawing(count: int) -> Rect:
        blocks = tuple(c.Marked("dot", f"line {n}") for n in range(count))
        (body,) = composer.bodies(replace(step, blocks=blocks))
        said = [i.words for cell in body.cells for i in cell.items if isinstance(i, Text)]
        assert [each for each in said if each.startswith("line")] == [f"line {n}" for n in range(count)]
        (box,) = (
            i.box for cell in body.cells for i in cell.items if getattr(i, "wish", None) == step.figure.wish
        )
        return box

    fields = [drawing(count) for count in range(2, 14 if reader == "child" else 24)]
    assert fields[0].height > fields[-1].height > 0.4 * fields[0].height
    assert {round(field.width, 3) for field in fields} == {round(fields[0].width, 3)}


@pytest.mark.parametrize(("up", "said"), [((0, 0, -1), True), ((1, 0, 0), False), ((0, 0, 1), False)])
def test_a_sub_assembly_built_upside_down_says_so_and_is_turned_over_first(up, said):
    plan = sample_plan()
    steps = tuple(replace(step, up=up) if step.assembly == "A1" else step for step in plan.order.steps)
    pages = pages_of(replace(plan, order=replace(plan.order, steps=steps)), Settings())

    def texts(kind: str) -> str:
        cells = [cell for page in pages if page.kind == kind for cell in page.cells]
        return " ".join(item.words for cell in cells for item in cell.items if isinstance(item, Text))

    assert ("It is built upside down." in texts("step")) == said
    assert ("Turn over first: tower" in texts("step")) == said


WHOLE = Settings(reader="helper")


def setter_of(settings: Settings) -> Typesetter:
    return Typesetter(edition_of(settings), typeface(words_in(settings.language)))


def test_a_timeline_shows_every_bar_to_scale_and_no_words_on_others() -> None:
    ticks = tuple(c.Tick(each, f"{each} min") for each in range(0, 100, 5))
    bars = (c.Bar(0, 0.0, 30.0), c.Bar(1, 30.0, 50.0), c.Bar(0, 80.0, 20.0))
    cell = setter_of(WHOLE).set(c.Timeline(("Adult", "Waiting"), bars, ticks, ticks, 100.0, "x"), 120.0)
    drawn = [item.rect() for item in cell.items if isinstance(item, Polyline) and item.fill]
    whole = sum(rect.width for rect in drawn)
    assert [rect.width for rect in drawn] == pytest.approx([0.3 * whole, 0.5 * whole, 0.2 * whole])
    assert drawn[0].right == pytest.approx(drawn[1].x) and drawn[1].right == pytest.approx(drawn[2].x)
    texts = [item.rect() for item in cell.items if isinstance(item, Text)]
    assert not any(one.meets(two, 0.05) for one, two in combinations(texts, 2))
    assert all(cell.rect.holds(item.rect(), 0.3) for item in cell.items)


def test_a_table_is_divided_between_rows_and_fills_its_columns() -> None:
    rows = tuple((f"row {n}", "what", "where") for n in range(40))
    table = c.Table(("a", "b", "c"), rows, (0.4, 0.3, 0.3))
    columns = [Rect(0, 0, 100, 120), Rect(110, 0, 100, 120), Rect(220, 0, 100, 120)]
    cells, rest = Flow(setter_of(WHOLE)).into([table], columns)
    assert not rest
    said = [
        i.words for cell in cells for i in cell.items if isinstance(i, Text) and i.words.startswith("row")
    ]
    assert said == [row[0] for row in rows]
    row = cells[0].rect.height / (
        1 + sum(i.words.startswith("row") for i in cells[0].items if isinstance(i, Text))
    )
    for cell, column in zip(cells[:-1], columns, strict=False):
        assert cell.rect.y - column.y < 1.5 * row


@pytest.mark.parametrize(("reader", "paper"), [("child", "a4"), ("helper", "a5"), ("adult", "letter")])
def test_every_column_of_the_parts_list_begins_with_a_heading(reader, paper):
    """Of its colour, by name where it is continued: no part stands under another's heading or none."""
    settings = Settings(reader=reader, paper=paper)
    lot = [c.Heading("red: 30 parts")]
    for n in range(30):
        wish = Wish("thumbnail", shape="S1", colour="#ff0000", scale=0.1)
        lot.append(c.PartLine(wish, (20.0, 12.0), "1 ×", f"block {n}", ("S1",), "block", "red, continued"))
    sheet = c.Sheet(
        "parts", "Parts list", (*lot, c.Heading("blue: 1 part"), replace(lot[-1], again="blue on"))
    )
    composer = Composer(setter_of(settings), edition_of(settings), paper_of(settings), words_in("en"))
    columns: dict[tuple[int, float], list[Cell]] = {}
    for page, body in enumerate(composer.bodies(sheet)):
        for cell in body.cells:
            if cell.level != 1:
                columns.setdefault((page, cell.rect.x), []).append(cell)
    heads = [max(cells, key=lambda cell: cell.rect.top) for cells in columns.values()]
    assert len(heads) > 2 and all(cell.role == "heading" for cell in heads)
    said = [item.words for cell in heads for item in cell.items if isinstance(item, Text)]
    assert said[0] == "red: 30 parts" and set(said[1:]) <= {"red, continued", "blue: 1 part", "blue on"}
    parts = [cell for cells in columns.values() for cell in cells if cell.role == "list"]
    assert len(parts) == 31


@pytest.mark.parametrize("height", [12.0, 20.0, 28.0, 36.0, 60.0])
def test_no_column_of_the_parts_list_ends_with_a_heading(height):
    """A heading repeated where the next part finds no room would stand there alone."""
    wish = Wish("thumbnail", shape="S1", colour="#ff0000", scale=0.1)
    lot = [
        c.PartLine(wish, (20.0, 12.0), "1 ×", f"block {n}", ("S1",), "block", "brick red, continued")
        for n in range(9)
    ]
    columns = [Rect(45.0 * n, 0.0, 40.0, height) for n in range(4)]
    cells, rest = Flow(setter_of(WHOLE)).into([c.Heading("brick red: 9 parts"), *lot], columns, whole=True)
    for column in columns:
        own = [cell for cell in cells if cell.rect.x == column.x]
        assert not own or min(own, key=lambda cell: cell.rect.y).role == "list"
    assert len([cell for cell in cells if cell.role == "list"]) + len(rest) == 9 + (not cells)


@pytest.mark.parametrize("language", ["en", "de"])
def test_no_word_of_a_tables_header_is_broken_inside(language):
    """But where a soft hyphen allows it: the columns make room for each other."""
    words = words_in(language)
    heads = ("Step", "Part", "Joints", "Bead, mm", "Hold", "If wrong, print again", "Done")
    header = tuple(words.say(each) for each in heads)
    table = c.Table(header, (("1",) * 7,), WIDTHS)
    setter = setter_of(Settings(language=language))
    cell = setter.set(table, table_needs(setter, table))  # there is no mm to spare
    for column, told in enumerate(header):
        lines = [i.words for i in cell.items if isinstance(i, Text) and i.slot == (0, column)]
        told_whole = told.replace("\xad", "").replace(" ", "")
        assert "".join(line.removesuffix("-").replace(" ", "") for line in lines) == told_whole
        assert len(lines) <= 1 + told.count("\xad") + told.count(" ")


def test_what_is_taken_off_again_is_said_on_quarters_too():
    """Where the list "Take" has no title, what is in the build already would be looked for in the heap."""
    plan = plan_of("stacks", 0)
    pages = pages_of(plan, Settings(scale=4.0, reader="child"))
    said = [
        item.words
        for page in pages
        for cell in page.cells
        for item in cell.items
        if isinstance(item, Text) and item.words == "Glue, put back"
    ]
    assert len(said) == sum(bool(step.reopens) for step in plan.order.steps)
    assert any(len(page.also) > 1 and page.for_adult for page in pages)


def test_the_last_page_of_a_flow_ends_at_about_one_height() -> None:
    """Twelve equal lines in two columns: six and six."""
    blocks = tuple(c.Marked("dot", f"line {n}") for n in range(12))
    pages = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en")).bodies(
        c.Sheet("last", "How", blocks)
    )
    (body,) = pages
    lefts = [cell.rect.x for cell in body.cells if cell.role == "list"]
    assert [lefts.count(x) for x in sorted(set(lefts))] == [6, 6]


@pytest.mark.parametrize(("reader", "paper", "language", "fold"), EVERY_EDITION)
def test_nothing_in_a_title_block_is_cut(reader, paper, language, fold):
    pages = sample_pages(reader, paper, language, fold)
    fixed = {words_in(language).say(each) for each in ("Child", "Helper", "Adult")}
    for page in pages:
        cells = [cell for cell in page.cells if cell.role == "title block"]
        said = [item.words for cell in cells for item in cell.items if isinstance(item, Text)]
        if page.kind == "step" and page.bookmark:
            assert any(each.startswith(tuple(fixed)) for each in said)
        assert not any(words.endswith("…") for words in said), said


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_folded_cover_is_one_page(paper, language):
    pages = pages_of(sample_plan(), Settings(fold=True, paper=paper, language=language))
    assert [page.kind for page in pages].count("cover") == 1


def test_a_long_name_is_broken_at_its_hyphens() -> None:
    lines = setter_of(WHOLE).wrap("smooth-tapered-block-2x4-2-side-studs", 40.0, 12.0)
    assert len(lines) > 1 and "".join(lines) == "smooth-tapered-block-2x4-2-side-studs"
    assert all(line.endswith("-") for line in lines[:-1])


def _halved(extent: tuple[float, float] | None, reader: str) -> tuple[list[Rect], list[Rect]]:
    """The drawings and the overviews of two steps that share a sheet, their builds of one extent."""
    settings, words = Settings(reader=reader), words_in("en")
    setter = Typesetter(edition_of(settings), typeface(words))
    sheets = [sheet for sheet in compose(sample_plan(), settings, words).sheets if sheet.kind == "step"]
    composer = Composer(setter, setter.edition, paper_of(settings), words)
    panels = Panels(setter, composer.paper, words)
    some = (panels.together([replace(sheet, extent=extent, share=2)] * 2, composer.inner) for sheet in sheets)
    panel = next(panel for panel in some if panel is not None)
    images = [item for cell in panel.cells for item in cell.items if isinstance(item, Image)]
    return tuple([image.box for image in images if image.wish.kind == kind] for kind in ("step", "overview"))  # type: ignore[return-value]


def test_the_overview_gets_the_height_that_a_low_drawing_cannot_use():
    """A build four times as wide as high leaves much of a high field empty; one not known may need it."""
    (usual, _), (small, _) = _halved(None, "child")
    (low, other), (large, _) = _halved((40.0, 10.0), "child")
    assert large.height > small.height and low.height < usual.height
    assert low.height == other.height
    to_spare = low.height - 2 * STEP_MARGIN_MM - (low.width - 2 * STEP_MARGIN_MM) / 4
    assert to_spare >= -1e-6  # it is as large as the width lets it be
    assert to_spare < 0.1 or large.height > FOOT_SHAPE * large.width - FOOT_STEP_MM


def test_the_layout_knows_the_outline_of_every_steps_build():
    steps = [each for each in compose(sample_plan(), WHOLE, words_in("en")).sheets if each.step]
    assert steps and all(sheet.extent is not None and min(sheet.extent) > 0 for sheet in steps)


@pytest.mark.parametrize("reader", ["child", "helper"])
def test_a_short_parts_list_is_pictured_larger_at_one_scale(reader):
    """Where it costs no page, two and a half times as large; of many lines as they are."""
    settings = Settings(reader=reader)
    composer = Composer(setter_of(settings), edition_of(settings), paper_of(settings), words_in("en"))
    wish, size = Wish("thumbnail", shape="S1", scale=0.1), (20.0, 16.0)
    row = c.PartLine(wish, size, "4 ×", "block 2 × 2", ("S01",), "block")
    for count, zoom in ((1, 2.5), (200, 1.0)):
        bodies = composer.bodies(c.Sheet("parts", "Parts list", (row,) * count))
        items = [item for body in bodies for cell in body.cells for item in cell.items]
        images = [item for item in items if isinstance(item, Image)]
        assert len(images) == count
        assert {round(image.wish.scale / 0.1, 6) for image in images} == {zoom}
        assert {round(image.box.width / 20.0, 6) for image in images} == {zoom}


@pytest.mark.parametrize("reader", ["child", "helper"])
def test_the_overview_gets_the_width_that_a_high_drawing_cannot_use(reader):
    """Of a sheet of its own: the drawing comes out as large as in the usual field."""
    settings, words = Settings(reader=reader), words_in("en")
    setter = Typesetter(edition_of(settings), typeface(words))
    composer = Composer(setter, setter.edition, paper_of(settings), words)
    sheet = next(each for each in compose(sample_plan(), settings, words).sheets if each.kind == "step")

    def boxes(extent: tuple[float, float] | None) -> dict[str, Rect]:
        (body,) = composer.bodies(replace(sheet, extent=extent))
        images = [item for cell in body.cells for item in cell.items if isinstance(item, Image)]
        return {image.wish.kind: image.box for image in images}

    usual, slender = boxes(None), boxes((10.0, 40.0))
    assert slender["step"].height >= usual["step"].height
    assert (slender["step"].width - 2 * STEP_MARGIN_MM) / 10 >= (
        usual["step"].height - 2 * STEP_MARGIN_MM
    ) / 40
    assert slender["overview"].width > 1.3 * usual["overview"].width
    assert boxes((40.0, 10.0)) == usual


@pytest.mark.parametrize("reader", ["child", "helper"])
def test_overviews_stand_beside_drawings_that_leave_the_width(reader):
    """Of two steps that share a sheet, where the drawings come out larger so."""
    steps, overviews = _halved((10.0, 16.0), reader)
    (under, _), _ = _halved((10.0, 11.0), reader)
    assert steps[0].height > under.height + 10
    for drawing, overview in zip(steps, overviews, strict=True):
        assert drawing.right <= overview.x and drawing.y < overview.top
        least = (drawing.height - 2 * STEP_MARGIN_MM) / 16
        assert (drawing.width - 2 * STEP_MARGIN_MM) / 10 == pytest.approx(least / SERVES_SHARE)


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
@pytest.mark.parametrize("extent", [(10.0, 40.0), (12.0, 10.0)])
def test_the_finished_model_is_as_large_from_behind_as_the_words_allow(reader, extent):
    """At least a third of the page high or wide, where the model is no more than a little wider than high."""
    settings, words = Settings(reader=reader), words_in("en")
    composer = Composer(setter_of(settings), edition_of(settings), paper_of(settings), words)
    (sheet,) = [each for each in compose(sample_plan(), settings, words).sheets if each.kind == "finished"]
    (body,) = composer.bodies(replace(sheet, extent=extent))
    images = [item for cell in body.cells for item in cell.items if isinstance(item, Image)]
    assert [image.wish.index for image in images] == [0, 1]
    for image in images:
        assert image.box.height > composer.inner.height / 3 or image.box.width > composer.inner.width / 3


def test_what_adults_read_runs_on_as_well() -> None:
    """Two short lists for one reader share a page, in the adult's type; what a child reads is apart."""
    settings = Settings(reader="child")
    composer = Composer(setter_of(settings), edition_of(settings), paper_of(settings), words_in("en"))
    lists = [c.Sheet("adult", name, (c.Para(name),), for_adult=True) for name in ("Glue", "Sittings")]
    own = c.Sheet("reading", "Before", (c.Para("Before"),))
    booklet = c.Booklet("m", "m", "en", "m", (own, *lists), "")
    first, second = composer.pages(booklet)
    assert (first.bookmark, first.for_adult) == ("Before", False)
    assert (second.bookmark, second.also, second.for_adult) == ("Glue", ("Sittings",), True)


def test_two_steps_stand_as_their_drawings_come_out_largest():
    """A slender build beside its words, two side by side; a low one beside them too, one under the other; one
    about as wide as high above them."""
    inner = Composer(setter_of(WHOLE), edition_of(WHOLE), paper_of(WHOLE), words_in("en")).inner
    (left, right), _ = _halved((10.0, 40.0), "helper")
    assert left.y == right.y and left.height > 0.9 * inner.height and left.width <= inner.width / 4
    (upper, lower), _ = _halved((40.0, 10.0), "helper")
    assert upper.x == lower.x and upper.width > 0.7 * inner.width and upper.height < inner.height / 2
    (left, right), _ = _halved((11.0, 10.0), "helper")
    assert left.y == right.y and left.width == right.width == inner.width / 2
