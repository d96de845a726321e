"""Lines and tints, measured on drawings of solids whose outlines are known in closed form."""

import numpy as np
import pytest
import shapely

from renderer.camera import ISOMETRIC_ELEVATION, Camera, axes_of, framed
from renderer.flatten import flatten
from renderer.hatch import choose_hatches
from renderer.ink import LIGHT_GREY, LIGHT_NARROW_MM, NARROW_MM, WIDE_MM, ink
from renderer.picture import Picture, Stroke
from renderer.raster import RasterSource, probe
from renderer.rays import RaySource
from renderer.solid import Solid
from renderer.table import Cast, Item
from renderer.tone import LIGHT, luminance, rgb, tints, tones
from tests.test_renderer_solid import cube, prism
from tests.test_renderer_table import beacon_scene

ISOMETRIC = axes_of(np.pi / 4, ISOMETRIC_ELEVATION)
MM_PER_PIXEL = 25.4 / 200
DIAGONAL = 1 / np.sqrt(2)


def drawn(items: list[Item], camera: Camera, mono: bool = False) -> Picture:
    hatches = choose_hatches([item.colour for item in items]) if mono else None
    inked = ink(RaySource().table(items, camera), Cast(tuple(items)), MM_PER_PIXEL, hatches)
    size = camera.columns * MM_PER_PIXEL, camera.rows * MM_PER_PIXEL
    return Picture(*size, inked.pixels, inked.strokes)


def placed(
    solid: Solid, key: int = 0, at=(0, 0, 0), colour: str = "#c04030", role="new", group: int = -1
) -> Item:
    pose = np.eye(4)
    pose[:3, 3] = at
    return Item(solid, pose, colour, key, role, group)


def big(solid: Solid, size: float) -> Solid:
    return Solid(solid.vertices * size, solid.faces)


def ruled(picture: Picture, width: float) -> shapely.Geometry:
    """All strokes of one width."""
    return shapely.union_all([shapely.LineString(s.points) for s in picture.strokes if s.width_mm == width])


def paper(camera: Camera, points) -> np.ndarray:
    seen = camera.project(points)[:, :2] * MM_PER_PIXEL
    return np.column_stack([seen[:, 0], camera.rows * MM_PER_PIXEL - seen[:, 1]])


def test_a_cube_is_a_wide_hexagon_with_three_narrow_creases():
    item = placed(big(cube(), 10))
    camera = framed(ISOMETRIC, item.outer, 500, 480, margin=30)
    picture = drawn([item], camera)
    rim = [(10, 0, 0), (10, 10, 0), (0, 10, 0), (0, 10, 10), (0, 0, 10), (10, 0, 10)]
    hexagon = shapely.Polygon(paper(camera, np.array(rim, dtype=float))).exterior
    near = paper(camera, np.array([[10, 10, 10], [10, 10, 0], [10, 0, 10], [0, 10, 10]], dtype=float))
    creases = shapely.MultiLineString([[near[0], end] for end in near[1:]])
    # 0.03 mm: a quarter of a pixel of the table the lines were traced from
    assert ruled(picture, WIDE_MM).hausdorff_distance(hexagon) < 0.12  # corners are cut by up to a pixel
    assert ruled(picture, WIDE_MM).length == pytest.approx(hexagon.length, rel=0.01)
    assert shapely.LineString(_middle(picture, WIDE_MM)).within(hexagon.buffer(0.03))
    assert ruled(picture, NARROW_MM).hausdorff_distance(creases) < 0.15
    assert ruled(picture, NARROW_MM).length == pytest.approx(creases.length, rel=0.02)


def _middle(picture: Picture, width: float) -> np.ndarray:
    """Points on the longest straight piece, away from its corners."""
    pieces = [
        (a, b)
        for stroke in picture.strokes
        if stroke.width_mm == width
        for a, b in zip(stroke.points[:-1], stroke.points[1:], strict=True)
    ]
    a, b = max(pieces, key=lambda piece: float(np.linalg.norm(piece[1] - piece[0])))
    return a + np.linspace(0.05, 0.95, 20)[:, None] * (b - a)


def test_the_top_of_an_upright_stud_is_an_ellipse_of_0_577():
    # ISO 5456-3: circles in isometric faces have minor / major 0.57735
    item = placed(prism(96, radius=10.0, height=6.0))
    camera = framed(ISOMETRIC, item.outer, 600, 500, margin=30)
    picture = drawn([item], camera)
    middle = paper(camera, np.array([[0.0, 0.0, 6.0]]))[0]
    scale = MM_PER_PIXEL / camera.pixel
    turn = np.linspace(0, 2 * np.pi, 721)
    ellipse = shapely.LineString(
        middle + scale * 10 * np.column_stack([np.cos(turn), np.sin(ISOMETRIC_ELEVATION) * np.sin(turn)])
    )
    lines = shapely.union_all([shapely.LineString(stroke.points) for stroke in picture.strokes])
    near = lines.intersection(ellipse.buffer(0.08))
    assert near.length == pytest.approx(ellipse.length, rel=0.02)
    _, low, _, high = near.bounds
    left, _, right, _ = near.bounds
    assert (high - low) / (right - left) == pytest.approx(0.57735, abs=0.004)
    # the side is smooth: nothing but the ellipse's front half, two sides and the foot's front half
    foot = ellipse.length / 2
    assert lines.length == pytest.approx(
        ellipse.length + foot + 2 * 6 * scale * np.cos(ISOMETRIC_ELEVATION), rel=0.02
    )


@pytest.mark.parametrize("width, role", [(WIDE_MM, "new"), (NARROW_MM, "earlier")])
def test_outlines_have_their_width_on_paper(width, role):
    item = placed(big(cube(), 10), colour="#ffffff", role=role)
    camera = framed(axes_of(-np.pi / 2, 0.0), item.outer, 300, 300, margin=40)
    picture = drawn([item], camera)
    dpi = 1000
    pixels = flatten(picture, dpi)[..., 0] / 255.0
    row = pixels[pixels.shape[0] // 2]
    half = len(row) // 2
    inside, grey = row[half], min(row)
    ink_mm = ((inside - np.minimum(row[:half], inside)).clip(0) / (inside - grey)).sum() * 25.4 / dpi
    assert ink_mm == pytest.approx(width, abs=0.04)


def test_a_group_is_outlined_as_one_and_parts_of_it_narrowly():
    solid = big(cube(), 10)
    apart = [placed(solid, 0), placed(solid, 1, (10, 0, 0))]
    joined = [placed(solid, 0, group=3), placed(solid, 1, (10, 0, 0), group=3)]
    camera = framed(ISOMETRIC, np.concatenate([item.outer for item in apart]), 500, 480, margin=30)
    seam = MM_PER_PIXEL / camera.pixel * 20 * np.sqrt(2 / 3)  # over the top and down the side
    wide = [ruled(drawn(items, camera), WIDE_MM).length for items in (apart, joined)]
    assert wide[0] - wide[1] == pytest.approx(seam, rel=0.03)


def test_what_stands_before_owns_the_outline():
    # an earlier part in front of a new one: their common border is the earlier one's, narrow
    behind, front = placed(big(cube(), 10), 0), placed(big(cube(), 10), 1, (5, -20, 0), role="earlier")
    camera = framed(
        axes_of(-np.pi / 2, 0.0), np.concatenate([behind.outer, front.outer]), 400, 300, margin=40
    )
    picture = drawn([behind, front], camera)
    border = shapely.LineString(paper(camera, np.array([[5.0, -20, 1], [5.0, -20, 9]])))
    assert ruled(picture, NARROW_MM).intersection(border.buffer(0.1)).length >= border.length
    assert ruled(picture, WIDE_MM).intersection(border.buffer(0.1)).length < 0.5


def test_dark_parts_get_light_lines_within_and_black_round_them():
    item = placed(big(cube(), 10), colour="#101014")
    picture = drawn([item], framed(ISOMETRIC, item.outer, 400, 400, margin=30))
    greys = {stroke.width_mm: stroke.grey for stroke in picture.strokes}
    assert greys == {WIDE_MM: 0.0, LIGHT_NARROW_MM: LIGHT_GREY}


@pytest.mark.parametrize("colour", ["#000000", "#ffffff", "#1c2a5e", "#f2f0c0", "#7a1f1f", "#3d7d4f"])
@pytest.mark.parametrize("role", ["new", "earlier"])
@pytest.mark.parametrize("mono", [False, True])
def test_lines_stand_out_from_every_tint(colour, role, mono):
    # WCAG 2.2: graphics need 3 : 1 against what is next to them; the paper or the fill will do for outlines
    item = placed(big(cube(), 10), colour=colour, role=role)
    picture = drawn([item], framed(ISOMETRIC, item.outer, 200, 200, margin=20), mono)
    fills = np.unique(picture.pixels.reshape(-1, 3), axis=0) / 255.0
    fills = luminance(fills[(fills < 1).any(axis=1)])
    inner = [stroke.grey for stroke in picture.strokes if len(stroke.points) and _is_inner(picture, stroke)]
    for grey in inner:
        line = luminance(np.full(3, grey))
        pairs = (np.maximum(fills, line) + 0.05) / (np.minimum(fills, line) + 0.05)
        assert pairs.min() >= 3.0


def _is_inner(picture: Picture, stroke: Stroke) -> bool:
    middle = np.array([picture.width_mm, picture.height_mm]) / 2
    return bool(np.linalg.norm(stroke.points - middle, axis=1).min() < 1.0)


def test_a_block_shows_three_tones_from_every_isometric_side():
    for azimuth in np.radians([45, 135, -135, -45]):
        for elevation in (ISOMETRIC_ELEVATION, -ISOMETRIC_ELEVATION):
            axes = axes_of(azimuth, elevation)
            normals = np.concatenate([np.eye(3), -np.eye(3)]) @ axes.T
            assert sorted(tones(normals[normals[:, 2] > 0]).tolist()) == [0, 1, 2]
    assert np.linalg.norm(LIGHT) == pytest.approx(1)


def test_earlier_parts_are_paler_but_keep_their_hue():
    for colour in ("#b03a2e", "#1f618d", "#d4ac0d", "#145a32"):
        new, earlier = tints(colour, "new")[2], tints(colour, "earlier")[2]
        assert luminance(earlier) > luminance(new)
        assert np.argmax(earlier) == np.argmax(rgb(colour)) and np.ptp(earlier) > 0.08


def test_tiny_studs_lose_their_lines_but_not_their_part():
    # studs 0.5 mm wide on paper would be nothing but lines
    stud = prism(24, radius=0.25, height=0.2)
    body = placed(big(cube(), 10), 0)
    small = [placed(stud, 1 + n, (2 + 2 * n, 5, 10)) for n in range(3)]
    camera = framed(ISOMETRIC, body.outer, 130, 130, margin=5)
    picture = drawn([body, *small], camera)
    assert {item.key for item in small} <= set(np.unique(RaySource().table([body, *small], camera).key))
    within = shapely.Polygon(paper(camera, small[1].outer)).convex_hull.buffer(-0.05)
    assert not within.is_empty and not ruled(picture, NARROW_MM).intersects(within)


def test_the_same_scene_gives_the_same_strokes_and_pixels():
    items, camera = beacon_scene(400, 300)
    one, two = drawn(items, camera), drawn(items[::-1], camera)
    assert (one.pixels == two.pixels).all()
    assert [s.width_mm for s in one.strokes] == [s.width_mm for s in drawn(items, camera).strokes]
    assert ruled(one, NARROW_MM).hausdorff_distance(ruled(two, NARROW_MM)) < 1e-6


def test_lines_of_both_sources_lie_within_a_pixel():
    found = probe()
    if not found.works:
        pytest.skip(f"no OpenGL: {found.reason}")
    items, camera = beacon_scene(900, 700)
    cast = Cast(tuple(items))
    lines = []
    for source in (RaySource(), RasterSource(found.platform)):
        strokes = ink(source.table(items, camera), cast, MM_PER_PIXEL).strokes
        lines.append(shapely.union_all([shapely.LineString(stroke.points) for stroke in strokes]))
    for one, two in (lines, lines[::-1]):
        stray = one.difference(two.buffer(MM_PER_PIXEL))
        assert stray.length < 0.002 * one.length


def test_nothing_draws_as_white_paper():
    camera = Camera(*ISOMETRIC, [0, 0, 0], 1.0, 30, 20)
    picture = drawn([], camera)
    assert picture.strokes == () and (picture.pixels == 255).all()
