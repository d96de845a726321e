"""What was measured: letters, limits, pulls and callipers, each by hand."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
import pytest

from steps.card import measured_pull_n, printed_gap, told
from steps.settings import CARD_GAPS_MM, Settings
from steps.strength import one_hand_n
from tests.test_hold import stacked

CLASSES = ("tight", "press", "slide", "loose")


def carded(**card: object) -> Settings:
    return Settings.model_validate({"fit": card})


def test_without_a_card_nothing_is_told() -> None:
    assert told(0.1, "stud", Settings()) is None


def test_between_two_numbers_a_class_changes_half_way() -> None:
    """Between number 2 (-0.05) and 3 (0.00), 4 (0.05) and 5 (0.10), 7 (0.20) and 8 (0.30)."""
    settings = carded(stud_card={"tight": [1, 2], "press": [3, 4], "slide": [5, 6, 7], "loose": [8]})
    for gap, want in (
        (-0.2, ("tight", "tight")), (-0.026, ("tight",) * 2), (-0.024, ("press",) * 2), (0.074, ("press",) *
        2), (0.076, ("slide",) * 2), (0.249, ("slide",) * 2), (0.251, ("loose",) * 2),
    ):  # fmt: skip
        found = told(gap, "stud", settings)
        assert found == want or (gap == -0.2 and found[1] == "tight")
    # beyond half a step from what was tried, only as tight or as loose as that
    assert told(0.9, "stud", settings) == ("loose", "loose")
    some = carded(stud_card={"press": [4]})
    assert told(0.05, "stud", some) == ("press", "press")
    assert told(0.07, "stud", some) == ("press", "press") and told(0.08, "stud", some) == ("press", "loose")
    assert told(-0.2, "stud", some) == ("tight", "press")


@pytest.mark.parametrize("kind", ["stud", "peg", "ball"])
def test_each_number_is_the_class_that_was_circled(kind: str) -> None:
    for classes in combinations_with_replacement(CLASSES, len(CARD_GAPS_MM[kind])):
        card = {name: [n + 1 for n, each in enumerate(classes) if each == name] for name in CLASSES}
        settings = carded(**{f"{kind}_card": card})
        for gap, want in zip(CARD_GAPS_MM[kind], classes, strict=True):
            assert told(gap, kind, settings) == (want, want)


def test_pegs_and_balls_without_their_own_follow_the_studs_and_limits_in_mm_come_first() -> None:
    studs = {"tight": [1, 2], "press": [3, 4]}
    assert told(-0.05, "peg", carded(stud_card=studs)) == told(-0.05, "stud", carded(stud_card=studs))
    both = carded(stud_card=studs, peg_card={"press": [1, 2]})
    assert told(-0.05, "peg", both) == ("press", "press") and told(-0.05, "stud", both) == ("tight", "tight")
    mm = carded(stud_card=studs, tight_below_mm=-0.2, press_below_mm=0.1, slide_below_mm=0.3)
    for gap, want in ((-0.21, "tight"), (-0.19, "press"), (0.1, "press"), (0.11, "slide"), (0.31, "loose")):
        assert told(gap, "stud", mm) == (want, want)
    one = carded(press_below_mm=0.3)
    assert told(0.2, "stud", one) == ("tight", "press") and told(0.31, "stud", one) == ("slide", "loose")


def test_a_letter_fixes_the_band_of_each_contact_and_a_joint_sums_them() -> None:
    """T: its push is above one hand's (60 N). P: within it, and the low end of its hold is 1.5 times its
    share. S: within it, and it holds less. L: nothing. Four studs at a gap of 0.10, number 5."""
    joints = {name: stacked(2, 2, fit={"stud_card": {name: [5]}}) for name in CLASSES}
    for name, joint in joints.items():
        assert joint.fit == name and {t.fit for t in joint.touches if t.kind == "stud"} == {name}
        assert "your fit card" in joint.why or name == "loose"
    hand, share = one_hand_n(), joints["press"].share_n
    assert joints["tight"].push_low_n >= 4 * hand
    assert joints["press"].push_high_n <= 4 * hand and joints["press"].hold_low_n >= 4 * 1.5 * share * 0.999
    assert joints["press"].sure == "holds"
    assert joints["slide"].push_high_n <= 4 * hand and joints["slide"].hold_high_n <= 4 * 1.5 * share * 1.001
    assert joints["slide"].sure != "holds"
    assert joints["loose"].hold_high_n == joints["loose"].push_high_n == 0 and joints["loose"].sure == "falls"


def test_letters_outrank_callipers_and_callipers_the_file() -> None:
    wide = {"stud_diameter_mm": 6.0, "socket_diameter_mm": 6.4}
    assert stacked(2, 2, 0.0).fit in ("press", "tight")
    assert stacked(2, 2, 0.0, fit=wide).fit == "loose"
    assert stacked(2, 2, 0.0, fit={**wide, "stud_card": {"press": [3]}}).fit == "press"


def test_pulls_are_those_of_the_numbers_and_go_with_the_squeeze_between_and_beyond_them() -> None:
    """Medians 3 kg at number 3 (0.00) and 1 kg at number 4 (0.05), nothing at number 6 (0.15); 9.81 N/kg."""
    card = {
        "loose": [6, 7],
        "pulls_kg": {"3": [2.8, 3.0, 9.0, 3.1, 2.9], "4": [1.0, 0.9, 1.1, 1.0, 1.0]},
    }
    settings = carded(stud_card=card)

    def pull(gap: float) -> float:
        found = measured_pull_n(gap, "stud", settings, 0.085)
        assert found is not None
        return found

    assert [pull(0.0), pull(0.05), pull(0.15), pull(0.4)] == pytest.approx([9.81 * 3, 9.81, 0, 0])
    gaps = np.linspace(-0.1, 0.3, 400)
    pulls = np.array([pull(gap) for gap in gaps])
    assert (np.diff(pulls) <= 1e-9).all() and np.abs(np.diff(pulls)).max() < 1.0  # falling, without a jump
    # tighter than all that were pulled it goes with the squeeze: 2 x (0.085 + 0.05) over 2 x 0.085, less
    # scatter
    assert pull(-0.05) / pull(0.0) == pytest.approx(0.27 / 0.1705, rel=0.02)
    assert measured_pull_n(0.0, "ball", settings) is None and measured_pull_n(0.0, "peg", settings) is None
    assert measured_pull_n(0.0, "peg", carded(peg_card=card), 0.1) == pytest.approx(9.81 * 3.0)
    # looser than all: what is left of the squeeze, and no jump to nothing
    some = carded(stud_card={"pulls_kg": {"3": [2.0]}})
    assert 0 < measured_pull_n(0.05, "stud", some, 0.085) < 9.81 * 2.0
    assert measured_pull_n(0.0, "stud", carded(pull_off_n=5.0)) == 5.0


def test_pulls_narrow_the_band() -> None:
    """1.28 x 0.25 of the logarithm to either side, against 1.28 x 0.6 and more by the estimate."""
    plain = stacked(2, 2, 0.0)
    pulled = stacked(2, 2, 0.0, fit={"stud_card": {"press": [3], "pulls_kg": {"3": [2.0]}}})
    assert pulled.push_high_n / pulled.push_n == pytest.approx(np.exp(1.2816 * 0.25), rel=0.01)
    assert pulled.hold_high_n / pulled.hold_low_n < plain.hold_high_n / plain.hold_low_n
    assert pulled.hold_n == pytest.approx(4 * 2.0 * 9.81 * 0.5, rel=0.01)


def test_callipers_give_the_gap_that_they_measure() -> None:
    """Diameters that differ by 0.40 are 0.20 a side."""
    assert printed_gap(carded(stud_diameter_mm=6.0, socket_diameter_mm=6.4)) == pytest.approx(0.20)
    with pytest.raises(ValueError, match="no calliper"):
        printed_gap(Settings())


def test_a_number_that_is_not_on_the_card_is_refused() -> None:
    with pytest.raises(ValueError, match=r"stud_card: number 9 is not on the card; .* 1 to 8"):
        carded(stud_card={"loose": [9]})
    with pytest.raises(ValueError, match=r"ball_card: number 7 is not on the card; .* 1 to 6"):
        carded(ball_card={"loose": [7]})
    with pytest.raises(ValueError, match=r"peg_card: number 0 is not on the card; .* 1 to 8"):
        carded(peg_card={"pulls_kg": {"0": [1.0]}})
