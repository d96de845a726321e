"""Does it fit the bed, how much filament and time does it take, which corners want an ear."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, pi

import numpy as np
import shapely
import trimesh

from steps.materials import material
from steps.model import Array, Problem, frozen_array
from steps.settings import PrinterSettings, Settings

FILAMENT_MM = 1.75  #: diameter; 1 m is 2.405 cm3
#: Seconds lost a layer and a print. Common practice, no source.
LAYER_S, START_S = 4.0, 300.0
#: Supports are printed this densely (common practice, no source).
SUPPORT_DENSITY = 0.15
#: Corners of the first layer sharper than this lift first (degrees). Common practice, no source.
SHARP_DEGREES = 100.0
#: Prints shorter than this do not lift (mm). Common practice, no source.
SHORT_MM = 60.0
#: Corners between edges shorter than this are rounding, not corners (mm).
EDGE_MM = 3.0
#: Ends of a section's lines that agree to so many digits (mm) are one corner.
JOIN_DIGITS = 5
#: Turns about the upright tried to fit a long part on the bed (degrees); a quarter turn before a slant.
TURNS = np.add.outer(np.arange(0.0, 90.0, 1.0), (0.0, 90.0)).ravel()


@dataclass(frozen=True)
class BedFit:
    """``turn_degrees`` about the upright makes it fit; ``largest_scale`` is absolute, as --scale."""

    fits: bool
    turn_degrees: float
    largest_scale: float
    size_mm: tuple[float, float, float]  #: as it lies, before that turn

    @property
    def largest_scale_told(self) -> float:
        """Rounded down to two decimals: the scale that is named must fit."""
        return floor(self.largest_scale * 100) / 100


def bed_fit(vertices: Array, scale: float, printer: PrinterSettings) -> BedFit:
    """A mesh with ``vertices`` (n, 3) as it lies on the bed at ``scale``."""
    bed = printer.bed_mm
    hull = shapely.get_coordinates(shapely.MultiPoint(vertices[:, :2]).convex_hull)
    angles = np.radians(TURNS)
    ways = np.stack([np.cos(angles), -np.sin(angles), np.sin(angles), np.cos(angles)], axis=-1)
    turned = np.einsum("aij,pj->api", ways.reshape(-1, 2, 2), hull)
    extent = np.ptp(turned, axis=1)
    high = float(np.ptp(vertices[:, 2]))
    across = np.min(np.array(bed[:2]) / extent, axis=1)
    room = np.minimum(across, bed[2] / high)
    straight = np.flatnonzero(room >= 1.0)
    best = int(straight[0]) if len(straight) else int(np.argmax(room))
    size = (float(extent[0, 0]), float(extent[0, 1]), high)
    return BedFit(bool(room[best] >= 1.0), float(TURNS[best]), float(room.max()) * scale, size)


def too_large(name: str, fit: BedFit, printer: PrinterSettings, parts: tuple[str, ...] = ()) -> Problem:
    """What to say of a print that does not fit the bed."""
    size, bed = (" x ".join(f"{value:.0f}" for value in lengths) for lengths in (fit.size_mm, printer.bed_mm))
    text = (
        f"{name}: {size} mm as it lies, larger than the bed ({bed} mm). "
        f"The largest scale that fits is {fit.largest_scale_told:g}."
    )
    return Problem("too-large-for-bed", "warning", parts, text)


@dataclass(frozen=True)
class Consumption:
    """Of one copy. Grams are the shape's printed mass; supports come on top."""

    grams: float
    metres: float
    support_g: float
    minutes: float


def consumption(
    printed_g: float, support_mm2: float, height_mm: float, height_to_support_mm: float, settings: Settings
) -> Consumption:
    """Filament and time of one copy, from the printed mass (walls and infill) of its measures."""
    density = material(settings.material).density_g_cm3
    support_g = support_mm2 * height_to_support_mm * SUPPORT_DENSITY * density / 1000
    printer = settings.printer
    plastic_mm3 = (printed_g + support_g) / density * 1000
    flow = printer.speed_mm_s * printer.nozzle_mm * printer.layer_mm
    seconds = START_S + plastic_mm3 / flow + LAYER_S * ceil(height_mm / printer.layer_mm)
    metres = (printed_g + support_g) / density * 1000 / (pi / 4 * FILAMENT_MM**2) / 1000
    return Consumption(printed_g, metres, support_g, seconds / 60)


def ear_corners(mesh: trimesh.Trimesh, layer_mm: float) -> Array:
    """(k, 2) corners of the first layer that want a small round brim, in the mesh's x and y."""
    found: list[Array] = []
    if np.ptp(mesh.vertices[:, :2], axis=0).max() >= SHORT_MM:
        for outline in shapely.get_parts(_first_layer(mesh, layer_mm)):
            found.extend(_corners(outline))
    return frozen_array(np.array(found).reshape(-1, 2), (None, 2), "corners")


def _first_layer(mesh: trimesh.Trimesh, layer_mm: float) -> shapely.Geometry:
    """What the first layer covers, holes filled."""
    middle = [0.0, 0.0, float(mesh.vertices[:, 2].min()) + layer_mm / 2]
    lines = trimesh.intersections.mesh_plane(mesh, [0.0, 0.0, 1.0], middle)[:, :, :2]
    outlines = shapely.build_area(shapely.multilinestrings(shapely.linestrings(lines.round(JOIN_DIGITS))))
    return shapely.union_all(shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(outlines))))


def _corners(outline: shapely.Polygon) -> list[Array]:
    """Sharp corners of the outline's convex hull: what is further in does not lift."""
    ring = shapely.get_coordinates(outline.convex_hull.simplify(0.01).exterior)[:-1]
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    lengths = np.minimum(np.linalg.norm(before, axis=1), np.linalg.norm(after, axis=1))
    turn = np.abs(
        np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1))
    )
    sharp = (np.degrees(pi - turn) < SHARP_DEGREES) & (lengths > EDGE_MM)
    return list(ring[sharp])
