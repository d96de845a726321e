"""The scale law of one joint: its gap grows with the scale, the printer's error does not."""

from __future__ import annotations

import pytest

from steps.model import Joint
from steps.scales import fit_at, scale_law
from steps.settings import Settings
from tests.test_hold import stacked


def light(_: float) -> float:
    return 0.2


def test_the_gap_grows_and_the_classes_follow_in_turn() -> None:
    joint = stacked(2, 2, 0.06)
    law = scale_law(joint, 1.0, light, Settings())
    assert law.gaps_mm == pytest.approx({1.0: 0.06, 2.0: 0.12, 4.0: 0.24}, abs=0.01)
    order = ["tight", "press", "slide", "loose"]
    rows = [order.index(law.fits[s]) for s in (1.0, 2.0, 4.0)]
    assert rows == sorted(rows) and law.fits[4.0] == "loose"
    for at, below, above in law.changes:
        assert 1.0 < at < 4.0 and order.index(above) == order.index(below) + 1
    assert [below for _, below, _ in law.changes] == order[rows[0] : rows[2]]


def test_read_at_another_scale_it_is_the_same_law() -> None:
    one = scale_law(stacked(2, 2, 0.06), 1.0, light, Settings())
    four = scale_law(stacked(2, 2, 0.06, 4.0), 4.0, light, Settings())
    assert [at for at, _, _ in four.changes] == pytest.approx([at for at, _, _ in one.changes], rel=0.05)


def test_a_joint_without_clearance_never_loosens() -> None:
    law = scale_law(stacked(2, 2, -0.01), 1.0, light, Settings())
    assert "loose" not in law.fits.values() and "slide" not in law.fits.values()


def test_a_joint_made_larger_is_that_of_a_larger_file() -> None:
    small: Joint = stacked(2, 2, 0.02)
    large: Joint = stacked(2, 2, 0.02, 3.0)
    assert fit_at(small, 3.0, large.share_n * 4, Settings()) == large.fit


def test_by_callipers_the_law_starts_from_what_they_read() -> None:
    """0.05 a side at 4x is 0.0125 at 1x."""
    own = Settings.model_validate({"fit": {"stud_diameter_mm": 24.0, "socket_diameter_mm": 24.1}})
    law = scale_law(stacked(2, 2, 0.1, 4.0), 4.0, light, own)
    assert law.gaps_mm == pytest.approx({1.0: 0.0125, 2.0: 0.025, 4.0: 0.05})
    wide = Settings.model_validate({"fit": {"stud_diameter_mm": 24.0, "socket_diameter_mm": 24.6}})
    assert scale_law(stacked(2, 2, 0.1, 4.0), 4.0, light, wide).fits[4.0] == "loose"
    assert scale_law(stacked(2, 2, 0.1, 4.0), 4.0, light, own).fits[1.0] != "loose"
