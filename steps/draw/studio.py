"""The studio: what all pictures of one plan share, computed once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from renderer.camera import ISOMETRIC_ELEVATION, Camera, axes_of
from renderer.hatch import choose_hatches
from renderer.ink import Inked, Pen, ink_on
from renderer.solid import Solid
from renderer.source import GuardedSource, choose_source
from renderer.table import Item, PixelTable, Role
from steps.draw.seeing import samples
from steps.model import Array, Closer, Joint, Part, Plan, Shape, Sight, Step, View
from steps.progress import ticking
from steps.remembered import remembered
from steps.sequence import Moment
from steps.settings import Settings

#: Where a plan without sights is looked at from.
USUAL_VIEW = View(azimuth=float(np.radians(-45.0)), elevation=ISOMETRIC_ELEVATION)
#: Scenes are kept for the next step from the same place, which adds only a few parts, while they have no
#: more pixels than this: two drawings of a sheet and their overviews, 80 MB.
KEPT_PIXELS = 5_000_000


@dataclass(frozen=True, eq=False)
class Backdrop:
    """What is in place in one view, and the same drawn."""

    keys: frozenset[int]
    table: PixelTable
    drawn: Inked


@dataclass(frozen=True, eq=False)
class Studio:
    """A plan ready to be drawn. Part keys in pixel tables are rows of ``plan.model.parts``."""

    plan: Plan
    settings: Settings
    _scenes: dict[tuple[bytes, Role], Backdrop] = field(default_factory=dict, repr=False)
    _items: dict[tuple[str, Role], Item] = field(default_factory=dict, repr=False)
    _samples: dict[tuple[str, bytes], Array] = field(default_factory=dict, repr=False)
    _bounds: dict[bytes, NDArray[np.float64]] = field(default_factory=dict, repr=False)
    frames: dict[tuple[float, float], dict[int, Array]] = field(default_factory=dict, repr=False)
    #: of a shape turned some way: where its upright faces look, and their area (steps/draw/heading.py)
    facings: dict[tuple[str, bytes], tuple[complex, float]] = field(default_factory=dict, repr=False)
    #: of an assembly lying some way up: the angle that it is turned by, radians
    headings: dict[tuple[str, bytes], float] = field(default_factory=dict, repr=False)

    @cached_property
    def solids(self) -> dict[str, Solid]:
        """The drawable solid of each shape."""
        return {shape.id: _solid(shape) for shape in ticking(self.plan.model.shapes)}

    @cached_property
    def source(self) -> GuardedSource:
        """What fills the pixel tables, by ``settings.pictures``."""
        return choose_source(self.settings.pictures)

    def begin_anew(self) -> None:
        """Go on as if nothing had been drawn yet: a picture that grew out of others may differ from one
        drawn from nothing in the last shade of a line, and must not tell which of them were drawn before."""
        self._scenes.clear()

    @property
    def notice(self) -> str:
        """One line for the user where OpenGL was asked for and rays had to take over; else empty."""
        return self.source.notice if "source" in self.__dict__ else ""

    @cached_property
    def hatches(self) -> Mapping[str, int] | None:
        """The hatch of each colour for black and white; None in colour."""
        return choose_hatches([part.colour for part in self.plan.model.parts]) if self.settings.mono else None

    @cached_property
    def _views(self) -> dict[int, Sight]:
        return {sight.number: sight for sight in self.plan.sights}

    def view(self, number: int) -> View:
        """Where step ``number`` is looked at from."""
        sight = self._views.get(number)
        return sight.view if sight else USUAL_VIEW

    def lift(self, step: Step) -> float:
        """How far the new parts of a step are lifted, in usual clear gaps."""
        sight = self._views.get(step.number)
        return sight.lift if sight else 1.0

    def closer(self, step: Step) -> tuple[Closer, ...]:
        """The closer looks that a step's drawing has."""
        sight = self._views.get(step.number)
        return sight.closer if sight else ()

    def axes(self, step: Step) -> Array:
        """(3, 3) camera axes of a step, the model standing as it does on the table."""
        view = self.view(step.number)
        return axes_of(view.azimuth, view.elevation, step.up)

    def moment(self, step: Step) -> Moment:
        """The step amid the build."""
        return self.plan.sequence.by_number[step.number]

    def samples(self, part: Part, axes: Array) -> Array:
        """(n, 3) points on what a part in place shows along camera axes; measured once for each shape
        and way it is turned."""
        turn = part.pose[:3, :3]
        key = (part.shape, (axes @ turn).round(9).tobytes())
        if key not in self._samples:
            turned = np.eye(4)
            turned[:3, :3] = turn
            self._samples[key] = samples(Item(self.solids[part.shape], turned, part.colour, 0), axes) @ axes.T
        return self._samples[key] @ axes + part.pose[:3, 3]

    def item(self, part_id: str, role: Role, shift: Array | None = None) -> Item:
        """A part as an item to draw, moved by ``shift`` (3,) mm."""
        key = (part_id, role)
        if key not in self._items:
            part = self.plan.model.part_by_id[part_id]
            row = self.plan.model.index_of[part_id]
            self._items[key] = Item(self.solids[part.shape], part.pose, part.colour, row, role)
        item = self._items[key]
        return item if shift is None or not np.any(shift) else item.moved(shift)

    def items(self, part_ids: Iterable[str], role: Role) -> list[Item]:
        return [self.item(part_id, role) for part_id in part_ids]

    def table(self, earlier: NDArray[np.int64], new: Sequence[Item], camera: Camera) -> PixelTable:
        """The pixel table of the parts in rows ``earlier``, in place, and of new items."""
        rows = earlier[self.in_picture(earlier, camera)].tolist()
        return self.source.table([*(self.item_of_key(row, "earlier") for row in rows), *new], camera)

    def drawn(
        self, earlier: NDArray[np.int64], new: Sequence[Item], camera: Camera, pen: Pen, role: Role
    ) -> tuple[PixelTable, Inked]:
        """The pixel table as above, and the same drawn, what is in place as ``role``. Only what
        the new items change of a picture of what is in place is drawn, and of that what was added since."""
        scene = self._scene(earlier, camera, role, pen)
        if not new:
            return scene.table, scene.drawn
        table = self.source.table(new, camera, scene.table)
        return table, self._redrawn(scene.drawn, table, new, pen, role)

    def _scene(self, earlier: NDArray[np.int64], camera: Camera, role: Role, pen: Pen) -> Backdrop:
        """The scene of the parts in rows ``earlier``, made from the last one of this view."""
        place = (camera_key(camera), role)
        rows = earlier[self.in_picture(earlier, camera)]
        keys = frozenset(rows.tolist())
        had = self._scenes.pop(place, None)
        if had is None or not had.keys <= keys:
            empty = PixelTable.empty(camera)
            had = Backdrop(frozenset(), empty, Inked.blank(camera.rows, camera.columns, pen.mm_per_pixel))
        added = [self.item_of_key(row, role) for row in rows.tolist() if row not in had.keys]
        if added:
            table = self.source.table(added, camera, had.table)
            had = Backdrop(keys, table, self._redrawn(had.drawn, table, added, pen, role))
        self._scenes[place] = had
        while len(self._scenes) > 1 and self._kept_pixels() > KEPT_PIXELS:
            self._scenes.pop(next(iter(self._scenes)))
        return had

    def _kept_pixels(self) -> int:
        return sum(scene.table.key.size for scene in self._scenes.values())

    def _redrawn(self, drawn: Inked, table: PixelTable, added: Sequence[Item], pen: Pen, role: Role) -> Inked:
        """A picture with items added, in place or not, that the table shows; what else shows is in place."""
        own = {item.key: item for item in added}

        def items(keys: NDArray[np.intp]) -> list[Item]:
            return [own.get(key) or self.item_of_key(key, role) for key in keys.tolist()]

        return ink_on(drawn, table, added, items, pen)

    def in_picture(self, rows: NDArray[np.int64], camera: Camera, room: float = 0.0) -> NDArray[np.bool_]:
        """(n,) whether the box of each part in place comes within ``room`` mm of the picture."""
        bounds = self.bounds_along(camera.axes)[rows]
        middle = camera.axes[:2] @ camera.centre
        half = np.array([camera.columns, camera.rows]) / 2 * camera.pixel + room
        inside = (bounds[:, 0, :2] <= middle + half) & (bounds[:, 1, :2] >= middle - half)
        return np.asarray(inside.all(axis=1))

    def item_of_key(self, key: int, role: Role) -> Item:
        return self.item(self.plan.model.parts[key].id, role)

    def surface_of(self, keys: NDArray[np.int32], faces: NDArray[np.int32]) -> NDArray[np.int64]:
        """(n,) a number for each surface without a line on it, of faces of parts."""
        found = np.zeros(len(keys), np.int64)
        for key in np.unique(keys).tolist():
            of = keys == key
            patch = self.solids[self.plan.model.parts[key].shape].patch
            found[of] = (np.int64(key) << 32) + patch[faces[of]]
        return found

    @cached_property
    def joints_of(self) -> dict[str, tuple[Joint, ...]]:
        return dict(self.plan.joints.of_part)

    def bounds_along(self, axes: Array) -> NDArray[np.float64]:
        """(parts, 2, 3) least and greatest extent of each part in place along camera axes."""
        key = axes.round(12).tobytes()
        if key not in self._bounds:
            self._bounds[key] = _bounds_along(self, axes)
        return self._bounds[key]


#: What is known of the solid of each shape: views are chosen in one studio, and pictures drawn in another.
_known: WeakKeyDictionary[Shape, Mapping[str, Any]] = WeakKeyDictionary()


def _solid(shape: Shape) -> Solid:
    solid = Solid(shape.vertices, shape.faces)
    if shape not in _known:
        _known[shape] = remembered("solid", (shape.vertices, shape.faces), solid.worked_out)
    return solid.knowing(_known[shape])


def _bounds_along(studio: Studio, axes: Array) -> NDArray[np.float64]:
    model = studio.plan.model
    found = np.empty((len(model.parts), 2, 3))
    for row, shape in enumerate(ticking(model.shapes)):
        of = np.flatnonzero(model.shape_index == row)
        outer = studio.solids[shape.id].outer
        for chunk in np.array_split(of, 1 + len(of) * len(outer) // 1_000_000):
            turn = axes @ model.poses[chunk, :3, :3]
            seen = np.einsum("pij,vj->pvi", turn, outer) + (model.poses[chunk, :3, 3] @ axes.T)[:, None]
            found[chunk, 0], found[chunk, 1] = seen.min(axis=1), seen.max(axis=1)
    return found


def camera_key(camera: Camera) -> bytes:
    """Same bytes for the same camera."""
    numbers = [*camera.axes.ravel(), *camera.centre, camera.pixel, camera.columns, camera.rows]
    return np.array(numbers, dtype=np.float64).tobytes()
