"""Careless meshes become the solid that the same model drawn clean gives: compared as solids, and as
joints."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from tempfile import mkdtemp
from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
import trimesh
from manifold3d import Manifold
from scipy.spatial import cKDTree

from steps.errors import BeyondLimit
from steps.features import measure
from steps.intake import read_model
from steps.intake.meshes import tidy
from steps.joints import find_joints
from steps.limits import Limits
from steps.mend import caps, crossing, mend, sound
from steps.mend.flood import looks_out
from steps.mend.planes import planes_of, set_on_planes
from steps.mend.scan import fitted
from steps.mend.sew import sew
from steps.mend.soup import is_closed, merge_equal, signed_volume
from steps.mend.unite import OPPOSITE, Shell, _facing, _Flats, unite
from steps.model import Mending, Shape
from steps.progress import within
from steps.settings import Settings
from steps.verify.mended import CLOSED_SHARE, LOST_SHARE, check_mended, unlike
from tests.models import raw
from tests.models.families import family
from tests.models.spoil import halves_of, spoiled
from tests.models.value import Made

PILE = raw.pile()
SEW, UNITE = (sys.modules[f"steps.mend.{name}"] for name in ("sew", "unite"))  # functions' names too
#: Faults that move no corner: their solids are the clean ones to float32.
EXACT = sorted(set(raw.FAULTS) - {"cracks", "everything", "scanned", "decimated"})
#: Largest gap error, mm, that a careless drawing may bring; a scan with 0.05 mm of noise brings up to 0.05.
GAP_MM = {"scanned": 0.05}


def solid(vertices, faces) -> Manifold:
    mesh = manifold3d.Mesh64(np.array(vertices, order="C"), np.array(faces, dtype=np.uint64, order="C"))
    made = Manifold(mesh)
    assert made.status() == manifold3d.Error.NoError
    return made


def mended(soup: np.ndarray):
    return mend(soup.reshape(-1, 3), np.arange(soup.size // 3).reshape(-1, 3))


def apart(one: Manifold, other: Manifold) -> float:
    """Volume that only one of them fills, mm3."""
    return (one - other).volume() + (other - one).volume()


def box(low, high) -> np.ndarray:
    return raw.soup_of(raw._box(low, np.subtract(high, low)))


# --------------------------------------------------------------------------- as solids


@pytest.mark.parametrize("fault", EXACT)
@pytest.mark.parametrize("key", ["long", "short", "bar"])
def test_a_careless_mesh_is_the_clean_solid(fault: str, key: str) -> None:
    part = PILE.parts[key]
    soup = raw.FAULTS[fault](part, np.random.default_rng(7)).astype(np.float32).astype(np.float64)
    made = tidy(soup.reshape(-1, 3), np.arange(soup.size // 3).reshape(-1, 3))
    assert made.closed
    assert apart(solid(made.vertices, made.faces), part.clean) < 0.05  # of 1,600 mm3 and more


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("fault", ["missing", "flipped_and_missing", "everything", "cracks"])
def test_whatever_faces_chance_takes(fault: str, seed: int) -> None:
    part = PILE.parts["short"]
    made = mended(raw.FAULTS[fault](part, np.random.default_rng(seed)))
    whole = solid(made.vertices, made.faces)
    off = 0.004 * 1.8 if fault in ("cracks", "everything") else 1e-4  # how far corners were moved
    assert len(whole.decompose()) == 1
    assert apart(whole, part.clean) < off * part.clean.surface_area()


def test_other_proportions_and_scales() -> None:
    make = raw.Make(
        pitch=31.0, block=17.0, wall=3.0, roof=4.0, stud_radius=8.4, stud_height=5.5, gap=0.3, facets=12
    )
    for factor in (1.0, 0.01, 250.0):
        part = raw.part(3, 2, make, sunk=0.9)
        soup = (
            raw.everything(part, np.random.default_rng(2))
            if factor == 1.0
            else raw.hidden_left_out(part, None)
        )
        made = mended(soup * factor)
        whole, clean = solid(made.vertices, made.faces), part.clean.scale([factor] * 3)
        assert apart(whole, clean) < 2e-3 * clean.volume()


@pytest.mark.parametrize("seed", range(3))
def test_two_shells_that_lie_on_each_other_with_all_faults(seed: int) -> None:
    """Both halves of a holed plate reach over its middle: their flanks and bores lie on each other there, and
    a guessed lid that bridges a bore of one lies off that of the other."""
    whole = raw._box((0, 0, 0), (40, 24, 7))
    for x, radius in ((12, 4.0), (21, 2.5)):
        whole -= Manifold.cylinder(20, radius, radius, 24).translate([x, 11, -3])
    halves = raw.RawPart(tuple(halves_of(whole)), (), ())
    made = mended(raw.everything(halves, np.random.default_rng(seed)))
    assert apart(solid(made.vertices, made.faces), whole) < 0.001 * whole.surface_area()


def test_a_hollow_that_opens_is_out_and_a_crack_is_closed() -> None:
    """A box without its lid is void within; one that lacks a narrow face, or gapes along an edge, is not."""
    soup = box((0, 0, 0), (10, 10, 10))
    lid = (np.abs(soup[:, :, 2] - 10) < 1e-9).all(axis=1)
    narrow = raw.soup_of(raw._box((0, 0, 0), (10, 10, 10)).refine_to_length(0.7))
    crack = np.delete(narrow, 5, axis=0)
    for faces, open_ in ((soup, False), (soup[~lid], True), (crack, False)):
        vertices, rows = np.unique(faces.reshape(-1, 3).round(9), axis=0, return_inverse=True)
        front, back = looks_out(vertices, rows.reshape(-1, 3), 1e-5)
        assert front.all() and (back == open_).all()


def test_what_was_drawn_flush_is_flush_again() -> None:
    """Corners up to 0.002 mm off: each goes back to where its planes meet, within what they average to."""
    random = np.random.default_rng(4)
    body = raw._box((0, 0, 0), (40, 20, 10)).refine_to_length(3.0)
    mesh = body.to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    moved = vertices + random.uniform(-0.001, 0.001, vertices.shape)
    set_ = set_on_planes(moved, faces, planes_of(moved, faces, 0.002), 0.002)
    top = vertices[:, 2] > 10 - 1e-9
    assert np.ptp(moved[top, 2]) > 1.5e-3 and np.ptp((set_ - vertices)[top, 2]) < 4e-4
    assert np.abs(set_ - moved).max() <= 0.002


@pytest.mark.parametrize("seed", range(8))
def test_a_ring_of_narrow_strips_is_one_plane_again(seed: int) -> None:
    """The upper side of an open box, corners 0.001 mm off: no strip tells alone how the others across lie."""
    body = raw._box((0, 0, 0), (64, 64, 20)) - raw._box((2, 2, 2), (62, 62, 21))
    mesh = body.to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    moved = vertices + np.random.default_rng(seed).uniform(-0.001, 0.001, vertices.shape)
    set_ = set_on_planes(moved, faces, planes_of(moved, faces, 0.0024), 0.0024)
    rim = set_[vertices[:, 2] > 20 - 1e-9]
    spread = np.linalg.svd(rim - rim.mean(axis=0), compute_uv=False)[2]
    assert spread < 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_a_corner_whose_faces_in_a_plane_are_missing_lies_in_it_all_the_same(seed: int) -> None:
    """Corners up to 0.001 mm off; all faces under a box that meet at one of its corners are gone."""
    soup = raw.soup_of(raw._box((0, 0, 0), (40, 20, 10)).refine_to_length(6.0))
    under = (soup[:, :, 2] < 1e-9).all(axis=1)
    there = (np.abs(soup).max(axis=2) < 1e-9).any(axis=1)
    kept = soup[~(under & there)]
    made = mended(kept + np.random.default_rng(seed).uniform(-0.001, 0.001, kept.shape))
    foot = made.vertices[made.vertices[:, 2] < 1.0]
    assert np.ptp(foot[:, 2]) < 5e-4


def test_a_face_doubled_by_two_shells_stays_and_one_doubled_by_mistake_goes() -> None:
    """Two boxes wall against wall, one of the walls' four faces repeated once more."""
    soup = np.concatenate([box((0, 0, 0), (10, 10, 10)), box((10, 0, 0), (20, 10, 10))])
    made = mended(np.concatenate([soup, soup[:1]]))
    assert solid(made.vertices, made.faces).volume() == pytest.approx(2000, abs=0.2)
    assert made.mending.found["doubled faces"] == 1 and "rims closed" not in made.mending.found


def test_a_doubled_face_beside_two_missing_ones_is_one_and_no_flap() -> None:
    soup = box((0, 0, 0), (30, 20, 10))
    beside = [row for row in range(1, 12) if len(set(map(tuple, soup[row])) & set(map(tuple, soup[0]))) == 2][
        :2
    ]
    made = mended(np.delete(np.concatenate([soup, soup[:1]]), beside, axis=0))
    assert solid(made.vertices, made.faces).volume() == pytest.approx(6000)


# ------------------------------------------------------------------------ small and plain


def test_a_sound_mesh_stays_as_it_is() -> None:
    soup = box((0, 0, 0), (3, 4, 5))
    vertices, rows = np.unique(soup.reshape(-1, 3), axis=0, return_inverse=True)
    made = tidy(vertices, rows.reshape(-1, 3))
    assert made.mending.found == {} and made.mending.raw is None and not made.mending.mended
    assert sorted(map(tuple, made.vertices)) == sorted(map(tuple, vertices))


def test_a_sealed_hollow_stays_hollow_and_a_shell_within_is_one_with_it() -> None:
    outer, inner = box((0, 0, 0), (10, 10, 10)), box((4, 4, 4), (6, 6, 6))
    for turned in (False, True):
        hollow = np.concatenate([outer, inner[:, ::-1]])
        made = mended(hollow[:, ::-1] if turned else hollow)
        assert solid(made.vertices, made.faces).volume() == pytest.approx(1000 - 8)
    made = mended(np.concatenate([outer, inner]))
    assert solid(made.vertices, made.faces).volume() == pytest.approx(1000)
    assert made.mending.found["shells united"] == 1


def test_shells_that_touch_through_rounding_become_one() -> None:
    """The second stands on the first with its foot up to 0.002 mm off, before or behind."""
    for off in (-0.002, -1e-6, 0.0, 1e-6, 0.002):
        made = mended(np.concatenate([box((0, 0, 0), (40, 40, 10)), box((10, 10, 10 + off), (20, 20, 14))]))
        whole = solid(made.vertices, made.faces)
        assert len(whole.decompose()) == 1
        assert whole.volume() == pytest.approx(16000 + 400, abs=0.3)


def test_a_face_missing_over_an_edge_is_put_back_without_a_chamfer() -> None:
    soup = box((0, 0, 0), (10, 10, 10))
    edge = [row for row, face in enumerate(soup) if (np.abs(face[:, :2] - 10) < 1e-9).all(axis=1).sum() == 2]
    made = mended(np.delete(soup, edge, axis=0))
    assert len(edge) == 2
    assert solid(made.vertices, made.faces).volume() == pytest.approx(1000)
    assert made.mending.unsure == ()


def test_an_open_tube_is_closed_by_rings() -> None:
    """Outer and inner wall alone: both ends are closed by a ring, not by two discs."""
    tube = Manifold.cylinder(10, 5, 5, 24) - Manifold.cylinder(30, 3, 3, 24).translate([0, 0, -5])
    soup = raw.soup_of(tube)
    flat = np.ptp(soup[:, :, 2], axis=1) < 1e-9
    made = mended(soup[~flat])
    assert apart(solid(made.vertices, made.faces), tube) < 1e-3
    assert made.mending.found["rims closed"] == 2


def test_a_guess_is_named_and_where() -> None:
    soup = box((0, 0, 0), (40, 20, 10))
    made = mended(soup[~(np.abs(soup[:, :, 2]) < 1e-9).all(axis=1)])  # no underside: it may be hollow
    (place,) = made.mending.unsure
    assert place.what == "face"
    assert place.point.tolist() == pytest.approx([20, 10, 0], abs=1e-6)
    assert place.normal.tolist() == pytest.approx([0, 0, -1], abs=1e-6)
    assert place.span_mm == pytest.approx(40)


def test_what_touches_nothing_else_is_named() -> None:
    made = mended(np.concatenate([box((0, 0, 0), (40, 20, 10)), box((0, 0, 15), (10, 10, 20))]))
    (place,) = made.mending.unsure
    assert place.what == "apart" and place.point.tolist() == [5, 5, 17.5]


def test_what_encloses_nothing_is_none() -> None:
    for soup in (box((0, 0, 0), (1, 1, 1))[:1], np.zeros((3, 3, 3)), np.empty((0, 3, 3))):
        assert mended(soup) is None


def test_a_shell_that_crosses_itself_is_not_sound() -> None:
    """A strip folded through itself: two walls of a box changed over."""
    mesh = raw.part(2, 2).clean.to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    assert sound(vertices, faces)
    pushed = vertices.copy()
    top = vertices[:, 2] > vertices[:, 2].max() - 1e-6
    pushed[top, 2] -= 12  # stud tops pushed down through the roof and out below
    assert not sound(pushed, faces)


def test_slivers_that_noise_sets_across_the_surface_do_not_cross_it() -> None:
    soup = raw.scanned(raw.part(6, 2, height=3.0), np.random.default_rng(0))
    assert sound(*merge_equal(soup.reshape(-1, 3), np.arange(soup.size // 3).reshape(-1, 3)))


@pytest.mark.parametrize(("key", "noise"), [("short", 0.02), ("short", 0.05), ("bar", 0.05)])
def test_a_scan_is_the_solid_that_was_scanned(key: str, noise: float) -> None:
    """Its surfaces lie within a quarter of its noise, for all that any corner is off, and rays find it in its
    file: those that graze a face or pass an edge by a hair too."""
    whole = PILE.parts[key].clean
    mesh = whole.refine_to_length(1.5).to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    moved = vertices + np.random.default_rng(3).normal(0, noise, vertices.shape)
    made = tidy(moved, faces)
    assert made.closed and made.mending.found["corners set"] == len(vertices)
    assert made.mending.reach_mm == pytest.approx(noise, rel=0.2)
    assert apart(solid(made.vertices, made.faces), whole) < noise / 4 * whole.surface_area()
    assert apart(solid(moved, faces), whole) > noise / 2 * whole.surface_area()
    shape = Shape("S1", made.vertices, made.faces, True, mending=made.mending)
    found = unlike(shape, shape.mending.lids)
    assert max(found.unnamed, found.unopened, found.lost) < 0.001


def test_a_scan_of_surfaces_that_run_on_into_each_other() -> None:
    """A hole that widens at one end: planes and cylinders without an edge between them."""
    hole = raw._box((-6, -3, -1), (12, 6, 8)) + Manifold.cylinder(8, 3, 3, 48).translate([6, 0, -1])
    hole += Manifold.cylinder(8, 5, 5, 64).translate([-6, 0, -1])
    whole = raw._box((-15, -9, 0), (28, 18, 6)) - hole
    mesh = whole.refine_to_length(1.2).to_mesh64()
    vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    made = tidy(vertices + np.random.default_rng(5).normal(0, 0.02, vertices.shape), faces)
    assert made.mending.found["corners set"] >= 0.99 * len(vertices)
    assert apart(solid(made.vertices, made.faces), whole) < 0.005 * whole.surface_area()


def test_what_was_drawn_is_no_scan() -> None:
    """A ball's faces all turn, but in a pattern: its corners stay, and so do those of a block cut finely."""
    ball = solid(*_ball()).refine_to_length(0.9)
    block = PILE.parts["short"].clean.refine_to_length(1.2)
    for body in (solid(*_ball()), ball, block):
        mesh = body.to_mesh64()
        vertices, faces = np.array(mesh.vert_properties)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
        assert fitted(vertices, faces) is None


def _ball() -> tuple[np.ndarray, np.ndarray]:
    made = family("ball arms", 1).solids["ball slab 2 x 2"]
    return np.asarray(made.vertices), np.asarray(made.faces)


def test_scraps_of_faces_that_lids_would_make_a_shell_are_none() -> None:
    """A strip of floor between two walls, and a bit of each, once more: lids over these would be a fin from
    wall to wall."""
    whole = raw._box((0, 0, 0), (20, 20, 8)) - raw._box((-1, 6, 4), (22, 8, 5))
    floor = np.array([[(8, 6, 4), (8.6, 6, 4), (8.6, 14, 4)], [(8, 6, 4), (8.6, 14, 4), (8, 14, 4)]])
    walls = np.array([[(8, y, 4), (8.6, y, 4), (8.3, y, 6.4)] for y in (6, 14)])
    made = mended(np.concatenate([raw.soup_of(whole), floor, walls]))
    assert apart(solid(made.vertices, made.faces), whole) < 1e-4


def test_same_soup_same_bytes() -> None:
    soup = raw.everything(PILE.parts["short"], np.random.default_rng(3))
    one, two = mended(soup), mended(soup)
    assert one.vertices.tobytes() == two.vertices.tobytes() and one.faces.tobytes() == two.faces.tobytes()


# --------------------------------------------------------------------------- as joints


@cache
def clean_reading() -> tuple:
    return reading_of(raw.meshes(PILE, raw.clean), "glb", Path(mkdtemp()))


def reading_of(soups, kind: str, folder: Path) -> tuple:
    """(names and studs of the shapes, joints with their contacts, their gaps), parts by name."""
    folder.mkdir(exist_ok=True)
    write = {"glb": raw.as_glb, "obj": raw.as_obj, "3mf": raw.as_3mf}.get(kind)
    path = folder / f"raw.{kind}"
    (write or raw.as_folder)(PILE, soups, path)
    settings = Settings()
    model = read_model(path, settings)
    measures = measure(model, settings)
    names = {part.id: part.source for part in model.parts}
    joints = sorted(
        (names[j.a], names[j.b], j.kind, j.contacts, j.gap_mm)
        for j in find_joints(model, measures, settings).joints
    )
    shapes = sorted((str(each.name), len(each.studs)) for each in measures.by_shape.values())
    return shapes, [joint[:4] for joint in joints], np.array([joint[4] for joint in joints])


@pytest.mark.parametrize("fault", [name for name in raw.FAULTS if name != "clean"])
def test_a_careless_file_has_the_joints_of_the_clean_one(fault: str, tmp_path: Path) -> None:
    shapes, joints, gaps = reading_of(raw.meshes(PILE, raw.FAULTS[fault]), "glb", tmp_path)
    assert shapes == clean_reading()[0]
    assert joints == clean_reading()[1]
    assert np.abs(gaps - clean_reading()[2]).max() <= GAP_MM.get(fault, 0.02)


@pytest.mark.parametrize("seed", [5, 6])
def test_a_scan_of_more_noise_has_the_joints_of_the_clean_one(seed: int, tmp_path: Path) -> None:
    """0.05 mm of deviation; in these two a surface in pieces, or turned as chance has it, breaks joints."""

    def scanned(part: raw.RawPart, random: np.random.Generator) -> np.ndarray:
        mesh = part.clean.refine_to_length(1.2).to_mesh64()
        at = np.asarray(mesh.vert_properties)[:, :3]
        off = np.clip(random.normal(0, 0.05, at.shape), -0.125, 0.125)
        return (at + off)[np.asarray(mesh.tri_verts, dtype=np.int64)]

    shapes, joints, gaps = reading_of(raw.meshes(PILE, scanned, seed), "glb", tmp_path)
    assert shapes == clean_reading()[0] and joints == clean_reading()[1]
    assert np.abs(gaps - clean_reading()[2]).max() <= GAP_MM["scanned"]


@pytest.mark.parametrize("kind", ["obj", "3mf", "folder"])
def test_everything_at_once_in_every_format(kind: str, tmp_path: Path) -> None:
    shapes, joints, gaps = reading_of(raw.meshes(PILE, raw.everything), kind, tmp_path)
    assert shapes == clean_reading()[0] and joints == clean_reading()[1]
    assert np.abs(gaps - clean_reading()[2]).max() <= 0.02


@pytest.mark.parametrize(
    "fault",
    [
        "shells",
        "hidden_left_out",
        "inside_out",
        "flipped",
        "missing",
        "t_joints",
        "no_area",
        "specks",
        "partitions",
        "decimated",
    ],
)
def test_a_whole_model_in_one_file_falls_into_its_parts(fault: str, tmp_path: Path) -> None:
    """One STL without names: shells pushed into each other are one part, those that touch are not."""
    path = raw.as_stl(PILE, raw.meshes(PILE, raw.FAULTS[fault]), tmp_path / "raw.stl")
    model = read_model(path, Settings())
    assert len(model.parts) == len(PILE.placed) and len(model.shapes) == len(PILE.parts)
    shapes, joints, _ = clean_reading()
    measures = measure(model, Settings())
    assert sorted((str(each.name), len(each.studs)) for each in measures.by_shape.values()) == shapes
    found = find_joints(model, measures, Settings()).joints
    assert sorted((j.kind, j.contacts) for j in found) == sorted(joint[2:] for joint in joints)
    assert max(abs(j.gap_mm - 0.12) for j in found) <= 0.02


def test_what_was_wrong_is_kept_with_the_shape(tmp_path: Path) -> None:
    path = raw.as_glb(PILE, raw.meshes(PILE, raw.hidden_left_out), tmp_path / "raw.glb")
    for shape in read_model(path, Settings()).shapes:
        assert isinstance(shape, Shape) and shape.watertight and shape.mending.mended
        assert shape.mending.found["rims closed"] == shape.mending.found["shells united"] > 0
        low, high = shape.mending.raw.min(axis=(0, 1)), shape.mending.raw.max(axis=(0, 1))
        assert np.abs(shape.bounds - [low, high]).max() < 1e-4


# --------------------------------------------------------------------------- the proof


def shape_of(made, soup: np.ndarray) -> Shape:
    return Shape("S1", made.vertices, made.faces, True, mending=replace(made.mending, raw=soup))


@pytest.mark.parametrize("key", ["long", "short"])
@pytest.mark.parametrize("fault", [name for name in raw.FAULTS if name != "clean"])
def test_rays_find_a_right_mend_in_its_file(fault: str, key: str) -> None:
    soup = raw.FAULTS[fault](PILE.parts[key], np.random.default_rng(5))
    shape = shape_of(mended(soup), soup)
    found = unlike(shape, shape.mending.lids)
    assert max(found.unnamed, found.unopened) <= CLOSED_SHARE and found.lost <= LOST_SHARE


def test_rays_refute_a_wrong_mend() -> None:
    """Half the cavity filled, and the same with the filling named as lids; studs and tube left out."""
    part = PILE.parts["short"]
    soup = raw.hidden_left_out(part, None)
    made = mended(soup)
    block = raw._box((1, 1, 0), (18, 18, 5))
    filled = solid(made.vertices, made.faces) + block
    named = np.concatenate([made.mending.lids, raw.soup_of(block)])
    bare = part.body[0]  # studs and tube lost
    for wrong, lids, which, least in (
        (filled, made.mending.lids, "unnamed", CLOSED_SHARE),
        (filled, named, "unopened", CLOSED_SHARE),
        (bare, made.mending.lids, "lost", LOST_SHARE),
    ):
        mesh = wrong.to_mesh64()
        shape = Shape(
            "S1",
            np.array(mesh.vert_properties)[:, :3],
            np.array(mesh.tri_verts, dtype=np.int64),
            True,
            mending=replace(made.mending, raw=soup),
        )
        assert getattr(unlike(shape, lids), which) > least


def test_a_wide_opening_is_proved_by_its_lid() -> None:
    """All of a box's top is missing: a seventh of what is seen was closed, and the file is open there. Of a
    cup nobody may close the mouth."""
    soup = box((0, 0, 0), (20, 20, 12))
    open_ = soup[~(np.abs(soup[:, :, 2] - 12) < 1e-9).all(axis=1)]
    shape = shape_of(mended(open_), open_)
    found = unlike(shape, shape.mending.lids)
    assert (found.unnamed, found.unopened, found.lost) == (0.0, 0.0, 0.0)
    assert unlike(shape, shape.mending.lids[:0]).unnamed > CLOSED_SHARE
    cup = raw.soup_of(raw._box((0, 0, 0), (20, 20, 12)) - raw._box((2, 2, 2), (18, 18, 13)))
    lid = np.array([[(2, 2, 12), (18, 2, 12), (18, 18, 12)], [(2, 2, 12), (18, 18, 12), (2, 18, 12)]])
    closed = Shape("S1", soup.reshape(-1, 3), np.arange(36).reshape(-1, 3), True)
    wrong = replace(closed, mending=replace(made_empty(), raw=cup))
    assert unlike(wrong, lid.astype(float)).unopened > CLOSED_SHARE


def made_empty() -> Mending:
    return Mending({"rims closed": 1})


def test_of_two_planes_of_a_rim_that_which_carries_on_the_faces_beside_it_is_closed() -> None:
    """A drum lacks a wide face of its end and a narrow one of its wall beside it, and a corner lies on the
    far side of the wide one: as many corners lie in a plane through the drum as in its end."""
    drum = Manifold.cylinder(4.2, 3.9, 3.9, 32)
    around = 3.9 * np.exp(2j * np.pi * np.arange(32) / 32)
    top = np.column_stack([around.real, around.imag, np.full(32, 4.2)])
    foot = top * (1, 1, 0)
    fan = [(top[0], top[row], top[row + 1]) for row in range(1, 31)]
    at = (top[0] + top[16]) / 2  # on a side of the face that is left out
    fan[14:15] = [(top[0], top[15], at), (at, top[15], top[16])]
    walls = [(foot[a], foot[b], top[a]) for a, b in zip(range(32), [*range(1, 32), 0], strict=True)]
    walls += [(foot[b], top[b], top[a]) for a, b in zip(range(32), [*range(1, 32), 0], strict=True)]
    ends = [(foot[0], foot[row + 1], foot[row]) for row in range(1, 31)]
    del fan[16], walls[32 + 16]
    soup = np.array([*fan, *walls, *ends])
    made = mended(soup)
    assert apart(solid(made.vertices, made.faces), drum) < 0.01


@pytest.mark.parametrize("seed", [5, 6, 12])
def test_a_rim_that_runs_into_other_planes_is_closed_in_each(seed: int) -> None:
    """Tubes without tops that lack a face of their wall as well: ends were closed over the bore, and whole
    tubes taken for void."""
    part = PILE.parts["long"]
    made = mended(raw.everything(part, np.random.default_rng(seed)))
    assert apart(solid(made.vertices, made.faces), part.clean) < 1.5


def cap() -> manifold3d.Manifold:
    """A drum with a blind bore."""
    bore = manifold3d.Manifold.cylinder(10, 3.7, 3.7, 32).translate([0, 0, -5])
    return manifold3d.Manifold.cylinder(8, 9, 9, 32) - bore


def case() -> manifold3d.Manifold:
    """An open box with three tubes in it."""
    made = raw._box((0, 0, 0), (40, 30, 9)) - raw._box((1.5, 1.5, -1), (37, 27, 8))
    for x in (10, 20, 30):
        tube = manifold3d.Manifold.cylinder(8, 4, 4, 24)
        tube -= manifold3d.Manifold.cylinder(9, 2.8, 2.8, 24).translate([0, 0, -1])
        made += tube.translate([x, 15, 0])
    return made


@pytest.mark.parametrize(("body", "seed"), [(cap, 10), (case, 7), (case, 11), (case, 12), (case, 15)])
def test_halves_that_share_their_middle_are_closed_once_they_are_cut_apart(body, seed: int) -> None:
    """What one half lacks there the other shows: closed before, bores and corners were filled by 4 to 192
    mm3. Corners are off by 0.001 mm over 5000 mm2."""
    part = raw.RawPart(tuple(halves_of(body())), (), ())
    made = mended(raw.everything(part, np.random.default_rng(seed)))
    assert apart(solid(made.vertices, made.faces), body()) < 1.1


def test_verify_names_a_mend_that_is_not_in_the_file(tmp_path: Path) -> None:
    path = raw.as_glb(PILE, raw.meshes(PILE, raw.hidden_left_out), tmp_path / "raw.glb")
    model = read_model(path, Settings())
    entries = tuple(
        SimpleNamespace(id=shape.id, made="mended", lids=shape.mending.lids) for shape in model.shapes
    )
    plan = SimpleNamespace(shapes=entries)
    assert check_mended(plan, model).faults == []
    first = model.shapes[0]
    wrong = replace(first, mending=replace(first.mending, raw=np.add(first.mending.raw, (0, 0, 3.0))))
    (fault, *_) = check_mended(plan, replace(model, shapes=(wrong, *model.shapes[1:]))).faults
    assert first.id in fault.text and "not in the" in fault.text
    plan.shapes[0].made = "as read"
    assert "as read in the plan" in check_mended(plan, model).faults[0].text


def test_patches_that_face_each_other_are_those_that_each_with_each_would_find() -> None:
    """A curved shell has as many patches as faces: comparing each with each took 59 GiB of two balls."""
    random, near = np.random.default_rng(4), 0.01

    def patches(count: int) -> _Flats:
        ways = random.integers(-2, 3, (count, 3)) + random.normal(0, 0.01, (count, 3))
        ways += (np.abs(ways).max(axis=1) < 0.5)[:, None]
        offsets = random.integers(-2, 3, count) + random.normal(0, near, count)
        zeros = np.zeros((count, 3))
        faces = np.zeros((count, 3), dtype=np.int64)
        return _Flats(
            ways / np.linalg.norm(ways, axis=1)[:, None], offsets, zeros, zeros, faces, np.arange(count)
        )

    own, others = patches(700), patches(900)
    mine, close = np.arange(0, 700, 2), np.arange(100, 900)
    row, other = _facing(own, mine, others, close, near)
    opposite = own.normals[mine] @ others.normals[close].T <= -OPPOSITE
    level = np.abs(others.offsets[close] + own.offsets[mine, None]) <= near
    at, by = np.nonzero(opposite & level)
    assert len(row) > 100
    assert np.array_equal(row, mine[at]) and np.array_equal(other, close[by])


def test_a_mesh_of_many_shells_and_specks_is_one_solid_without_the_specks() -> None:
    """Of boxes apart, hollow ones among them, and specks: counted, named and measured piece by piece."""
    cubes = [Manifold.cube((2, 2, 2)).translate((3.0 * (row % 6), row // 6 * 3.0, 0)) for row in range(30)]
    cubes[3] -= Manifold.cube((1, 1, 1)).translate((9.5, 0.5, 0.5))
    specks = [Manifold.cube((0.3, 0.3, 0.3)).translate((2.0 * row, 0, 9)) for row in range(7)]
    meshes = [each.to_mesh64() for each in (*cubes, *specks)]
    starts = np.cumsum([0, *(len(each.vert_properties) for each in meshes)])
    vertices = np.concatenate([each.vert_properties for each in meshes])
    faces = [each.tri_verts.astype(np.int64) + start for each, start in zip(meshes, starts, strict=False)]
    made = mend(vertices, np.concatenate(faces))
    assert made is not None
    assert made.mending.found["specks"] == 7
    assert solid(made.vertices, made.faces).volume() == pytest.approx(30 * 8 - 1)
    assert [place.what for place in made.mending.unsure] == ["apart"] * 29


# ------------------------------------------------------------------------------- what is no mesh


def at_random(count: int, corners: int = 0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """So many triangles in a cube, each by itself, or on so many corners in common."""
    chance = np.random.default_rng(seed)
    if not corners:
        return chance.uniform(0, 50, (3 * count, 3)), np.arange(3 * count).reshape(-1, 3)
    faces = chance.integers(0, corners, (count, 3))
    return chance.uniform(0, 50, (corners, 3)), faces[[len({*face}) == 3 for face in faces.tolist()]]


def test_along_long_sides_few_corners_are_looked_at(monkeypatch):
    """A thousand triangles at random: about each side lie hundreds of corners, along it a handful."""
    asked, placed = [], SEW._placed
    monkeypatch.setattr(SEW, "_placed", lambda *given: asked.append(len(given[3])) or placed(*given))
    assert mend(*at_random(1000)) is None
    assert sum(asked) < 100 * 3000


def test_corners_on_a_side_are_found_however_many_lie_about_it():
    chance = np.random.default_rng(1)
    share = np.sort(chance.uniform(0.05, 0.95, 40))
    points = np.concatenate([[[0, 0, 0], [50, 20, 10]], share[:, None] * [50, 20, 10]])
    points = np.concatenate([points, chance.uniform(0, 50, (3000, 3))])
    ends = np.array([0]), np.array([1])
    side, vertex, along = SEW._beside(points, *ends, np.arange(len(points)), 1e-6)
    assert vertex.tolist() == list(range(2, 42)) and not side.any()
    assert along == pytest.approx(share)


def test_corners_about_a_side_are_counted_no_further_than_few(monkeypatch):
    """Triangles at random: whole balls are asked for only where halving would not part what is in them."""
    balls = []

    class Known(cKDTree):
        def query_ball_point(self, points, *given, **named):
            balls.append(len(points))
            return super().query_ball_point(points, *given, **named)

    monkeypatch.setattr(SEW, "tree", Known)
    vertices, faces = at_random(300)
    SEW.split_sides(vertices, faces)
    assert balls and not sum(balls)
    crowd = np.vstack([[[0.0, 0, 0], [50, 0, 0]], np.tile([25.0, 0, 0], (30, 1))])
    _, vertex, _ = SEW._beside(crowd, np.array([0]), np.array([1]), np.arange(32), 1e-6)
    assert vertex.tolist() == list(range(2, 32)) and sum(balls)


def test_rims_of_one_plane_are_those_that_each_with_each_would_find():
    chance = np.random.default_rng(2)
    ways = np.array([[0, 0, 1.0], [0, 0, -1], [0, 0.3, 1], [0, 0.306, 1], [1, 0, 0]])
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    normals = ways[chance.integers(0, 5, 120)]
    corners = chance.uniform(0, 5, (120, 3, 3))
    heights = chance.integers(0, 3, 120)[:, None, None] * normals[:, None]
    corners += heights - np.einsum("rci,ri->rc", corners, normals)[:, :, None] * normals[:, None]
    rims = [(np.arange(3 * row, 3 * row + 3), normals[row]) for row in range(120)]
    groups = caps._by_plane(corners.reshape(-1, 3), rims, 1e-4)
    left = list(range(120))
    for group in groups:
        first = left[0]
        bends = [np.linalg.norm(np.cross(normals[first], normals[row])) for row in left]
        offs = [
            abs((corners[row] - corners[first].mean(axis=0)).mean(axis=0) @ normals[first]) for row in left
        ]
        slack = [caps.FLAT_SHARE * np.ptp(corners[[first, row]], axis=1).max() for row in left]
        own = [
            row
            for row, bend, off, most in zip(left, bends, offs, slack, strict=True)
            if row == first or (bend < caps.SAME_PLANE and off <= max(caps.FLAT_REACHES * 1e-4, most))
        ]
        assert group == own
        left = [row for row in left if row not in own]
    assert not left and max(map(len, groups)) > 5


def drum(
    *missing: tuple[str, int], bottom: bool, halved: tuple[tuple[str, int], ...] = ()
) -> tuple[np.ndarray, Manifold]:
    """The faces of a drum of sixteen sides but for some, others cut in two at the second side; the whole."""
    turn, far = 2 * np.pi * np.arange(16) / 16, 10
    low = np.column_stack([3 * np.cos(turn), 3 * np.sin(turn), 0 * turn])
    top = np.column_stack([low[:, :2], 0 * turn + 4.0])
    faces = {}
    for k, ahead in enumerate(np.roll(np.arange(16), -1)):
        faces["low", k] = (low[k], low[ahead], top[k])
        faces["high", k] = (low[ahead], top[ahead], top[k])
        if far not in (k, ahead):
            faces["top", k] = (top[k], top[ahead], top[far])
            faces["bottom", k] = (low[k], low[far], low[ahead])
    for at in halved:
        a, b, c = faces.pop(at)
        faces["half", at], faces["other half", at] = (a, b, (b + c) / 2), (a, (b + c) / 2, c)
    kept = [at for at in faces if at not in missing and (bottom or at[0] != "bottom")]
    return np.array([faces[at] for at in kept]), Manifold.hull_points(np.concatenate([low, top]))


@pytest.mark.parametrize("seed", range(8))
def test_of_gaps_that_meet_at_corners_each_is_closed_for_itself(seed: int) -> None:
    """A drum without its bottom, a face of the top and one of each side beside that: a rim that went from one
    gap into the other, where they meet above or below, would put a fin through it."""
    soup, whole = drum(("top", 4), ("high", 4), ("low", 10), bottom=False)
    chance = np.random.default_rng(seed)
    made = mended(raw.flip(raw.shuffle(soup, chance), 0.3, chance))
    assert apart(solid(made.vertices, made.faces), whole) < 1e-4


def test_points_along_a_straight_side_of_a_rim_make_no_plane() -> None:
    """A face of the top and one of the side below it are missing, and the face beside each is cut in two."""
    halved = (("low", 4), ("top", 3))
    soup, whole = drum(("top", 4), ("high", 4), bottom=True, halved=halved)
    made = mended(soup)
    assert apart(solid(made.vertices, made.faces), whole) < 1e-4


def test_rims_about_one_corner_are_walked_once(monkeypatch):
    """Five hundred triangles with a corner in common: an edge there is looked at a few times."""
    asked, onward = [], caps._next

    class Counted:
        def __init__(self, used):
            self.used = used

        def __getitem__(self, row):
            asked.append(row)
            return self.used[row]

    monkeypatch.setattr(caps, "_next", lambda at, used: onward(at, Counted(used)))
    chance = np.random.default_rng(4)
    vertices = np.vstack([np.zeros(3), chance.normal(size=(1000, 3))])
    others = np.arange(1, 1001).reshape(500, 2)
    faces = np.column_stack([others[:, 0], np.zeros(500, dtype=int), others[:, 1]])
    rims, _ = caps._rims(vertices, faces, False)
    assert sorted(sorted(rim.tolist()) for rim in rims) == sorted(map(sorted, faces.tolist()))
    assert 1000 < len(asked) < 4 * 1500


def test_ends_at_one_corner_are_drawn_together_without_their_pairs(monkeypatch):
    """Two thousand segments that end there to a rounding: a few links to each end, not two million."""
    linked, connected = [], crossing.connected
    monkeypatch.setattr(
        crossing, "connected", lambda many, links: linked.append(len(links)) or connected(many, links)
    )
    chance = np.random.default_rng(5)
    hub = chance.normal(scale=1e-12, size=(2000, 3))
    ends = np.concatenate([chance.normal(size=(1990, 3)), np.linspace(0, 8e-7, 10)[:, None] * [1, 0, 0] + 3])
    owner, drawn = crossing._joined(np.arange(2000), np.stack([hub, ends], axis=1), np.zeros((1, 3)), 1e-7)
    assert not drawn[:, 0].any() and len(owner) == 2000
    assert len(np.unique(drawn[-10:, 1], axis=0)) == 1 and (drawn[:-10, 1] == ends[:-10]).all()
    assert sum(linked) < 3 * 4001


def test_a_tangle_is_refused_by_its_crossings_before_they_are_cut(monkeypatch):
    monkeypatch.setattr(crossing._Plane, "cut", lambda *_: pytest.fail("was cut"))
    with pytest.raises(BeyondLimit, match=r"triangles that cross each other in 1,6\d+ places.*crossings="):
        mend(*at_random(120, 30), Limits(crossings=1500))


def test_many_shells_are_united_some_at_a_time(monkeypatch):
    """The library that unites them is silent as long as it works: so much at once, or two solids."""
    shells = [Manifold.sphere(4.0, 24).translate((3.0 * row, 0, 0)) for row in range(30)]
    given = []
    united = UNITE._united
    monkeypatch.setattr(UNITE, "AT_ONCE", 5 * shells[0].num_tri())
    monkeypatch.setattr(UNITE, "_united", lambda some: given.append(some) or united(some))
    whole = UNITE._whole(shells)
    assert whole.volume() == pytest.approx(Manifold.batch_boolean(shells, manifold3d.OpType.Add).volume())
    most = 5 * shells[0].num_tri()
    assert all(len(some) <= 2 or sum(map(Manifold.num_tri, some)) <= most for some in given)
    assert len(given) > 5 and UNITE._whole([]).is_empty()


def test_gaps_are_counted_before_they_are_closed():
    with pytest.raises(BeyondLimit, match=r"a mesh of 300 triangles with 300 gaps.*--limit gaps=300"):
        mend(*at_random(300), Limits(gaps=299))
    assert mend(*at_random(300), Limits(gaps=300)) is None


@cache
def cup_and_ball() -> Made:
    """The shapes of a ball arm, all faults at once."""
    return spoiled(family("ball arms", 1316), "everything", np.random.default_rng(1316))


@pytest.mark.parametrize("key", ["cup block 2 x 2", "ball slab 2 x 2"])
def test_corners_are_one_over_the_cracks_and_no_further(key: str) -> None:
    """Cracks of up to 0.0035 mm: a reach half as long leaves some open, one of 0.03 mm eats the facets."""
    solid = cup_and_ball().solids[key]
    assert 0.0035 <= sew(solid.vertices, solid.faces).reach <= 0.01


def test_slivers_that_look_out_on_no_side_are_turned_as_what_is_beside_them() -> None:
    """A cup cut in two, gaping and crossing itself: flooded, its slivers run as their neighbours do."""
    key = "cup block 2 x 2"
    solid, true = cup_and_ball().solids[key], family("ball arms", 1316).solids[key]
    made = mend(solid.vertices, solid.faces)
    assert made is not None and is_closed(made.faces) and not made.mending.unsure
    volume = signed_volume(true.vertices, true.faces)
    assert signed_volume(made.vertices, made.faces) == pytest.approx(volume, rel=1e-4)


def test_solids_are_united_alike_here_and_in_a_process_apart(monkeypatch):
    outer, inner, other = (trimesh.creation.icosphere(1, size) for size in (10.0, 5.0, 8.0))
    other.apply_translation((9.0, 1.0, 0.5))
    shells = [Shell(each.vertices, each.faces) for each in (outer, inner, other)]
    here = unite(shells, [False, True, False], 30.0)
    assert here.united == 1 and here.solid.volume < outer.volume + other.volume - inner.volume
    monkeypatch.setattr(UNITE, "SILENT", 0)
    with within(lambda *told: None, "read"):
        there = unite(shells, [False, True, False], 30.0)
    assert np.array_equal(there.solid.vertices, here.solid.vertices)
    assert np.array_equal(there.solid.faces, here.solid.faces)


def turned(radius, round_: int, high: int, height: float) -> tuple[np.ndarray, np.ndarray]:
    """A body of revolution whose radius hangs on the angle and the height."""
    angle, at = np.meshgrid(np.arange(round_) * 2 * np.pi / round_, np.linspace(0, height, high))
    r = radius(angle, at)
    ring = np.stack([r * np.cos(angle), r * np.sin(angle), at], axis=-1).reshape(-1, 3)
    here = np.arange(high * round_).reshape(high, round_)
    beside = np.roll(here, -1, axis=1)
    a, b, c, d = (each.ravel() for each in (here[:-1], beside[:-1], here[1:], beside[1:]))
    ends = [np.stack([np.full(round_, len(ring)), beside[0], here[0]], axis=1)]
    ends.append(np.stack([np.full(round_, len(ring) + 1), here[-1], beside[-1]], axis=1))
    faces = [np.stack([a, b, d], axis=1), np.stack([a, d, c], axis=1), *ends]
    return np.concatenate([ring, [[0, 0, 0], [0, 0, height]]]), np.concatenate(faces)


def sculpted(waves: float, deep: float) -> tuple[np.ndarray, np.ndarray]:
    """A ball with waves that run every way."""
    ball, random = trimesh.creation.icosphere(subdivisions=4, radius=10.0), np.random.default_rng(1)
    at = np.asarray(ball.vertices)
    high = sum(np.sin(at @ (random.normal(0, 1, 3) * waves) + random.uniform(0, 6)) for _ in range(30))
    return at * (1 + deep / 55 * high)[:, None], np.asarray(ball.faces)


#: Noise-free bodies that are rough all over.
DRAWN = {
    "knurls": lambda: turned(
        lambda u, z: 6 + 0.2 * np.sin(20 * u + 2 * z) * np.sin(20 * u - 2 * z), 120, 40, 20
    ),
    "thread": lambda: turned(lambda u, z: 5 + 0.8 * abs((u / 2 / np.pi + z / 2) % 1 - 0.5), 60, 60, 20),
    "flutes": lambda: turned(lambda u, z: 6 + 0.3 * np.cos(20 * u), 160, 40, 12),
    "hammered": lambda: turned(
        lambda u, z: 6 + 0.15 * np.sin(9 * u + 3 * np.sin(z)) * np.cos(1.7 * z), 120, 40, 12
    ),
    **{
        f"waves {w}, {d} mm": partial(sculpted, w, d) for w, d in [(0.3, 0.5), (0.7, 0.5), (1, 0.5), (2, 0.2)]
    },
}


@pytest.mark.parametrize("name", sorted(DRAWN))
def test_what_was_drawn_rough_stays_as_it_is(name):
    vertices, faces = DRAWN[name]()
    assert fitted(vertices, faces) is None


@pytest.mark.parametrize(("waves", "high"), [(0.5, 0.05), (0.3, 0.1), (1.0, 0.03)])
def test_what_bends_evenly_was_drawn_so(monkeypatch, waves, high):
    """A ball with gentle waves is no scan, and is known to be none before any surface is grown over it."""
    monkeypatch.setattr("steps.mend.scan._patches", lambda *_: pytest.fail("surfaces are grown"))
    ball = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
    at = np.asarray(ball.vertices)
    at = at * (1 + high * np.sin(waves * at[:, :1]) * np.cos(0.7 * waves * at[:, 1:2]))
    assert fitted(at, np.asarray(ball.faces)) is None
