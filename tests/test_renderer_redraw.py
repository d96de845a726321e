"""A picture drawn on from the last one is the picture drawn from nothing."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from renderer.hatch import choose_hatches
from renderer.ink import Inked, Pen, ink, ink_on
from renderer.lines import Lines
from renderer.picture import Stroke
from renderer.rays import RaySource
from renderer.table import Cast, Item, PixelTable
from tests.test_renderer_table import beacon_scene

MM_PER_PIXEL = 25.4 / 200


def drawn_on(items: list[Item], counts: list[int], camera, pen: Pen) -> Inked:
    """Some items, then some more, each time drawing what changes."""
    cast = Cast(tuple(items))
    table = PixelTable.empty(camera)
    done = Inked.blank(camera.rows, camera.columns, pen.mm_per_pixel)
    for start, stop in zip([0, *counts], [*counts, len(items)], strict=True):
        table = RaySource().table(items[start:stop], camera, table)
        done = ink_on(done, table, items[start:stop], cast.of_keys, pen)
    return done


def lines(strokes: tuple[Stroke, ...], width: float) -> shapely.Geometry:
    return shapely.union_all([shapely.LineString(s.points) for s in strokes if s.width_mm == width])


@pytest.mark.parametrize("mono", [False, True])
@pytest.mark.parametrize("counts", [[1, 2, 5, 6, 9], [11], [4, 8]])
def test_drawn_on_and_drawn_at_once_are_the_same_picture(counts, mono):
    items, camera = beacon_scene(700, 600)
    hatches = choose_hatches([item.colour for item in items]) if mono else None
    cast = Cast(tuple(items))
    on = drawn_on(items, counts, camera, Pen(MM_PER_PIXEL, hatches))
    once = ink(RaySource().table(items, camera), cast, MM_PER_PIXEL, hatches)
    assert (on.pixels == once.pixels).all()
    for width in {stroke.width_mm for stroke in once.strokes}:
        one, two = lines(on.strokes, width), lines(once.strokes, width)
        assert one.length == pytest.approx(two.length, rel=2e-3)
        # the points left out on a line may be other ones: by the tolerance of trace.STRAY, twice
        assert one.hausdorff_distance(two) < 0.3 * MM_PER_PIXEL


def test_wide_strokes_come_last():
    items, camera = beacon_scene(500, 400)
    on = drawn_on(items, [3, 7], camera, Pen(MM_PER_PIXEL))
    assert len(on.strokes) == len(on.lines) > 0
    widths = [stroke.width_mm for stroke in on.strokes]
    assert widths == sorted(widths)


def test_what_is_hidden_changes_nothing():
    items, camera = beacon_scene(300, 260)
    pen, cast = Pen(MM_PER_PIXEL), Cast(tuple(items))
    table = RaySource().table(items, camera)
    done = ink(table, cast, MM_PER_PIXEL)
    away = Item(items[0].solid, items[0].moved(camera.toward * -5000.0).pose, "#000000", len(items))
    again = ink_on(done, RaySource().table([away], camera, table), [away], cast.of_keys, pen)
    assert again is done


def test_lines_end_where_they_come_to_a_marked_cell_and_go_on_behind_it():
    # a cross of two lines over 6 x 4 cells, one of them bent; the marked cells are columns 2 and 3 of row 1
    points = np.array([[0.5, 1.5], [4.5, 1.5], [5.5, 2.5], [2.5, 0.25], [2.5, 3.5]])
    lines = Lines(points, np.array([0, 3]), np.array([1, 2]))
    cells = np.zeros((4, 6), dtype=bool)
    cells[1, 2:4] = True
    left = lines.outside(cells)
    assert [run.tolist() for run in np.split(left.points, left.starts[1:])] == [
        [[0.5, 1.5], [2.0, 1.5]],
        [[4.0, 1.5], [4.5, 1.5], [5.5, 2.5]],
        [[2.5, 0.25], [2.5, 1.0]],
        [[2.5, 2.0], [2.5, 3.5]],
    ]
    assert left.style.tolist() == [1, 1, 2, 2]


@settings(deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_what_is_left_of_lines_and_what_is_cut_add_up(seed):
    random = np.random.default_rng(seed)
    sizes = random.integers(2, 9, 12)
    points = random.uniform(-3, 15, (int(sizes.sum()), 2))
    lines = Lines(points, np.cumsum(sizes) - sizes, random.integers(0, 3, 12))
    cells = random.random((11, 9)) < 0.4
    marked = shapely.union_all(
        [shapely.box(c, r, c + 1, r + 1) for r, c in zip(*np.nonzero(cells), strict=True)]
    )
    left = lines.outside(cells)
    for style in range(3):
        whole, rest = (
            shapely.MultiLineString(
                [run for run, of in zip(_runs(some), some.style, strict=True) if of == style]
            )
            for some in (lines, left)
        )
        assert rest.length == pytest.approx(whole.difference(marked).length, abs=1e-6)
        assert rest.intersection(marked.buffer(-1e-9)).length == pytest.approx(0, abs=1e-6)


def _runs(lines: Lines) -> list[np.ndarray]:
    return np.split(lines.points, lines.starts[1:])


def test_a_window_of_a_table_shows_what_the_table_shows_there():
    items, camera = beacon_scene(300, 260)
    table = RaySource().table(items, camera)
    part = table.window(60, 80, 100, 120)
    alone = RaySource().table(items, part.camera)
    assert (part.key == table.key[60:160, 80:200]).all()
    # by rays of its own; float32 may tell edges otherwise
    assert (alone.key == part.key).mean() > 0.9995
    assert set(part.keys) == set(np.unique(part.key)) - {-1}
