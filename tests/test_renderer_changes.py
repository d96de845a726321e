"""A picture drawn on from the last one is the picture drawn from nothing."""

import numpy as np
import pytest
import shapely

from renderer.changes import ROOM, changes, windows_of
from renderer.hatch import choose_hatches
from renderer.ink import Inked, Pen, ink, ink_windows
from renderer.picture import Stroke
from renderer.rays import RaySource
from renderer.table import Cast, Item, PixelTable
from tests.test_renderer_table import beacon_scene

MM_PER_PIXEL = 25.4 / 200


def drawn_on(items: list[Item], counts: list[int], camera, pen: Pen) -> Inked:
    """Some items, then some more, each time drawing what changes."""
    cast = Cast(tuple(items))
    table = PixelTable.empty(camera)
    done = Inked.blank(camera.rows, camera.columns)
    for start, stop in zip([0, *counts], [*counts, len(items)], strict=True):
        after = RaySource().table(items[start:stop], camera, table)
        done = ink_windows(done, after, windows_of(changes(table, after)), cast.of_keys, pen)
        table = after
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


def test_strokes_know_their_style_and_bounds_and_wide_ones_come_last():
    items, camera = beacon_scene(500, 400)
    on = drawn_on(items, [3, 7], camera, Pen(MM_PER_PIXEL))
    assert len(on.strokes) == len(on.styles) == len(on.bounds) > 0
    for stroke, bounds in zip(on.strokes, on.bounds, strict=True):
        low, high = stroke.points.min(axis=0), stroke.points.max(axis=0)
        assert np.allclose([*low, *high], bounds)
    widths = [stroke.width_mm for stroke in on.strokes]
    assert widths == sorted(widths)


def test_windows_hold_every_change_with_room_and_stay_apart():
    changed = np.zeros((300, 400), dtype=bool)
    changed[20:40, 30:60] = changed[250:260, 350:399] = True
    windows = windows_of(changed)
    assert len(windows) == 2
    left = changed.copy()
    for row, column, rows, columns in windows:
        assert row >= 0 and column >= 0 and row + rows <= 300 and column + columns <= 400
        left[row : row + rows, column : column + columns] = False
    assert not left.any()
    row, column, rows, columns = min(windows)
    assert (row, column) == (20 - ROOM, 30 - ROOM) and (rows, columns) == (20 + 2 * ROOM, 30 + 2 * ROOM)


def test_no_change_needs_no_window_and_changes_near_each_other_share_one():
    assert windows_of(np.zeros((50, 60), dtype=bool)) == []
    changed = np.zeros((300, 400), dtype=bool)
    changed[10:200, 10:200] = changed[215:290, 215:390] = True
    assert len(windows_of(changed)) == 1


def test_a_window_of_a_table_shows_what_the_table_shows_there():
    items, camera = beacon_scene(300, 260)
    table = RaySource().table(items, camera)
    part = table.window(60, 80, 100, 120)
    alone = RaySource().table(items, part.camera)
    assert (part.key == table.key[60:160, 80:200]).all()
    # by rays of its own; float32 may tell edges otherwise
    assert (alone.key == part.key).mean() > 0.9995
    assert set(part.keys) == set(np.unique(part.key)) - {-1}
