"""Hazards, cautions, small parts: known answers with their sources beside them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from steps.glue.cautions import cautions_for, model_cautions, tip_angle
from steps.glue.families import family, glue_book
from steps.glue.hazards import complete, hazard_book, signal_word
from steps.glue.small_parts import fits, is_small_ball, is_small_part, small_cylinder, small_hole
from steps.model import Adhesive, Order, Shape
from steps.settings import Settings
from tests.stacks import BOX, BOX_FACES, Cell, stack

ROOM_M3 = 30.0


@pytest.mark.parametrize(
    ("component", "ppm"), [("butanone", 9), ("acetone", 11), ("thf", 10), ("ethyl acetate", 8)]
)
def test_one_millilitre_in_a_closed_room(component, ppm):
    # references, section 2: 1 mL in 30 m3 at 25 deg C gives MEK 9, acetone 11, THF 10, ethyl acetate 8 ppm
    assert round(hazard_book().components[component].ppm(1.0, ROOM_M3)) == ppm


def test_every_number_has_a_source():
    for one in glue_book().families.values():
        for key in ("lap_shear_mpa", "best_gap_mm", "greatest_gap_mm", "film_mm", "open_min", "fixture_min"):
            assert one.source[key], f"{one.name}: {key}"
        assert all(bond.source for bond in one.bonds.values())
    for row in hazard_book().components.values():
        assert all(limit.source for limit in row.limits)
        assert row.complete or row.note, f"{row.name} is neither complete nor says why not"


def test_rows_known_to_be_thin_are_not_complete():
    # references, section 2: rows still missing
    assert not complete(family("silicone"), "pla")
    assert not complete(family("light-cured"), "pla")
    assert not hazard_book().components["cyanoacrylate accelerator"].complete
    for name in ("cyanoacrylate", "epoxy", "acrylic", "polyurethane", "solvent"):
        assert complete(family(name), "abs"), name


def test_what_the_adhesive_needs_and_no_more():
    found = cautions_for(Adhesive("solvent", volume_ml=4.0), Settings(material="abs"))
    assert found is not None
    assert found.signal == "WARNING"  # H225 could kill or seriously injure: ANSI Z535.4
    assert [code for code, _ in found.statements] == ["H225", "EUH066", "H319", "H336"]
    assert {"GHS02", "GHS07"} == set(found.pictograms)
    assert "P003" in found.signs and "W021" in found.signs
    (air,) = found.air
    # references: 11 ppm a mL; the lowest limit is 250 ppm (NIOSH REL)
    assert air.ppm == pytest.approx(4 * 11.1, abs=0.1)
    assert air.limit_ppm == 250.0
    assert not air.over
    assert not any("Cyanoacrylate" in text for _, text in found.statements)


def test_cyanoacrylate_first_aid_is_the_published_one():
    # ECHA dossier, as told in the references
    found = cautions_for(Adhesive("cyanoacrylate", volume_ml=1.0), Settings())
    text = " ".join(found.first_aid)
    assert "warm soapy water" in text and "never pull" in text
    assert any("cotton" in line for line in found.gloves)
    assert found.adult_only


def test_grave_hazards_ask_for_more():
    found = cautions_for(Adhesive("polyurethane", volume_ml=30.0), Settings())
    assert found.signal == "WARNING"
    assert "M017" in found.signs
    assert any("2023" in line for line in found.training)  # REACH Annex XVII entry 74
    assert found.statements[0][0] in hazard_book().grave


def test_a_family_with_a_thin_row_is_adult_only_and_says_so():
    found = cautions_for(Adhesive("silicone", volume_ml=1.0), Settings())
    assert found.adult_only
    assert found.missing
    assert found.signal == "WARNING"


def test_nothing_glued_needs_no_caution():
    assert cautions_for(Adhesive(), Settings()) is None


def test_signal_word_of_harmless_glue():
    assert signal_word(hazard_book().components["polyvinyl acetate dispersion"]) == "NOTICE"


# ------------------------------------------------------------------------------ small parts
# 16 CFR 1501.4: 31.7 mm wide, 25.4 to 57.1 mm deep. In between FINE_MM (0.3 mm) the answer is yes.

CYLINDER = small_cylinder()


def turned(points, seed):
    return points @ Rotation.random(random_state=seed).as_matrix().T


def round_bar(diameter, length, sides=48):
    angles = 2 * np.pi * np.arange(sides) / sides
    ring = diameter / 2 * np.stack([np.cos(angles), np.sin(angles), 0 * angles], axis=1)
    return np.vstack([ring, ring + np.array([0, 0, length])])


def ball(diameter):
    angles = np.pi * (1 + 5**0.5) * np.arange(400)
    z = np.linspace(-1, 1, 400)
    radius = np.sqrt(1 - z**2)
    return diameter / 2 * np.stack([radius * np.cos(angles), radius * np.sin(angles), z], axis=1)


def wedge(sides=96, shrink=0.0):
    """The solid that fills the cylinder exactly, but for ``shrink`` mm all round."""
    angles = 2 * np.pi * np.arange(sides) / sides
    radius = 31.7 / 2 - shrink
    x, y = radius * np.cos(angles), radius * np.sin(angles)
    bottom = -(25.4 + 57.1) / 2 - x * (57.1 - 25.4) / 31.7 + np.sqrt(2) * shrink
    return np.vstack([np.stack([x, y, 0 * x - shrink], axis=1), np.stack([x, y, bottom], axis=1)])


@pytest.mark.parametrize(
    ("points", "inside"),
    [
        (round_bar(31.0, 25.0), True),
        (round_bar(33.0, 25.0), False),
        (round_bar(31.0, 29.0), False),
        (ball(31.4), True),
        (ball(33.0), False),
        (BOX * (22.0, 22.0, 25.0), True),
        (BOX * (24.0, 24.0, 24.0), False),
        (BOX * (40.0, 20.0, 20.0), False),
        (BOX * (68.0, 1.0, 1.0), False),
        (BOX * (52.0, 4.0, 2.0), True),
        (wedge(shrink=0.05), True),
        (wedge(shrink=-1.2), False),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_small_parts_cylinder(points, inside, seed):
    assert fits(turned(points, seed), CYLINDER) == inside


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.75, 1.25))
def test_no_part_found_to_fit_is_called_too_large(seed, size):
    """Independent means: many random orientations and shifts by a plain check of every vertex."""
    generator = np.random.default_rng(seed)
    points = BOX * generator.uniform(8, 30, 3) * size
    found = fits(points, CYLINDER)
    if found:
        return
    for turn in Rotation.random(400, random_state=seed).as_matrix():
        placed = points @ turn.T
        placed = placed - [*(placed[:, :2].max(axis=0) + placed[:, :2].min(axis=0)) / 2, placed[:, 2].max()]
        inside = np.hypot(placed[:, 0], placed[:, 1]) <= 31.7 / 2
        above = placed[:, 2] >= -(25.4 + 57.1) / 2 - placed[:, 0] * (57.1 - 25.4) / 31.7
        assert not (inside & above).all()


def shape_of(points):
    return Shape("S1", points, [(0, 1, 2)], True)


def test_small_balls():
    # 16 CFR 1500.19(a)(2) and EN 71-1 template E: 44.5 mm, the larger of both
    assert is_small_ball(shape_of(ball(44.0)))
    assert not is_small_ball(shape_of(ball(46.0)))
    assert not is_small_ball(shape_of(BOX * 20.0))  # no ball
    assert is_small_ball(shape_of(ball(40.0) * (1, 1, 0.85)))  # egg-shaped counts
    assert fits(BOX * (30.0, 30.0, 500.0), small_hole())


def test_not_every_part_outgrows_the_cylinder_at_four_times():
    # references, section 3: test each after scaling. A slab 1 x 1 of 7.8 x 7.8 x 3.2 mm at 4x:
    assert is_small_part(Shape("S1", BOX * (7.8, 7.8, 3.2) * 3, BOX_FACES, True))
    assert not is_small_part(Shape("S1", BOX * (7.8, 7.8, 3.2) * 4, BOX_FACES, True))
    assert is_small_part(Shape("S1", BOX * (5.0, 5.0, 6.0) * 4, BOX_FACES, True))


def test_heavy_and_tipping_models():
    built = stack([Cell(0, 0, z, 1, 1) for z in range(8)], gram_per_cell=1000.0)
    names = tuple(part.id for part in built.model.parts)
    order = one_step(names)
    found = model_cautions(built.model, built.measures, order, Settings())
    assert [group.assembly for group in found.heavy] == ["A1"]
    assert found.heavy[0].people == 1  # 8 kg: flagged over 4.5 kg, two adults over 10 kg (references)
    assert found.heavy[0].tip_deg == pytest.approx(np.degrees(np.arctan(5 / 40)))
    assert [group.assembly for group in found.tips_easily] == ["A1"]
    assert found.total_g == pytest.approx(8000.0)
    assert any("not a tested toy" in line for line in found.words)


def one_step(names):
    from steps.model import Assembly, Step

    step = Step(1, "A1", names, {}, (), (), (0, 0, 1))
    return Order((Assembly("A1", "all of it", (names,)),), (step,))


def test_tip_angle_of_a_cube():
    corners = BOX[BOX[:, 2] == 0]
    assert tip_angle(corners, np.array([0.5, 0.5, 0.5]), np.array([0.0, 0.0, 1.0])) == pytest.approx(45.0)
    assert tip_angle(corners, np.array([1.5, 0.5, 0.5]), np.array([0.0, 0.0, 1.0])) == 0.0


def test_refused_substances_are_no_family():
    # references: dichloromethane (89 FR 39254) and chloroform never, THF off by default
    assert {"dichloromethane", "chloroform"} <= set(glue_book().refused)
    assert "thf" in glue_book().off
    used = {
        one.name
        for each in glue_book().families.values()
        for some in each.components.values()
        for one in some
    }
    assert not used & {"dichloromethane", "chloroform", "thf"}
