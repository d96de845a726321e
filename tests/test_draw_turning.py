"""How what lies on the table is turned from drawing to drawing, and that no turn goes untold."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.beacon import beacon
from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.work import work_sheets
from steps.booklet.content import Figure
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.fonts import typeface
from steps.booklet.panels import PAD_MM
from steps.booklet.words import words_in
from steps.draw import turn_picture
from steps.draw.studio import Studio
from steps.draw.turning import ViewTurn, turned_before, turning_between
from steps.draw.views import choose_views
from steps.model import View
from steps.settings import Settings
from tests.draw_scenes import plan_of

X, Z = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])


def view(degrees: float) -> View:
    return View(float(np.radians(degrees)), ISOMETRIC_ELEVATION)


@pytest.mark.parametrize(
    "before, after, turning",
    [
        ((view(-45), Z), (view(-45), Z), None),
        ((view(-45), Z), (view(45), Z), ViewTurn(0, -90)),  # the eye goes one way round, the build the other
        ((view(-45), Z), (view(-135), Z), ViewTurn(0, 90)),
        ((view(-45), Z), (view(135), Z), ViewTurn(0, 180)),
        ((view(-45), Z), (view(-45), X), ViewTurn(90, 0)),
    ],
)
def test_a_turn_is_told_by_its_angles(before, after, turning):
    assert turning_between(before, after) == turning


@pytest.mark.parametrize("azimuths", [(-45, 45), (-45, -45), (10, 100)])
@pytest.mark.parametrize("up", [-Z, X, np.array([0.6, 0.0, 0.8]), np.array([0.0, -0.6, 0.8])])
def test_done_as_told_the_build_lies_as_it_is_drawn(azimuths, up):
    # by other means: the tip and the spin are done one after the other, on what the viewer sees
    before, after = (view(azimuths[0]), Z), (view(azimuths[1]), up)
    told = turning_between(before, after) or ViewTurn(0, 0)
    old, new = (axes_of(one.azimuth, 0.0, way) for one, way in (before, after))
    rises = old @ up
    assert np.degrees(np.arccos(np.clip(rises[1], -1, 1))) == pytest.approx(told.tip_deg, abs=0.6)
    angle = np.radians(told.spin_deg)
    spin = np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])
    tip = spin.T @ new @ old.T
    axis = tip - tip.T  # of the tip alone: it lies level
    assert axis[0, 2] == pytest.approx(0, abs=0.03)
    assert tip @ rises == pytest.approx([0, 1, 0], abs=0.03)


@pytest.fixture(scope="module")
def turned():
    """The beacon, from another side from its third step on, and laid on its side for the last."""
    plan = plan_of(beacon(), per_step=3)
    *steps, last = plan.order.steps
    plan = replace(plan, order=replace(plan.order, steps=(*steps, replace(last, up=X))))
    sights = choose_views(plan, Settings())
    aside = [View(sight.view.azimuth + np.pi / 2, sight.view.elevation) for sight in sights]
    moved = [replace(s, view=other) if s.number >= 3 else s for s, other in zip(sights, aside, strict=True)]
    return replace(plan, sights=tuple(moved))


def test_no_turn_goes_untold(turned):
    found = {number: turned_before(turned, number) for number in (1, 2, 3, 4)}
    assert [number for number, each in found.items() if each is not None] == [3, 4]
    matter = Matter(turned, Settings(), words_in("en"))
    for sheet in work_sheets(matter):
        told = [
            block.wish.step
            for block in sheet.blocks
            if isinstance(block, Figure) and block.wish.kind == "turn"
        ]
        assert told == ([sheet.step] if found.get(sheet.step) is not None else [])
    assert found[3].turning == ViewTurn(0, -90)


def test_its_picture_shows_both_states_at_one_scale_and_the_angle_between(turned):
    studio = Studio(turned, Settings())
    picture = turn_picture(studio, 3, 60, 20)
    (left, _, one), (right, _, two) = picture.insets
    assert one.mm_per_model_mm == pytest.approx(two.mm_per_model_mm)
    (sign,) = picture.signs
    assert sign.kind == "clockwise" and sign.text == "90°"
    assert left + one.width_mm < sign.centre[0] < right
    assert turn_picture(studio, 2, 60, 20) is None


@pytest.mark.parametrize("reader", ["child", "helper"])
def test_its_angle_in_the_readers_type_ends_before_the_second_state(turned, reader):
    """In the narrowest column of words, half of half an A4 page's frame."""
    settings = Settings(reader=reader)
    edition, frame = edition_of(settings), paper_of(settings).frame
    width = min(edition.column, frame.width / 4) - 2 * PAD_MM
    picture = turn_picture(Studio(turned, settings), 3, width, 0.28 * edition.column)
    (sign,), (_, (right, _, _)) = picture.signs, picture.insets
    words = typeface(words_in("en")).width_mm("180°", edition.least, True)
    assert sign.centre[0] + 0.6 * sign.size_mm + words < right
