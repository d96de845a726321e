"""Whole pictures: what they must show, where their marks stand, and that nothing needs hand work."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
import shapely

from demo_model.beacon import beacon
from demo_model.scene import DemoModel, Placed
from demo_model.seawall import sea_wall
from demo_model.solids import Bulk
from renderer.flatten import flatten
from renderer.ink import WIDE_MM
from renderer.picture import Picture
from renderer.solid import Solid
from renderer.tone import luminance, rgb, tints
from steps.draw import (
    Studio,
    assembly_picture,
    choose_views,
    cover_picture,
    finished_picture,
    kinds_in_step,
    overview_picture,
    step_picture,
    thumbnail,
    turn_picture,
)
from steps.draw.balloons import RADIUS_MM
from steps.draw.closer import HIDDEN_PART
from steps.draw.guides import GUIDE_DASH_MM
from steps.draw.lift import lifted_things
from steps.draw.pictures import HERE
from steps.draw.sheet import DPI
from steps.draw.step import new_items
from steps.draw.thumbs import LEAST_THUMB_MM, thumbs_of
from steps.model import Closer
from steps.settings import Settings
from tests.draw_scenes import plan_of, shares_told
from tests.test_renderer_solid import cube

WIDTH, HEIGHT = 150.0, 120.0


def seen(plan, **settings) -> Studio:
    wished = Settings(**settings)
    return Studio(replace(plan, sights=choose_views(plan, wished)), wished)


@pytest.fixture(scope="module")
def studio() -> Studio:
    return seen(plan_of(beacon(), per_step=3))


@pytest.fixture(scope="module")
def pictures(studio) -> dict[int, Picture]:
    return {step.number: step_picture(studio, step.number, WIDTH, HEIGHT) for step in studio.plan.order.steps}


def part_at(studio: Studio, step, point) -> str | None:
    """The part that stands foremost at a paper point of a step's picture, found without the pixel table:
    by Moeller-Trumbore over every triangle of every part."""
    from steps.draw.sheet import Field
    from steps.draw.step import _step_camera

    field = Field(WIDTH, HEIGHT)
    camera = _step_camera(studio, step, field)
    column, row = point[0] / field.mm_per_pixel, (HEIGHT - point[1]) / field.mm_per_pixel
    origin = camera.unproject(np.array([column]), np.array([row]), np.array([-1e4]))[0]
    earlier = studio.plan.sequence.ids(studio.moment(step).before)
    items = [*studio.items(earlier, "earlier"), *new_items(studio, lifted_things(studio, step))]
    best, name = np.inf, None
    for item in items:
        triangles = (item.solid.vertices @ item.pose[:3, :3].T + item.pose[:3, 3])[item.solid.faces]
        one, two = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
        across = np.cross(-camera.toward, two)
        volume = np.einsum("ij,ij->i", one, across)
        with np.errstate(divide="ignore", invalid="ignore"):
            from_corner = origin - triangles[:, 0]
            u = np.einsum("ij,ij->i", from_corner, across) / volume
            over = np.cross(from_corner, one)
            v = np.einsum("j,ij->i", -camera.toward, over) / volume
            distance = np.einsum("ij,ij->i", two, over) / volume
        hit = (np.abs(volume) > 1e-12) & (u >= 0) & (v >= 0) & (u + v <= 1)
        if hit.any() and distance[hit].min() < best:
            best, name = distance[hit].min(), studio.plan.model.parts[item.key].id
    return name


def test_leaders_end_on_their_part(studio, pictures):
    for step in studio.plan.order.steps:
        kinds = {part: kind.letter for kind in kinds_in_step(studio.plan, step) for part in kind.parts}
        balloons = pictures[step.number].balloons
        found = [part_at(studio, step, balloon.target) for balloon in balloons]
        assert [kinds[part] for part in found] == [balloon.text for balloon in balloons]
        assert sorted(found) == sorted(step.adds)  # each new part has one


def test_balloons_stand_free_inside_the_field(pictures):
    for picture in pictures.values():
        for at, balloon in enumerate(picture.balloons):
            x, y = balloon.centre
            assert RADIUS_MM <= x <= WIDTH - RADIUS_MM and RADIUS_MM <= y <= HEIGHT - RADIUS_MM
            for other in picture.balloons[:at]:
                assert np.hypot(x - other.centre[0], y - other.centre[1]) > 2 * RADIUS_MM
            disc = shapely.Point(x, y).buffer(RADIUS_MM)
            strokes = [shapely.LineString(s.points) for s in picture.strokes if s.width_mm == WIDE_MM]
            assert not any(disc.intersects(line) for line in strokes)


def test_leaders_do_not_cross(pictures):
    for picture in pictures.values():
        leaders = [shapely.LineString([b.centre, b.target]) for b in picture.balloons]
        for at, leader in enumerate(leaders):
            assert not any(leader.crosses(other) for other in leaders[:at])


def test_the_pixels_of_every_new_part_appear_in_full_colour(studio, pictures):
    for step in studio.plan.order.steps:
        pixels = pictures[step.number].pixels.reshape(-1, 3)
        for part_id in step.adds:
            tones = np.round(tints(studio.plan.model.part_by_id[part_id].colour, "new") * 255)
            counts = [(pixels == tone).all(axis=1).sum() for tone in tones]
            assert min(counts) > 100  # each of the three tones of a block


def test_the_drawing_fills_its_field(studio, pictures):
    for picture in pictures.values():
        points = np.concatenate([stroke.points for stroke in picture.strokes])
        share = np.ptp(points, axis=0) / [WIDTH, HEIGHT]
        assert share.max() > 0.65


def test_at_least_two_hundred_pixels_an_inch(pictures):
    for picture in pictures.values():
        rows, columns, _ = picture.pixels.shape
        assert columns >= WIDTH / 25.4 * 200 - 1 and rows >= HEIGHT / 25.4 * 200 - 1
        assert DPI >= 200


def test_guides_run_along_the_move_and_stop_where_they_are_hidden(studio, pictures):
    found = 0
    for step in studio.plan.order.steps:
        up = studio.axes(step)[:2] @ [0, 0, 1]
        for stroke in pictures[step.number].strokes:
            if stroke.dash_mm != GUIDE_DASH_MM:
                continue
            found += 1
            run = stroke.points[-1] - stroke.points[0]
            assert abs(run[0] * up[1] - run[1] * up[0]) / np.linalg.norm(run) / np.linalg.norm(up) < 0.02
            low, high = sorted(stroke.points[[0, -1]].tolist(), key=lambda point: point[1])
            # its upper end is at the lifted part or behind a part that hides it; its lower end in a stud
            assert part_at(studio, step, (low[0], low[1] - 0.3)) is not None
            assert part_at(studio, step, (high[0], high[1] + 0.3)) is not None
    assert found >= 8


def test_signs_stand_apart_and_say_the_mark(studio, pictures):
    marks = {sign.kind for picture in pictures.values() for sign in picture.signs}
    assert marks == {"press"}
    glued = replace(studio.plan.gluing, marks=dict.fromkeys(studio.plan.gluing.marks, "glue"))
    other = Studio(replace(studio.plan, gluing=glued), Settings())
    signs = step_picture(other, 3, WIDTH, HEIGHT).signs
    assert signs and {sign.kind for sign in signs} == {"glue"}
    for at, sign in enumerate(signs):
        for more in signs[:at]:
            assert np.hypot(*np.subtract(sign.centre, more.centre)) >= sign.size_mm


def test_signs_stand_on_white_with_no_line_through_them(pictures):
    for picture in pictures.values():
        rows, columns, _ = picture.pixels.shape
        for sign in picture.signs:
            disc = shapely.Point(sign.centre).buffer(0.5 * sign.size_mm)
            assert not any(disc.intersects(shapely.LineString(stroke.points)) for stroke in picture.strokes)
            column = int(sign.centre[0] / WIDTH * columns)
            row = int((1 - sign.centre[1] / HEIGHT) * rows)
            reach = int(0.3 * sign.size_mm / WIDTH * columns)
            part = picture.pixels[row - reach : row + reach, column - reach : column + reach]
            assert (part == 255).all()


def test_resting_joints_carry_no_sign(studio):
    resting = replace(studio.plan.gluing, marks=dict.fromkeys(studio.plan.gluing.marks, "rest"))
    assert (
        step_picture(Studio(replace(studio.plan, gluing=resting), Settings()), 3, WIDTH, HEIGHT).signs == ()
    )


def test_a_step_drawn_after_others_is_the_step_drawn_alone(studio):
    # tables of earlier parts are kept from step to step; the picture must not depend on that
    plan = studio.plan
    fresh = [step_picture(Studio(plan, Settings()), number, WIDTH, HEIGHT) for number in (1, 2, 3, 4)]
    kept = Studio(plan, Settings())
    for number in (4, 1, 3, 2):
        picture = step_picture(kept, number, WIDTH, HEIGHT)
        assert pickle.dumps(picture) == pickle.dumps(fresh[number - 1])


# ---------------------------------------------------------------------------------------- insets


def test_a_hidden_part_gets_an_inset_that_shows_it(studio):
    step = studio.plan.order.steps[2]
    part = step.adds[0]
    sights = tuple(
        replace(s, closer=(Closer((part,), s.view, (), 1.0),)) if s.number == step.number else s
        for s in studio.plan.sights
    )
    picture = step_picture(
        Studio(replace(studio.plan, sights=sights), Settings()), step.number, WIDTH, HEIGHT
    )
    ((x, y, inset),) = picture.insets
    assert x >= 0 and y >= 0 and x + inset.width_mm <= WIDTH and y + inset.height_mm <= HEIGHT
    tones = np.round(tints(studio.plan.model.part_by_id[part].colour, "new") * 255)
    assert sum((inset.pixels.reshape(-1, 3) == tone).all(axis=1).sum() for tone in tones) > 2000
    box = shapely.box(x, y, x + inset.width_mm, y + inset.height_mm)
    assert not any(box.intersects(shapely.Point(b.centre).buffer(RADIUS_MM)) for b in picture.balloons)


def test_what_stands_before_a_hidden_part_is_cut_away():
    plan = plan_of(_well(), per_step=1)
    studio = seen(plan)
    step = plan.order.steps[-1]
    axes = studio.axes(step)
    (look,) = studio.closer(step)
    assert look.parts == step.adds and look.view == studio.view(step.number)
    front, back = ("P2", "P3") if axes[2] @ [0, -1, 0] > 0 else ("P3", "P2")
    assert front in look.away and not {"P1", back} & set(look.away)


def _slab(*size: float) -> Bulk:
    return Bulk("slab", cube().vertices * size, cube().faces)


def _at(name: str, key: str, *place: float) -> Placed:
    pose = np.eye(4)
    pose[:3, 3] = place
    return Placed(name, key, "#b05020", pose)


def _well() -> DemoModel:
    """A floor, four walls that close a narrow shaft, and a small part dropped into it: no view from outside
    shows it, nor would one from below."""
    solids = {
        "floor": _slab(60, 60, 4),
        "long": _slab(60, 20, 80),
        "short": _slab(20, 20, 80),
        "small": _slab(8, 8, 8),
    }
    placed = (
        _at("floor", "floor", 0, 0, 0),
        _at("front", "long", 0, 0, 4),
        _at("back", "long", 0, 40, 4.01),
        _at("left", "short", 0, 20, 4.02),
        _at("right", "short", 40, 20, 4.03),
        _at("in", "small", 26, 26, 4.04),
    )
    return DemoModel("well", solids, placed)


def test_a_part_in_a_well_is_seen_after_its_inset():
    studio = seen(plan_of(_well(), per_step=1))
    step = studio.plan.order.steps[-1]
    assert step.adds == ("P6",) and studio.plan.sights[-1].seen["P6"] < HIDDEN_PART
    picture = step_picture(studio, step.number, WIDTH, HEIGHT)
    assert len(picture.insets) == 1
    inset = picture.insets[0][2]
    assert inset.balloons[0].text == "a"
    tones = np.round(tints("#b05020", "new") * 255)
    flat = inset.pixels.reshape(-1, 3)
    shown = sum((flat == tone).all(axis=1).sum() for tone in tones)
    assert shown > 3000  # 8 mm of a part whose inset shows little else
    assert shares_told(studio, step)["P6"] > 0.9


def test_a_part_that_is_seen_has_no_inset():
    studio = seen(plan_of(_well(), per_step=1))
    for step in studio.plan.order.steps[:-1]:
        assert step_picture(studio, step.number, WIDTH, HEIGHT).insets == ()


@pytest.mark.parametrize("demo", [beacon(), sea_wall(parts=120), _well()], ids=lambda demo: demo.name)
def test_every_new_part_is_seen_in_its_step_or_an_inset(demo):
    studio = seen(plan_of(demo, per_step=3))
    told = [shares_told(studio, step) for step in studio.plan.order.steps]
    shares = [share for one in told for share in one.values()]
    assert len(shares) == len(studio.plan.model.parts)
    assert min(shares) >= 0.35 and np.median(shares) >= 0.7
    for step, one in zip(studio.plan.order.steps, told, strict=True):
        (sight,) = (sight for sight in studio.plan.sights if sight.number == step.number)
        assert all(one[part] >= sight.seen[part] for part in one)


def test_a_part_of_a_tenth_of_a_millimetre_beside_one_of_a_metre_is_found():
    solids = {"plate": _slab(1000, 1000, 10), "grain": _slab(0.1, 0.1, 0.1)}
    placed = (_at("plate", "plate", 0, 0, 0), _at("grain", "grain", 500, 500, 10))
    plan = plan_of(DemoModel("grain", solids, placed), per_step=1)
    studio = seen(replace(plan, measures=replace(plan.measures, pitch_mm=None)))
    picture = step_picture(studio, 2, WIDTH, HEIGHT)
    pictures = [picture, *(inset for _, _, inset in picture.insets)]
    tones = np.round(tints("#b05020", "new") * 255)
    shown = [sum((one.pixels.reshape(-1, 3) == tone).all(axis=1).sum() for tone in tones) for one in pictures]
    assert max(shown) > 1000
    assert any(one.balloons for one in pictures)


def test_holes_flipped_and_empty_faces_still_draw():
    sound = cube()
    faces = sound.faces.copy()
    faces[::2] = faces[::2, ::-1]  # half of them inside out
    torn = Bulk("torn", sound.vertices * 20, np.concatenate([faces[:-2], [[0, 0, 1], [3, 3, 3]]]))
    solids = {"base": _slab(60, 60, 10), "torn": torn, "sound": Bulk("s", sound.vertices * 20, sound.faces)}
    placed = (
        _at("base", "base", 0, 0, 0),
        _at("torn", "torn", 5, 5, 10),
        _at("sound", "sound", 35, 35, 10.01),
    )
    studio = seen(plan_of(DemoModel("torn", solids, placed), per_step=1))
    tones = np.round(tints("#b05020", "new") * 255)
    areas = []
    for number in (2, 3):
        flat = step_picture(studio, number, WIDTH, HEIGHT).pixels.reshape(-1, 3)
        areas.append(sum((flat == tone).all(axis=1).sum() for tone in tones))
    # one missing side of two triangles is closed by what is behind it, or by the sides seen from within
    assert areas[0] > 0.6 * areas[1] > 5000


def test_a_thousand_new_parts_make_no_thousand_balloons():
    plan = plan_of(sea_wall(parts=1000), per_step=1000)
    studio = Studio(plan, Settings())
    picture = step_picture(studio, 1, WIDTH, HEIGHT)
    kinds = kinds_in_step(plan, plan.order.steps[0])
    assert 1 <= len(picture.balloons) <= len(kinds)
    counted = {f"{kind.count}×{kind.letter}" if kind.count > 1 else kind.letter for kind in kinds}
    assert {balloon.text for balloon in picture.balloons} <= counted
    assert len(picture.signs) < 200


def test_leaders_keep_off_signs(pictures):
    for picture in pictures.values():
        for balloon in picture.balloons:
            leader = shapely.LineString([balloon.centre, balloon.target])
            for sign in picture.signs:
                assert leader.distance(shapely.Point(sign.centre)) > sign.size_mm / 2


# ------------------------------------------------------------------------- mono and colour blindness


def test_in_mono_every_pixel_and_line_is_grey():
    studio = seen(plan_of(beacon(), per_step=3), mono=True)
    pixels = step_picture(studio, 3, WIDTH, HEIGHT).pixels
    assert (pixels == pixels[..., :1]).all() and len(np.unique(pixels)) > 6


def test_in_mono_new_parts_are_darker_than_the_same_part_placed_earlier():
    for part in beacon().placed:
        new, earlier = tints(part.colour, "new", True), tints(part.colour, "earlier", True)
        assert (luminance(earlier) >= luminance(new)).all()
        assert np.allclose(new, new[:, :1]) and np.allclose(earlier, earlier[:, :1])


#: Linear-RGB matrices for dichromats (Vienot, Brettel and Mollon 1999; from memory).
BLIND = {
    "protan": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "deutan": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
}


@pytest.mark.parametrize("kind", BLIND)
def test_the_place_in_the_overview_stands_out_to_the_colour_blind(studio, kind):
    # WCAG 2.2: 3 : 1 for graphics
    def as_seen(colours):
        linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
        return np.clip(linear @ np.array(BLIND[kind]).T, 0, 1) @ [0.2126, 0.7152, 0.0722]

    here = as_seen(tints(HERE, "new"))
    for part in studio.plan.model.parts:
        ghost = as_seen(tints(part.colour, "ghost"))
        assert (ghost[2] + 0.05) / (here[2] + 0.05) >= 3.0


def test_parts_that_differ_in_colour_alone_have_letters_of_their_own(studio):
    # so that nobody needs to tell the colours apart
    for step in studio.plan.order.steps:
        kinds = kinds_in_step(studio.plan, step)
        letters = {kind.letter.rstrip("0123456789") for kind in kinds}  # a1 and a2 are glued otherwise
        assert len(letters) == len({(kind.shape, kind.colour) for kind in kinds})


# ----------------------------------------------------------------------------------- other pictures


def test_the_overview_shows_the_place_through_what_hides_it(studio):
    # step 1 is buried under the rest of the beacon
    pixels = overview_picture(studio, 1, 60, 60).pixels.reshape(-1, 3)
    strong = sum((pixels == tone).all(axis=1).sum() for tone in np.round(tints(HERE, "new") * 255))
    assert strong > 5000


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_the_overview_shows_the_whole_of_every_new_part(studio, number):
    # as many strong pixels as the new parts alone cover, whatever stands before them; less the other way
    from steps.draw.pictures import _display_axes, _whole_camera
    from steps.draw.sheet import Field

    step = studio.plan.sequence.by_number[number].step
    field = Field(60, 60)
    camera = _whole_camera(studio, field, _display_axes(studio))
    alone = studio.source.table(studio.items(step.adds, "new"), camera)
    pixels = overview_picture(studio, number, 60, 60).pixels
    strong = np.zeros(pixels.shape[:2], dtype=bool)
    for tone in np.round(tints(HERE, "new") * 255):
        strong |= (pixels == tone).all(axis=2)
    assert (strong == (alone.key >= 0)).mean() > 0.999


def test_every_overview_shows_the_model_from_the_same_side(studio):
    # pixels that no highlighted part covers are the same from step to step
    strong = {tuple(tone) for tone in np.round(tints(HERE, "new") * 255).astype(int).tolist()}
    one, two = (overview_picture(studio, number, 60, 60).pixels.astype(int) for number in (1, 4))
    covered = np.zeros(one.shape[:2], dtype=bool)
    for tone in strong:
        covered |= (one == tone).all(axis=2) | (two == tone).all(axis=2)
    assert (one == two).all(axis=2)[~covered].mean() > 0.99


def test_thumbnails_share_one_scale_and_tell_it(studio):
    shapes = [shape.id for shape in studio.plan.model.shapes]
    thumbs = thumbs_of(studio.plan, (28.0, 20.0))
    (scale,) = {thumb.scale for thumb in thumbs.values()}
    widths = []
    for shape in shapes:
        size = thumbs[shape].size_mm
        assert max(size) >= LEAST_THUMB_MM and size[0] <= 28.001 and size[1] <= 20.001
        picture = thumbnail(studio, shape, "#808080", *size, scale)
        assert picture.mm_per_model_mm == pytest.approx(scale)
        points = np.concatenate([stroke.points for stroke in picture.strokes])
        assert points.min() > 0 and (points < [28, 20]).all()
        widths.append(np.ptp(points[:, 0]))
    alone = thumbnail(studio, shapes[-1], "#808080", 28, 20)
    assert alone.mm_per_model_mm >= scale
    assert max(widths) > 15


def test_a_thumbnail_too_large_for_the_common_scale_says_which_it_has(studio):
    picture = thumbnail(studio, studio.plan.model.shapes[0].id, "#808080", 20, 15, mm_per_mm=50.0)
    assert picture.mm_per_model_mm < 50.0


def test_the_cover_shows_every_part_in_full_colour(studio):
    picture = cover_picture(studio, 120, 120)
    pixels = picture.pixels.reshape(-1, 3)
    for colour in {part.colour for part in studio.plan.model.parts}:
        tones = np.round(tints(colour, "new") * 255)
        assert sum((pixels == tone).all(axis=1).sum() for tone in tones) > 1000


def test_the_front_and_the_back_at_one_scale(studio):
    front, behind = (finished_picture(studio, side, 80, 80) for side in (0, 1))
    assert front.mm_per_model_mm == behind.mm_per_model_mm
    assert front.pixels.tobytes() != behind.pixels.tobytes()


def test_an_assembly_is_drawn_whole(studio):
    picture = assembly_picture(studio, "A1", 80, 80)
    cover = cover_picture(studio, 80, 80)
    assert (picture.pixels == cover.pixels).all()  # the only assembly is the model


def test_turning_is_shown_where_up_changes(studio):
    assert all(turn_picture(studio, step.number, 60, 30) is None for step in studio.plan.order.steps)
    steps = list(studio.plan.order.steps)
    steps[2] = replace(steps[2], up=np.array([0.0, 0.0, -1.0]))
    turned = Studio(replace(studio.plan, order=replace(studio.plan.order, steps=tuple(steps))), Settings())
    picture = turn_picture(turned, 3, 60, 30)
    assert picture is not None and picture.signs[0].kind == "tip"
    (x1, _, before), (x2, _, after) = picture.insets
    assert x1 < x2 and (before.pixels.shape == after.pixels.shape)
    assert (before.pixels != after.pixels).any()


def test_flatten_draws_what_the_vectors_say(pictures):
    flat = flatten(pictures[2], 100)
    assert flat.shape == (round(HEIGHT / 25.4 * 100), round(WIDTH / 25.4 * 100), 3)
    x, y = pictures[2].balloons[0].centre
    at = round((HEIGHT - y) / 25.4 * 100), round(x / 25.4 * 100)
    assert (flat[at] == 255).all()
    assert luminance(rgb("#000000")) == 0 and flat.min() == 0


def test_of_a_shape_is_worked_out_once_what_all_studios_know(monkeypatch):
    plan = plan_of(beacon())
    first = Studio(plan, Settings()).solids
    monkeypatch.setattr(Solid, "worked_out", None)
    for name, solid in Studio(plan, Settings()).solids.items():
        assert solid is not first[name] and np.array_equal(solid.outer, first[name].outer)
