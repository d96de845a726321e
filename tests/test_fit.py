"""Fit classes: the one table, its shifts, measured values, and the scale law."""

from __future__ import annotations

from itertools import combinations_with_replacement, pairwise

import numpy as np
import pytest

from demo_model import solids
from demo_model.solids import Module
from steps.fit import classify, effective_gap, explain, limits, measured_pull_n, scale_law
from steps.model import Joint
from steps.settings import CARD_GAPS_MM, Settings
from tests.joint_cases import Solid, joints_of, only, placed, shift

#: ISO 286-1, nominal 25 mm, micrometres: hole and shaft deviations, then clearance least and greatest.
ISO_286 = {
    "H11/c11": ((0, 130), (-240, -110), (110, 370)),
    "H9/d9": ((0, 52), (-117, -65), (65, 169)),
    "H8/f7": ((0, 33), (-41, -20), (20, 74)),
    "H7/g6": ((0, 21), (-20, -7), (7, 41)),
    "H7/h6": ((0, 21), (-13, 0), (0, 34)),
    "H7/k6": ((0, 21), (2, 15), (-15, 19)),
    "H7/n6": ((0, 21), (15, 28), (-28, 6)),
    "H7/p6": ((0, 21), (22, 35), (-35, -1)),
    "H7/s6": ((0, 21), (35, 48), (-48, -14)),
}


def block_joint(clearance: float, scale: float = 1.0, **options: object) -> Joint:
    low = solids.block(2, 2, Module(scale=scale))
    high = solids.block(2, 2, Module(scale=scale, clearance=clearance))
    pair = [
        (Solid(low.vertices, low.faces), np.eye(4)),
        (Solid(high.vertices, high.faces), shift(0, 0, 10 * scale)),
    ]
    return only(joints_of(placed(pair, scale=scale), **options))


@pytest.mark.parametrize(
    ("gap", "want"),
    [
        (-0.2, "tight"), (-0.051, "tight"), (-0.05, "press"), (0.0, "press"), (0.12, "press"),
        (0.121, "slide"), (0.25, "slide"), (0.251, "loose"), (2.0, "loose"),
    ],
)  # fmt: skip
def test_the_table_for_pla(gap: float, want: str) -> None:
    assert classify(gap, Settings()) == want


@pytest.mark.parametrize("material", ["petg", "abs", "asa"])
def test_other_plastics_shift_the_table_by_a_twentieth(material: str) -> None:
    settings = Settings(material=material)
    for gap in (-0.06, -0.04, 0.13, 0.16, 0.18, 0.26, 0.29, 0.31):
        assert classify(gap, settings) == classify(gap - 0.05, Settings())


@pytest.mark.parametrize("name", ISO_286)
def test_iso_286_fits_at_25_mm_keep_their_order_and_sign(name: str) -> None:
    """ISO 286-1: a gap per side is half the clearance of shaft and hole measured on the mesh."""
    hole, shaft, clearance = ISO_286[name]
    assert (hole[0] - shaft[1], hole[1] - shaft[0]) == clearance
    for (low_hole, low_shaft), want in (
        ((hole[0], shaft[1]), clearance[0]),
        ((hole[1], shaft[0]), clearance[1]),
    ):
        pin, bush = _pin_and_bush(25 + low_shaft / 1000, 25 + low_hole / 1000)
        joint = only(joints_of(placed([(pin, np.eye(4)), (bush, np.eye(4))])))
        assert 2 * joint.gap_mm * 1000 == pytest.approx(want, abs=0.5)  # micrometres
        assert joint.fit == ("tight" if want < -100 else "loose" if want > 500 else joint.fit)


def _pin_and_bush(pin: float, bush: float):
    from tests.joint_cases import box, rod

    stem = box((-20, -20, -5), (20, 20, 0)) + rod(pin / 2, 21, (0, 0, -1), 96)
    ring = rod(20, 15, (0, 0, 2), 96) - rod(bush / 2, 20, (0, 0, 0), 96)
    return stem, ring


def test_iso_clearances_order_the_fits() -> None:
    middles = [sum(ISO_286[name][2]) / 2 for name in ISO_286]
    assert all(a > b for a, b in pairwise(middles))
    order = ["loose", "slide", "press", "tight"]
    ranks = [order.index(classify(m / 2000, Settings())) for m in middles]
    assert ranks == sorted(ranks)


def test_why_gives_the_numbers() -> None:
    joint = block_joint(0.105, 4.0)
    assert joint.fit == "loose"
    assert joint.why == "4 studs, gap 0.42 mm per side at 4x, over 0.25: loose"
    assert explain(-0.1, "tight", 1, Settings()) == "interference 0.10 mm per side at 1x, under -0.05: tight"


@pytest.mark.parametrize(
    ("clearance", "want"), [(0.0, "press"), (0.1, "press"), (0.2, "slide"), (0.4, "loose")]
)
def test_class_comes_from_the_file_not_from_the_printer(clearance: float, want: str) -> None:
    """Printer error enters the force, not the class: it would be counted twice."""
    careful = {"printer": {"boss_error_mm": 0.0, "hole_error_mm": 0.0}}
    assert block_joint(clearance).fit == want
    assert block_joint(clearance, **careful).fit == want
    assert block_joint(0.1).hold_n > 0 == block_joint(0.1, **careful).hold_n


def test_the_coupons_outcome_replaces_the_table() -> None:
    own = Settings.model_validate(
        {"fit": {"tight_below_mm": 0.05, "press_below_mm": 0.2, "slide_below_mm": 0.5}}
    )
    assert [classify(g, own) for g in (0.04, 0.1, 0.3, 0.6)] == ["tight", "press", "slide", "loose"]
    assert limits(own).source != limits(Settings()).source
    one = Settings.model_validate({"fit": {"press_below_mm": 0.3}})
    assert [classify(g, one) for g in (-0.1, 0.2, 0.29, 0.31)] == ["tight", "press", "press", "loose"]


def test_calliper_readings_replace_the_files_gap() -> None:
    """Printed stud 6.1 and socket 6.2: 0.05 per side printed, 0.15 of usual error back: 0.20, slide."""
    readings = {"fit": {"stud_diameter_mm": 6.1, "socket_diameter_mm": 6.2}}
    assert effective_gap(0.4, Settings.model_validate(readings)) == pytest.approx(0.20)
    joint = block_joint(0.4, **readings)
    assert joint.fit == "slide"
    assert joint.gap_mm == pytest.approx(0.4, abs=0.02)  # the file's gap stays what it is
    assert "your callipers" in joint.why


def test_scale_law() -> None:
    """CAD gap = s x g0: 0.10 at 1x is press up to 1.2x, slide up to 2.5x, then loose (computed by hand)."""
    law = scale_law(block_joint(0.1), 1.0, Settings())
    assert law.gaps_mm == pytest.approx({1.0: 0.1, 2.0: 0.2, 4.0: 0.4}, abs=0.02)
    assert law.fits == {1.0: "press", 2.0: "slide", 4.0: "loose"}
    assert [(below, above) for _, below, above in law.changes] == [("press", "slide"), ("slide", "loose")]
    assert [at for at, _, _ in law.changes] == pytest.approx([1.2, 2.5], rel=0.01)
    again = scale_law(block_joint(0.1, 4.0), 4.0, Settings())
    assert [at for at, _, _ in again.changes] == pytest.approx([1.2, 2.5], rel=0.01)


def test_scale_law_of_interference_tightens() -> None:
    law = scale_law(block_joint(-0.02), 1.0, Settings())
    assert law.fits == {1.0: "press", 2.0: "press", 4.0: "tight"}
    assert law.changes[0][0] == pytest.approx(2.5, rel=0.05)


# ------------------------------------------------------------------------------ fit card


def carded(**card: object) -> Settings:
    return Settings.model_validate({"fit": card})


def test_the_numbers_of_the_card_give_the_limits() -> None:
    """Between number 2 (-0.05) and 3 (0.00), 4 (0.05) and 5 (0.10), 7 (0.20) and 8 (0.30)."""
    settings = carded(stud_card={"tight": [1, 2], "press": [3, 4], "slide": [5, 6, 7], "loose": [8]})
    found = limits(settings)
    assert (found.tight_below, found.press_below, found.slide_below) == pytest.approx((-0.025, 0.075, 0.25))
    assert found.source == "your fit card"
    assert [classify(gap, settings) for gap in CARD_GAPS_MM["stud"]] == [
        *("tight", "tight", "press", "press", "slide", "slide", "slide", "loose")
    ]


@pytest.mark.parametrize("kind", ["stud", "peg", "ball"])
def test_every_outcome_in_order_classifies_its_own_numbers_as_they_went(kind: str) -> None:
    """All ways to divide the numbers into four runs, some empty, and numbers not tried."""
    count = len(CARD_GAPS_MM[kind])
    for ends in combinations_with_replacement(range(count + 1), 3):
        went = np.searchsorted(ends, np.arange(count), side="right")
        card = {
            name: [n + 1 for n in range(count) if went[n] == row and n % 4 != 3]
            for row, name in enumerate(("tight", "press", "slide", "loose"))
        }
        settings = carded(**{f"{kind}_card": card})
        for name, numbers in card.items():
            for number in numbers:
                assert classify(CARD_GAPS_MM[kind][number - 1], settings, kind) == name


def test_pegs_and_balls_follow_the_studs_until_they_have_a_card_of_their_own() -> None:
    studs = {"tight": [1, 2, 3], "press": [4], "slide": [5], "loose": [6]}
    assert limits(carded(stud_card=studs), "peg") == limits(carded(stud_card=studs), "stud")
    both = carded(stud_card=studs, peg_card={"press": [1, 2], "slide": [3]})
    assert classify(-0.05, both, "peg") == "press" and classify(-0.05, both, "stud") == "tight"
    assert limits(carded(peg_card=studs), "stud").source == "the table"
    mm = carded(stud_card=studs, tight_below_mm=-0.2)
    assert limits(mm).tight_below == -0.2  # a limit in mm goes before the numbers


@pytest.mark.parametrize(
    ("card", "told"),
    [
        ({"tight": [1], "press": [1]}, "number 1 is said to go tight and press"),
        ({"press": [2], "tight": [3]}, "number 2 went press but number 3"),
        ({"pulls_kg": {"3": []}}, "at least one peak"),
        ({"pulls_kg": {"3": [-1.0]}}, "none below 0"),
    ],
)
def test_a_card_that_contradicts_itself_is_refused(card: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        carded(stud_card=card)


def test_a_number_that_is_not_on_the_card_is_named() -> None:
    with pytest.raises(ValueError, match=r"stud_card: number 9 is not on the card; .* 1 to 8"):
        carded(stud_card={"loose": [9]})
    with pytest.raises(ValueError, match=r"ball_card: number 0 is not on the card; .* 1 to 6"):
        carded(ball_card={"pulls_kg": {"0": [1.0]}})


def test_pulls_are_drawn_straight_between_the_numbers_down_to_where_it_fell_off() -> None:
    """Medians 3 kg at number 3 (0.00) and 1 kg at number 4 (0.05), nothing at number 6 (0.15); 9.81 N/kg."""
    card = {
        "loose": [6, 7],
        "pulls_kg": {"3": [2.8, 3.0, 9.0, 3.1, 2.9], "4": [1.0, 0.9, 1.1, 1.0, 1.0]},
    }
    settings = carded(stud_card=card)
    pulls = {gap: measured_pull_n(gap, "stud", settings) for gap in (-0.3, 0.0, 0.025, 0.05, 0.10, 0.15, 0.4)}
    kilograms = {-0.3: 3.0, 0.0: 3.0, 0.025: 2.0, 0.05: 1.0, 0.10: 0.5, 0.15: 0.0, 0.4: 0.0}
    assert pulls == pytest.approx({gap: 9.81 * kg for gap, kg in kilograms.items()})
    assert measured_pull_n(0.0, "ball", settings) is None and measured_pull_n(0.0, "peg", settings) is None
    assert measured_pull_n(0.0, "peg", carded(peg_card=card)) == pytest.approx(9.81 * 3.0)
    unknown = carded(stud_card={"pulls_kg": {"3": [2.0]}})
    assert measured_pull_n(0.01, "stud", unknown) == 0.0  # more room than was tried: nothing is claimed
    assert measured_pull_n(0.0, "stud", carded(pull_off_n=5.0)) == 5.0


def test_scale_law_follows_the_callipers() -> None:
    """Judged 0.20 at 4x (see above) is 0.05 at 1x: press until 2.4x, slide until 5x."""
    own = Settings.model_validate({"fit": {"stud_diameter_mm": 6.1, "socket_diameter_mm": 6.2}})
    law = scale_law(block_joint(0.1, 4.0), 4.0, own)
    assert law.gaps_mm == pytest.approx({1.0: 0.05, 2.0: 0.1, 4.0: 0.2})
    assert [at for at, _, _ in law.changes] == pytest.approx([2.4, 5.0])


def test_rounding_does_not_move_a_gap_over_its_limit() -> None:
    assert classify(0.25 + 1e-9, Settings()) == classify(0.25, Settings()) == "slide"
    assert classify(-0.05 - 1e-9, Settings()) == "press"
