"""Pixel tables against pictures drawn in letters, against closed forms, and one source against the other."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter, minimum_filter

from demo_model.beacon import beacon
from renderer.camera import ISOMETRIC_ELEVATION, SAMPLE, Camera, axes_of, framed
from renderer.facing import Facing
from renderer.raster import Probe, RasterSource, probe
from renderer.rays import Prober, RaySource
from renderer.solid import Solid
from renderer.table import Cast, Item, PixelTable
from tests.test_renderer_solid import cube, prism

FRONT = axes_of(-np.pi / 2, 0.0)  # looking along +y: x to the right, z up


def box(key: int, low: tuple[float, float, float], high: tuple[float, float, float]) -> Item:
    size = np.subtract(high, low)
    pose = np.eye(4)
    pose[:3, 3] = low
    return Item(Solid(cube().vertices * size, cube().faces), pose, "#808080", key)


def letters(table: PixelTable) -> list[str]:
    return ["".join(".abcdefgh"[key + 1] for key in row) for row in table.key]


def camera_of(columns: int, rows: int) -> Camera:
    """One pixel per millimetre, x from 0 at the left, z from 0 at the bottom."""
    return Camera(*FRONT, [columns / 2, 0, rows / 2], 1.0, columns, rows)


@pytest.fixture(scope="session")
def opengl() -> Probe:
    found = probe()
    if not found.works:
        pytest.skip(f"no OpenGL: {found.reason}")
    return found


@pytest.fixture(params=["rays", "gl"])
def source(request):
    return (
        RaySource() if request.param == "rays" else RasterSource(request.getfixturevalue("opengl").platform)
    )


def test_letters_show_what_stands_in_front(source):
    items = [box(0, (0, 0, 0), (6, 1, 2)), box(1, (1, -2, 1), (3, -1, 4)), box(2, (4, 2, 0), (7, 3, 5))]
    assert letters(source.table(items, camera_of(8, 6))) == [
        "........",
        "....ccc.",
        ".bb.ccc.",
        ".bb.ccc.",
        "abbaaac.",
        "aaaaaac.",
    ]


def test_depth_is_millimetres_away_from_the_centre(source):
    items = [box(0, (0, 1.5, 0), (4, 2, 4)), box(1, (0, -7.25, 0), (2, -6, 2))]
    table = source.table(items, camera_of(6, 4))
    assert table.depth[0, 0] == pytest.approx(1.5, abs=1e-4)
    assert table.depth[3, 1] == pytest.approx(-7.25, abs=1e-4)
    assert np.isinf(table.depth[0, 5])


def test_level_surfaces_show_the_lower_key_whatever_the_order():
    # of the ray source alone: the depth buffer of OpenGL decides by rounding
    source = RaySource()
    one, two = box(0, (0, 0, 0), (3, 1, 2)), box(1, (1, 0, 0), (4, 1, 2))
    for items in ([one, two], [two, one]):
        assert letters(source.table(items, camera_of(4, 2))) == ["aaab", "aaab"]
    base = source.table([two], camera_of(4, 2))
    assert letters(source.table([one], camera_of(4, 2), base)) == ["aaab", "aaab"]


def test_adding_to_a_base_equals_drawing_at_once_and_leaves_the_base(source):
    items = [box(0, (0, 0, 0), (6, 1, 2)), box(1, (1, -2, 1), (3, -1, 4)), box(2, (4, 2, 0), (7, 3, 5))]
    camera = camera_of(8, 6)
    base = source.table(items[:1], camera)
    before = base.key.copy()
    both = source.table(items[1:], camera, base)
    once = source.table(items, camera)
    assert (both.key == once.key).all() and (both.face == once.face).all()
    assert both.depth == pytest.approx(once.depth, abs=1e-4)
    assert (base.key == before).all()


def test_holes_and_flipped_faces_still_draw(source):
    faces = cube().faces[2:].copy()  # open at one end
    faces[::2] = faces[::2, ::-1]
    item = Item(Solid(cube().vertices * 4, faces), np.eye(4), "#808080", 0)
    assert letters(source.table([item], camera_of(4, 4))) == ["aaaa"] * 4


def test_a_disc_covers_the_area_of_its_ellipse():
    # upright cylinder of no height seen at the isometric angle: an ellipse of axes 2 r and 2 r sin(35.264)
    solid = prism(96, radius=10.0, height=1e-3)
    camera = framed(axes_of(0.4, ISOMETRIC_ELEVATION), solid.outer, 800, 600, margin=5)
    area = RaySource().table([Item(solid, np.eye(4), "#808080", 0)], camera).area(0) * camera.pixel**2
    polygon = 96 / 2 * 100 * np.sin(2 * np.pi / 96) * np.sin(ISOMETRIC_ELEVATION)
    assert area == pytest.approx(polygon, rel=2e-3)


def test_single_rays_agree_with_the_table():
    items, camera = beacon_scene(300, 240)
    table = RaySource().table(items, camera)
    cast = Cast(tuple(items))
    rows, columns = np.nonzero(table.key >= 0)
    face, depth = Prober(cast, camera).hits(
        cast.row_of_key[table.key[rows, columns]], columns + SAMPLE[0], rows + SAMPLE[1]
    )
    assert (face == table.face[rows, columns]).mean() > 0.999
    same = face == table.face[rows, columns]
    assert depth[same] == pytest.approx(table.depth[rows, columns][same], abs=2e-3)


def test_the_table_is_what_every_ray_at_every_item_says():
    # no shortcut of the source (windows, outlines, what is hidden already) may lose or add a pixel
    items, camera = beacon_scene(330, 260)
    table = RaySource().table(items, camera)
    rows, columns = (grid.ravel() for grid in np.indices(table.key.shape))
    prober = Prober(Cast(tuple(items)), camera)
    nearest, key = np.full(len(rows), np.inf), np.full(len(rows), -1)
    for row, item in enumerate(items):
        face, depth = prober.hits(np.full(len(rows), row), columns + SAMPLE[0], rows + SAMPLE[1])
        nearer = (face >= 0) & (depth < nearest - 2e-3)
        nearest[nearer], key[nearer] = depth[nearer], item.key
    assert (key == table.key.ravel()).mean() > 0.9999


def test_planes_carry_the_depth_that_rays_measure():
    items, camera = beacon_scene(300, 240)
    table = RaySource().table(items, camera)
    facing = Facing(Cast(tuple(items)), camera)
    rows, columns = np.nonzero(table.key >= 0)
    item = facing.cast.row_of_key[table.key[rows, columns]]
    depth = facing.depth(item, table.face[rows, columns], columns + SAMPLE[0], rows + SAMPLE[1])
    steep = facing.normal[facing.index(item, table.face[rows, columns]), 2] < 0.01
    assert depth[~steep] == pytest.approx(table.depth[rows, columns][~steep], abs=2e-3)


def test_both_sources_see_the_same_parts(opengl):
    items, camera = beacon_scene(1200, 900)
    rays, gl = RaySource().table(items, camera), RasterSource(opengl.platform).table(items, camera)
    off_edges = minimum_filter(rays.key, 3) == maximum_filter(rays.key, 3)
    assert (rays.key == gl.key)[off_edges].mean() >= 0.995
    shown = off_edges & (rays.key >= 0)
    assert (rays.key == gl.key)[shown].mean() >= 0.995
    assert (rays.key == gl.key).mean() >= 0.995  # and hardly a pixel on the edges differs


def beacon_scene(columns: int, rows: int) -> tuple[list[Item], Camera]:
    demo = beacon()
    solids = {key: Solid(solid.vertices, solid.faces) for key, solid in demo.solids.items()}
    items = [
        Item(solids[part.solid_key], part.pose, part.colour, row) for row, part in enumerate(demo.placed)
    ]
    points = np.concatenate([item.outer for item in items])
    return items, framed(axes_of(np.pi / 4, ISOMETRIC_ELEVATION), points, columns, rows, margin=5)
