"""Pixel tables against pictures drawn in letters, against closed forms, and one source against the other."""

import numpy as np
import pytest
from scipy.ndimage import maximum_filter, minimum_filter

from demo_model.beacon import beacon
from demo_model.solids import Module, block
from renderer.camera import ISOMETRIC_ELEVATION, SAMPLE, Camera, axes_of, framed
from renderer.facing import Facing
from renderer.raster import GlProbe, RasterSource, probe
from renderer.rays import Prober, RaySource
from renderer.solid import Solid
from renderer.table import LEVEL_MM, Cast, Item, PixelTable
from tests.test_renderer_solid import cube, prism
from tests.test_renderer_topology import joined, turned_over

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
def opengl() -> GlProbe:
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
    flat = [np.append(item.solid.topology.flat, -1) for item in items]  # the table names one face for all
    item = cast.row_of_key[table.key[rows, columns]]
    same = np.array(
        [
            flat[of][one] == flat[of][two]
            for of, one, two in zip(item, face, table.face[rows, columns], strict=True)
        ]
    )
    assert same.mean() > 0.999
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


def ray_by_ray(items: list[Item], camera: Camera) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Key, face and depth where every ray is cast at every item: no windows, no runs, nothing left out."""
    rows, columns = (grid.ravel() for grid in np.indices((camera.rows, camera.columns)))
    prober = Prober(Cast(tuple(items)), camera)
    nearest = np.full(len(rows), np.inf)
    key, found = np.full(len(rows), -1), np.full(len(rows), -1)
    for row, item in enumerate(items):
        face, depth = prober.hits(np.full(len(rows), row), columns + SAMPLE[0], rows + SAMPLE[1])
        nearer = (face >= 0) & (depth < nearest - LEVEL_MM)
        nearest[nearer], key[nearer], found[nearer] = depth[nearer], item.key, face[nearer]
    size = (camera.rows, camera.columns)
    return key.reshape(size), found.reshape(size), nearest.reshape(size)


def twisted(solid: Solid) -> Solid:
    """A closed shell that passes through itself: its upper half is turned inside out."""
    middle = solid.vertices.mean(axis=0)
    side = np.where(solid.vertices[:, 2:] > middle[2], -1.0, 1.0)
    return Solid(
        middle + (solid.vertices - middle) * np.hstack([side, side, np.ones_like(side)]), solid.faces
    )


def coiled() -> Solid:
    """A closed shell, wound outward, that passes through itself: a strip coiled more than once round."""
    turn = np.linspace(0.0, 2.4 * np.pi, 40)
    way = np.column_stack([np.cos(turn), np.sin(turn)])
    inner, outer = way * (9 + 0.2 * turn)[:, None], way * (13 + 0.2 * turn)[:, None]
    rings = [np.column_stack([ring, np.full(40, z)]) for ring in (inner, outer) for z in (0.0, 8.0)]
    at = np.arange(39)
    low_in, high_in, low_out, high_out = (at + 40 * number for number in range(4))
    quads = [
        np.column_stack([low_in, high_in, high_in + 1, low_in + 1]),
        np.column_stack([low_out, low_out + 1, high_out + 1, high_out]),
        np.column_stack([high_in, high_out, high_out + 1, high_in + 1]),
        np.column_stack([low_in, low_in + 1, low_out + 1, low_out]),
        np.array([[0, 80, 120, 40], [39, 79, 159, 119]]),
    ]
    corners = np.concatenate(quads)
    return Solid(np.concatenate(rings), np.concatenate([corners[:, :3], corners[:, [0, 2, 3]]]))


RAW = {
    "coiled": coiled,
    "block": lambda: block(2, 4, Module(pitch=13.0, wall=1.7)),
    "round": lambda: prism(9, radius=11.0, height=7.0),
    "fine round": lambda: prism(96, radius=11.0, height=7.0),
    "inside out": lambda: turned_over(prism(24, radius=11.0, height=7.0)),
    "open": lambda: Solid(cube().vertices * 20, cube().faces[3:]),
    "flipped": lambda: Solid(cube().vertices * 20, np.vstack([cube().faces[:4, ::-1], cube().faces[4:]])),
    "through": lambda: joined(Solid(cube().vertices * 20, cube().faces), prism(24, 6.0, 30.0), [9, 8, -3]),
    "twisted": lambda: twisted(prism(12, radius=11.0, height=30.0)),
    "sheet": lambda: Solid(
        np.array([[0, 0, 0], [20, 0, 3], [17, 14, 0], [1, 12, 9.0]]), [[0, 1, 2], [0, 2, 3]]
    ),
}


@pytest.mark.parametrize("name", RAW)
@pytest.mark.parametrize("size", [37, 260])
def test_the_refined_table_is_the_full_cast_pixel_for_pixel(name, size):
    # what rays at edges and one ray for each run between them make is what a ray at every pixel makes:
    # the same items, planes and depths; on sound meshes, and on raw ones
    solid = RAW[name]()
    solid = Solid(solid.vertices, solid.faces)
    other = np.eye(4)
    other[:3, :3], other[:3, 3] = axes_of(0.3, 0.2), [9.0, -4.0, 6.0]  # tilted, through the first
    items = [Item(solid, np.eye(4), "#808080", 0), Item(solid, other, "#808080", 1)]
    points = np.concatenate([item.outer for item in items])
    for azimuth, elevation in ((0.7, ISOMETRIC_ELEVATION), (2.9, -0.5), (0.0, 0.0), (-1.3, np.pi / 2)):
        camera = framed(axes_of(azimuth, elevation), points, size, size, margin=2)
        table = RaySource().table(items, camera)
        key, face, depth = ray_by_ray(items, camera)
        cosine = np.einsum("...i,...i", solid.normals[table.face], solid.normals[face])
        same = (table.key == key) & ((np.abs(cosine) > 0.9999) | (key < 0))
        assert (same & np.isclose(depth, table.depth, atol=0.01)).mean() > 0.9998


def test_planes_carry_the_depth_that_rays_measure():
    items, camera = beacon_scene(300, 240)
    table = RaySource().table(items, camera)
    facing = Facing(Cast(tuple(items)), camera)
    rows, columns = np.nonzero(table.key >= 0)
    item = facing.cast.row_of_key[table.key[rows, columns]]
    depth = facing.depth(item, table.face[rows, columns], columns + SAMPLE[0], rows + SAMPLE[1])
    steep = (np.abs(facing.slope[facing.index(item, table.face[rows, columns])]) > 100 * camera.pixel).any(
        axis=1
    )
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
