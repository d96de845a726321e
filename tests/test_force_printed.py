"""What printing makes of a part: figures from their ranges, time, walls and faces."""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.printed import (
    MODEL_SIGMA,
    MODULUS_SIGMA,
    Print,
    ageing,
    bending_share,
    face_error,
    friction,
    grip_left,
    infill_share,
    line_width,
    modulus,
    wall_sigma,
)
from steps.materials import material
from steps.settings import PrinterSettings, Settings

PLA = material("pla")


def test_friction_of_pla_from_its_5th_and_95th_percentile() -> None:
    """Santana 2020, 0.12 to 0.38: median 0.21, sigma of ln 0.35."""
    median, sigma = friction(PLA)
    assert (median, sigma) == pytest.approx((0.21, 0.35), abs=0.005)


def test_modulus_across_the_layers() -> None:
    """0.9 of the geometric mean of 2.3 and 3.5 GPa."""
    assert modulus(PLA) == pytest.approx(0.9 * 1000 * np.sqrt(2.3 * 3.5), rel=1e-9)


def test_what_time_leaves() -> None:
    """[28] (t / 1 min)^-0.065: 0.766 at an hour, 0.623 at a day, 0.500 at 30 days; 0.34 to 0.73 for exponents
    of 0.10 to 0.03."""
    found = [grip_left(minutes, 0.065) for minutes in (60, 1440, 30 * 1440)]
    assert found == pytest.approx([0.766, 0.623, 0.500], abs=0.001)
    assert ageing(PLA) == pytest.approx((0.34, 0.50, 0.73), abs=0.005)
    assert ageing(PLA, 60)[1] == pytest.approx(0.766, abs=0.001)


def test_walls_are_skins_on_infill() -> None:
    """Two skins of 1.2 and infill of 15 %: all plastic up to 2.4 mm; at 4.8 mm the inner half, an eighth of
    the stiffness, counts only by its infill's modulus."""
    printer = PrinterSettings()
    assert infill_share(1.0) == 1.0
    assert 0.02 < infill_share(0.15) < 0.08  # density^2 to density / 2 (Gibson and Ashby, from memory)
    assert bending_share(1.2, printer) == bending_share(2.4, printer) == 1.0
    assert bending_share(4.8, printer) == pytest.approx(1 - (1 - infill_share(0.15)) / 8)


def test_three_lines_or_two() -> None:
    """A wall of whole lines, 0.45 for a nozzle of 0.4: even over one line (0.45 / sqrt 12), and 5 %."""
    printer = PrinterSettings()
    assert line_width(printer) == pytest.approx(0.45)
    assert wall_sigma(1.2, printer) == pytest.approx(np.hypot(0.05, 0.45 / np.sqrt(12) / 1.2))
    assert wall_sigma(40, printer) == pytest.approx(0.05, abs=0.001)


def test_each_face_has_its_own_error_and_a_flat_wall_is_no_hole() -> None:
    """Likely, mm a face: round hole 0.10, boss 0.05, flat 0.02 (makers' practice and from memory)."""
    printer = PrinterSettings()
    assert [face_error(face, printer) for face in ("hole", "boss", "flat")] == pytest.approx(
        [0.10, 0.05, 0.02]
    )
    none = PrinterSettings(flat_error_mm=0.0)
    assert face_error("flat", none) == 0.0 and face_error("hole", none) == pytest.approx(0.10)


def test_all_of_it_is_read_once() -> None:
    made = Print.of(Settings(material="petg"))
    assert made.poisson == material("petg").poisson
    assert made.mu == pytest.approx(np.sqrt(0.13 * 0.21))


def test_the_scatter_of_a_squeezed_pair_adds_up() -> None:
    """ln(mu k) of printed PLA: friction 0.35 (Santana 2020, 0.12 to 0.38 as 5th and 95th percentile), modulus
    0.15 and model 0.40 (proposals), 5 % on a wall's thickness cubed 0.15; all of it 0.57."""
    made = Print.of(Settings())
    parts = (made.mu_sigma, MODULUS_SIGMA, 3 * 0.05, MODEL_SIGMA)
    assert parts == pytest.approx((0.35, 0.15, 0.15, 0.40), abs=0.005)
    assert np.sqrt(np.sum(np.square(parts))) == pytest.approx(0.57, abs=0.005)
