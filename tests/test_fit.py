"""Classes by what is felt, decisions by the band, who can close: each by hand."""

from __future__ import annotations

import pytest

from demo_model.solids import Module
from steps.fit import SAFETY_OF_LOW, fit_of, sure_of, tightest_of, within
from steps.force.bands import NO_FORCE, Band
from steps.force.felt import Felt, Force
from steps.force.printed import Print
from steps.settings import Settings
from steps.strength import one_hand_n, who_closes
from tests.test_hold import stacked

MADE = Print.of(Settings())
KEPT = MADE.ageing[0]


def force(low: float, likely: float, high: float, push: float = 5.0, strain: float = 0.0) -> Force:
    return Force(Band(low, likely, high), Band(push, push, push), Felt(likely, push, strain))


@pytest.mark.parametrize(
    ("one", "want"),
    [
        (force(3, 6, 12, push=60.1), "tight"),
        (force(3, 6, 12, push=59.9), "press"),
        (force(3, 6, 12, strain=0.016), "tight"),
        (force(1.5 / KEPT + 0.01, 6, 12), "press"),  # low end aged just over 1.5 times a share of 1 N
        (force(1.5 / KEPT - 0.01, 6, 12), "slide"),
        (force(0.5, 6, 12, push=31), "press"),  # felt as press: half of what makes it tight
        (force(0, 0, 0.5), "slide"),
        (force(0, 0, 0), "loose"),
    ],
)
def test_what_is_felt_of_one_contact_with_a_share_of_one_newton(one: Force, want: str) -> None:
    """Tight above one hand (60 N, again and again) or 1.5 % of strain; press when the low end of the aged
    hold is 1.5 times the share; loose when even the high end is nothing."""
    assert one_hand_n() == 60.0 and SAFETY_OF_LOW == 1.5
    assert fit_of(one, 1.0, MADE) == want


@pytest.mark.parametrize(
    ("band", "want"),
    [
        (Band(3.0, 6, 12), "holds"),
        (Band(2.99, 6, 12), "try"),
        (Band(0.0, 0, 3.01), "try"),
        (Band(0, 1, 2.99), "falls"),
        (NO_FORCE, "falls"),
    ],
)
def test_the_band_decides_against_a_load_of_two_newtons(band: Band, want: str) -> None:
    assert sure_of(band, 2.0) == want
    assert sure_of(NO_FORCE, 0.0) == "falls"


def test_the_card_holds_a_class_within_what_it_says() -> None:
    assert within("loose", "tight", "press") == "press"
    assert within("tight", "slide", "loose") == "slide"
    assert within("press", "tight", "loose") == "press"
    assert tightest_of(["none", "loose", "press"]) == "press" and tightest_of(["none"]) == "none"


@pytest.mark.parametrize(
    ("likely", "high", "cracks", "want"),
    [
        (10, 40, False, "child"),
        (10, 41, False, "helper"),
        (50, 119, False, "helper"),
        (50, 200, False, "adult"),
        (199, 900, False, "adult"),
        (201, 900, False, "clamp"),
        (10, 40, True, "none"),
    ],
)
def test_who_closes(likely: float, high: float, cracks: bool, want: str) -> None:
    """Surely by hand when the high end is within a hand's best effort: 40, 119, 200 N; an adult's, with a
    clamp at hand, when only the likely push is."""
    assert who_closes(likely, high, cracks) == want


def test_a_class_is_each_contacts_own_and_the_joints_that_of_its_tightest() -> None:
    joint = stacked(4, 2, 0.03)
    own = [touch.fit for touch in joint.touches if touch.kind == "stud"]
    assert joint.fit == tightest_of(own)
    assert all(touch.fit == "none" for touch in joint.touches if touch.kind == "rest")


def test_eight_studs_may_be_too_much_for_whom_one_is_not() -> None:
    one, eight = stacked(1, 1, 0.02), stacked(4, 2, 0.02)
    readers = ["child", "helper", "adult", "clamp", "none"]
    assert {one.fit, eight.fit} <= {"press", "tight"}
    assert readers.index(one.closes_by) < readers.index(eight.closes_by)


def test_a_joint_says_its_numbers_and_no_minus_nothing() -> None:
    loose = stacked(2, 2, 0.105, 4.0)
    assert loose.fit == "loose"
    assert loose.why == "4 studs, gap 0.42 mm per side at 4x: loose"
    exact = stacked(2, 2, 0.0)
    assert "-0.00" not in exact.why and repr(exact.gap_mm) != "-0.0"
    assert "gap 0.00 mm per side at 1x" in exact.why or "interference 0.00" in exact.why


def test_other_plastics_hold_by_their_own_figures() -> None:
    """Softer and slipperier holds less: PETG 1.8 GPa and 0.165 against PLA 2.8 GPa and 0.21 (see the
    data)."""
    pla, petg = (stacked(2, 2, 0.02, material=name) for name in ("pla", "petg"))
    want = (0.1652 / 0.2135) * (1.732 / 2.837)
    assert petg.hold_n / pla.hold_n == pytest.approx(want, rel=0.1)


def test_fit_and_force_agree_over_gaps_and_scales() -> None:
    """Loose holds nothing, press surely holds, whatever the gap and the scale."""
    for scale in (1.0, 2.0, 4.0):
        for clearance in (0.3, 0.12, 0.08, 0.04, 0.0):
            joint = stacked(2, 2, clearance / scale, scale, of=Module(clearance=0.1 / scale))
            if joint.fit == "loose":
                assert joint.hold_high_n < 0.02
            if joint.fit == "press":
                assert joint.hold_low_n > 0 and joint.sure == "holds"
            if joint.sure == "holds":
                assert joint.fit in ("press", "tight")
