"""What printing makes of a drawn part: modulus, friction, wall, infill, errors of size, and what time leaves.

Every figure is a median with the standard deviation of its logarithm, or a mean with its deviation, so that
bands can be drawn from them. Lengths mm, moduli MPa.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steps.materials import Material, material
from steps.settings import PrinterSettings, Settings

#: Modulus across the layers over that along them (from memory: 0.75 to 1.0): walls hang from their roof.
ACROSS_LAYERS = 0.9
#: Standard deviations of logarithms: modulus between printers; stiffness of a spring as modelled, until
#: pulls on the fit card are in (proposals).
MODULUS_SIGMA, MODEL_SIGMA = 0.15, 0.40
#: A round hole grips a printed peg on some spots only: share of a whole press fit, 10th to 90th percentile
#: 0.03 to 0.25 (a proposal, from a shop's guide that gives 50 to 200 N for pegs of printed PETG or ABS).
HOLE_SHARE, HOLE_SIGMA = 0.1, 0.83
#: Pulls measured on the card leave so much (proposal).
CARD_SIGMA = 0.25
#: A wall's thickness as printed, a standard deviation as a share of it (proposal).
WALL_SPREAD = 0.05
#: A line of plastic is this many nozzles wide (common practice), and walls are whole lines of it.
LINE_NOZZLES = 1.125
#: Normal quantile of the 95th and 90th percentile.
Z95, Z90 = 1.6449, 1.2816
#: Error of a squeeze, both sides together, mm: shared by the whole print, and of each face (proposal; a
#: quarter of IT13 of ISO 286 at 3 to 50 mm is 0.046 to 0.098; one tuned printer 0.03 to 0.05).
SHARED_ERROR_MM, OWN_ERROR_MM = 0.04, 0.03
#: The same where stud and socket were read by calliper: 0.02 a reading (from memory), two readings.
CALLIPER_ERROR_MM = 0.03
#: Strain at which a printed wall or ring cracks between its layers, or has given way (proposal).
CRACK_STRAIN = 0.015
#: A month, and the range of the exponent about its likely value: grip = (t / 1 min)^-m, m 0.03 to 0.10 about
#: 0.065 (proposal; no study of press fits over weeks was found).
MONTH_MIN = 30 * 24 * 60.0
SLOWEST, FASTEST = 0.03 / 0.065, 0.10 / 0.065
#: Load of a contact line at which its give is read, N per mm over E r: 1 N/mm at E 2500, r 10.
LINE_LOAD = 4e-5


def modulus(plastic: Material) -> float:
    """Likely modulus (MPa) of a printed wall that bends across its layers."""
    return ACROSS_LAYERS * 1000 * float(np.sqrt(plastic.e_low_gpa * plastic.e_gpa))


def friction(plastic: Material) -> tuple[float, float]:
    """Median of the friction, and the standard deviation of its logarithm, from its 5th and 95th
    percentile."""
    low, high = plastic.friction
    return float(np.sqrt(low * high)), float(np.log(high / low) / (2 * Z95))


def grip_left(minutes: float, exponent: float) -> float:
    """Share of the grip of the first minute that is left: (t / 1 min)^-m."""
    return float(max(minutes, 1.0) ** -exponent)


def ageing(plastic: Material, minutes: float = MONTH_MIN) -> tuple[float, float, float]:
    """Share of the grip left: low, likely, high. The likely one after a month is the material's figure."""
    exponent = -np.log(plastic.relaxation) / np.log(MONTH_MIN)
    low, likely, high = (grip_left(minutes, exponent * times) for times in (FASTEST, 1.0, SLOWEST))
    return low, likely, high


def line_width(printer: PrinterSettings) -> float:
    """Width of a printed line, mm."""
    return LINE_NOZZLES * printer.nozzle_mm


def wall_sigma(thickness: float, printer: PrinterSettings) -> float:
    """Standard deviation of ln(thickness): its own scatter, and "3 lines or 2?".

    A slicer makes whole lines of a wall, rounded up or down: even over one line.
    """
    lines = line_width(printer) / np.sqrt(12) / max(thickness, line_width(printer))
    return float(np.hypot(WALL_SPREAD, lines))


def infill_share(density: float) -> float:
    """Modulus of the infill over that of the plastic.

    Between density^2 and density / 2 for light infill (Gibson and Ashby, Cellular Solids; from memory), the
    geometric mean of them; the plastic's own when full.
    """
    light = 1 / np.sqrt(2)
    return float(density**1.5 * (light + (1 - light) * density))


def bending_share(thickness: float, printer: PrinterSettings) -> float:
    """Share of a full wall's bending stiffness that its printed skins and infill have, 1 where it is all
    skin."""
    inside = max(thickness - 2 * printer.wall_mm, 0.0) / max(thickness, 1e-9)
    return 1 - (1 - infill_share(printer.infill)) * inside**3


def skin_share(thickness: float, printer: PrinterSettings) -> float:
    """Share of a full wall's stretching stiffness that its printed skins and infill have, 1 where it is all
    skin."""
    skins = min(thickness, 2 * printer.wall_mm)
    return (skins + infill_share(printer.infill) * (thickness - skins)) / max(thickness, 1e-9)


def face_error(face: str, printer: PrinterSettings) -> float:
    """By how much (mm) printing brings one face nearer to its mate: half the error of a diameter for bosses
    and holes; a flat wall is no hole and has its own."""
    if face == "boss":
        return printer.boss_error_mm / 2
    return -printer.hole_error_mm / 2 if face == "hole" else printer.flat_error_mm


@dataclass(frozen=True)
class Print:
    """What the forces need of material and printer, read once."""

    e: float
    poisson: float
    mu: float
    mu_sigma: float
    printer: PrinterSettings
    ageing: tuple[float, float, float]

    @staticmethod
    def of(settings: Settings) -> Print:
        """Raises WrongSettings for a material without figures."""
        plastic = material(settings.material)
        mu, sigma = friction(plastic)
        return Print(modulus(plastic), plastic.poisson, mu, sigma, settings.printer, ageing(plastic))
