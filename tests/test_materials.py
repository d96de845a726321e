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


#: g/cm3, GPa along the layers and its low end, MPa, Poisson's ratio, friction on itself, share of the grip
#: left after a month. Processes 2025 13:2733: density, modulus, strength of pla, petg, abs; Santana 2020,
#: 10.1177/1464420720978997: friction of pla and petg; the rest from memory, what is left of the grip a guess.
PUBLISHED = {
    "pla": (1.25, 3.5, 2.3, 53.0, 0.36, (0.12, 0.38), 0.5),
    "petg": (1.27, 2.0, 1.5, 50.0, 0.36, (0.13, 0.21), 0.5),
    "abs": (1.04, 2.1, 1.6, 40.0, 0.36, (0.2, 0.4), 0.6),
    "asa": (1.07, 2.1, 1.6, 40.0, 0.36, (0.2, 0.4), 0.6),
    "tpu": (1.20, 0.05, 0.03, 30.0, 0.48, (0.3, 0.6), 0.5),
    "nylon": (1.12, 1.5, 1.0, 50.0, 0.4, (0.15, 0.35), 0.5),
}


def test_figures_stand_as_beside_their_source() -> None:
    assert {
        name: (
            row.density_g_cm3,
            row.e_gpa,
            row.e_low_gpa,
            row.tensile_mpa,
            row.poisson,
            row.friction,
            row.relaxation,
        )
        for name, row in materials().items()
    } == PUBLISHED


def test_an_unknown_material_is_named() -> None:
    with pytest.raises(WrongSettings, match="wood"):
        material("wood")
