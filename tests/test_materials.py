"""Material figures: every one has a source, and the published ones are the published ones."""

from __future__ import annotations

import pytest

from steps.errors import WrongSettings
from steps.materials import material, materials
from steps.settings import Settings


def test_every_figure_has_a_source() -> None:
    for row in materials().values():
        assert set(row.source) == set(row.__dataclass_fields__) - {"name", "source"}
        assert all(row.source.values())


def test_every_material_a_user_may_set_has_figures() -> None:
    for name in Settings.model_fields["material"].annotation.__args__:
        assert material(name).density_g_cm3 > 0


@pytest.mark.parametrize(
    ("name", "density", "tensile", "modulus"),
    [("pla", 1.25, 53, 3.5), ("petg", 1.27, 50, 2.0), ("abs", 1.04, 40, 2.1)],
)
def test_published_figures(name: str, density: float, tensile: float, modulus: float) -> None:
    """Processes 2025 13:2733."""
    row = material(name)
    assert (row.density_g_cm3, row.tensile_mpa, row.e_gpa) == (density, tensile, modulus)


def test_published_friction() -> None:
    """Santana 2020, 10.1177/1464420720978997."""
    assert material("pla").friction == (0.12, 0.38)
    assert material("petg").friction == (0.13, 0.21)


def test_an_unknown_material_is_named() -> None:
    with pytest.raises(WrongSettings, match="wood"):
        material("wood")
