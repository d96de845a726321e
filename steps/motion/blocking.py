"""Which way a part can leave: whole infinite moves decided from depth maps.

Sweeping part A along d hits part B exactly when some line parallel to d enters A before it leaves B.
Per line that needs only A's first and B's last crossing. Both are kept as pictures ("depth maps") of
the shape seen along d, made once per shape and orientation with two passes of parallel rays. How far
B reaches past A, as a function of the sideways offset alone, is then one number per situation
(:meth:`Motion.reach`); the distance along d merely shifts it, so a tall column of alike parts is one
situation.

Overlaps narrower than the motion tolerance are ignored, across the move (a window that every blocking
patch must fill) and along it, or a press fit would lock itself. The tolerances are shares of the
measured pitch, so a model printed four times as big does not lock.
"""

from __future__ import annotations

import weakref
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from steps.model import Array, IntArray, Joint, Joints, Measures, Model
from steps.motion.depth import (
    SLIVER_PIXELS,
    DepthMap,
    FloatMap,
    RayShape,
    depth_map,
    layers_of,
    narrow_filter,
    reach_past,
    shared_pixels,
)
from steps.motion.turning import Turning
from steps.progress import tick, ticking
from steps.ties import least_axis

#: Depth map pixels per pitch. A wall a tenth of a pitch thick then covers three pixels.
PIXELS_PER_PITCH = 32
#: Overlap along the move that is ignored, in pitches: seated studs overlap by an
#: eightieth of a pitch in files by others.
ALONG_SHARE = 0.05
#: Longest side of a depth map, pixels: keeps a model of one huge part within memory.
MOST_PIXELS = 1500
#: Two directions are one when closer than this, as the cosine of 0.25 degrees.
SAME_DIRECTION = float(np.cos(np.radians(0.25)))
#: A snap lets go along directions this close to its axis (cosine of 20 degrees): a posed ball joint's
#: pin is seldom square to the mouth of its cup.
LET_GO_CONE = float(np.cos(np.radians(20.0)))


def _frame(direction: Array, axes: Array) -> Array:
    """Right-handed (3, 3) frame with ``direction`` last, its first axis along an axis of the parts."""
    level = np.abs(axes @ direction) < 1e-6
    across = axes[int(np.argmax(level))] if level.any() else np.eye(3)[least_axis(direction)]
    across = across - (across @ direction) * direction
    across = across / np.linalg.norm(across)
    return np.column_stack([across, np.cross(direction, across), direction])


def distinct_directions(candidates: Iterable[Array]) -> list[Array]:
    """The candidates without repeats or opposites of earlier ones, in order of first appearance."""
    kept: list[Array] = []
    for candidate in candidates:
        direction = np.asarray(candidate, dtype=float)
        length = np.linalg.norm(direction)
        if length < 1e-9:
            continue
        direction = direction / length
        if all(abs(direction @ other) < SAME_DIRECTION for other in kept):
            kept.append(direction)
    return kept


def typical_length(model: Model, measures: Measures) -> float:
    """The pitch, or half the median of the parts' least sizes where no shape has two studs, mm."""
    if measures.pitch_mm:
        return float(measures.pitch_mm)
    least = [shape.size_mm.min() for shape in model.shapes]
    return float(np.median([least[row] for row in model.shape_index])) / 2 if least else 1.0


def lets_go(joint: Joint) -> bool:
    """Whether the joint is blocked in every direction and yet comes apart along its axis."""
    return joint.kind == "ball" or joint.snap_mm > 0


class Motion:
    """Answers "does moving part a along direction d hit part b?" for one model.

    Directions come in pairs: index 2k and 2k + 1 are opposite. The main axes come first, then the
    joints' axes in joint order, then whatever :meth:`direction_index` is asked for.
    """

    def __init__(self, model: Model, measures: Measures, joints: Joints | None = None):
        self.model = model
        self.length_mm = typical_length(model, measures)
        longest = max((float(shape.size_mm.max()) for shape in model.shapes), default=1.0)
        self.pixel_mm = max(self.length_mm / PIXELS_PER_PITCH, longest / MOST_PIXELS)
        self.along_mm = ALONG_SHARE * self.length_mm
        self._axes = self._part_axes()
        self._rays: dict[int, RayShape] = {}
        self._look_of: dict[tuple[int, ...], int] = {}
        self._look_shape: list[int] = []
        self._look_frame: list[Array] = []
        self._maps: dict[int, DepthMap] = {}
        self._layers: dict[int, list[tuple[FloatMap, FloatMap]]] = {}
        self._reach: dict[tuple[int, int, int, int], float] = {}
        self._half: list[_HalfSpace] = []
        self._let_go: dict[tuple[int, int], tuple[Array, ...]] = {}
        self.turning = Turning(model, SLIVER_PIXELS * self.pixel_mm)
        joints = joints or Joints(())
        for direction in distinct_directions(
            [*np.eye(3)[[2, 0, 1]], *(self._exact(joint.axis) for joint in ticking(joints.joints))]
        ):
            self._add(direction)
        self._note_snaps(joints)

    # -- directions

    @property
    def directions(self) -> Array:
        """(n, 3) unit vectors, opposite ones next to each other."""
        return np.array([sign * half.frame[:, 2] for half in self._half for sign in (1, -1)])

    def direction_index(self, direction: Sequence[float] | Array) -> int:
        """Index of ``direction``, which is added when new."""
        wanted = np.asarray(direction, dtype=float)
        wanted = wanted / np.linalg.norm(wanted)
        for row, half in enumerate(self._half):
            cosine = float(half.frame[:, 2] @ wanted)
            if abs(cosine) >= SAME_DIRECTION:
                return 2 * row + (cosine < 0)
        self._add(wanted)
        return 2 * (len(self._half) - 1)

    def vector(self, index: int) -> Array:
        """(3,) the unit vector of a direction."""
        axis = self._half[index >> 1].frame[:, 2]
        return -axis if index & 1 else axis

    def half(self, index: int) -> _HalfSpace:
        """Where every part lies in the frame of a direction (of the even one of its pair)."""
        return self._half[index >> 1]

    def _add(self, direction: Array) -> None:
        self._half.append(_HalfSpace(self, _frame(direction, self._axes)))

    def _part_axes(self) -> Array:
        """Distinct axes of the parts' poses, of either sense, most frequent first, then by the first part
        that has them, then the most upright: which of its poses a file writes for something symmetric shows
        in none of these."""
        columns = np.round(np.swapaxes(self.model.poses[:, :3, :3], 1, 2).reshape(-1, 3), 9) + 0.0
        if not len(columns):
            return np.eye(3)
        last = 2 - np.argmax(columns[:, ::-1] != 0, axis=1)
        columns *= np.sign(np.take_along_axis(columns, last[:, None], axis=1))
        axes, first, count = np.unique(columns + 0.0, axis=0, return_index=True, return_counts=True)
        return axes[np.lexsort((*-axes.T, first // 3, -count))]

    def _exact(self, axis: Array) -> Array:
        """A measured axis, replaced by the axis of a part's pose that it agrees with."""
        cosines = self._axes @ axis
        best = int(np.argmax(np.abs(cosines)))
        return self._axes[best] if abs(cosines[best]) >= SAME_DIRECTION else axis

    # -- depth maps

    def looks(self, frame: Array) -> NDArray[np.int64]:
        """(parts,) which depth map shows each part in ``frame``."""
        turned = np.einsum("pji,jk->pik", self.model.poses[:, :3, :3], frame).reshape(-1, 9)
        table = np.column_stack([self.model.shape_index, np.round(turned * 1e5).astype(np.int64)])
        distinct, first, inverse = np.unique(table, axis=0, return_index=True, return_inverse=True)
        ids = np.empty(len(distinct), dtype=np.int64)
        for row, key in enumerate(map(tuple, distinct.tolist())):
            if key not in self._look_of:
                self._look_of[key] = len(self._look_shape)
                self._look_shape.append(int(key[0]))
                self._look_frame.append(turned[first[row]].reshape(3, 3))
            ids[row] = self._look_of[key]
        return ids[inverse.reshape(-1)]

    def look_bounds(self, look: int) -> Array:
        """(2, 3) least and greatest coordinates of the shape in its look's frame."""
        seen = self.model.shapes[self._look_shape[look]].vertices @ self._look_frame[look]
        return np.array([seen.min(axis=0), seen.max(axis=0)])

    def map(self, look: int) -> DepthMap:
        """The depth map of a look, made when first asked for."""
        if look not in self._maps:
            row = self._look_shape[look]
            shape = self.model.shapes[row]
            if row not in self._rays:
                self._rays[row] = RayShape(shape)
            self._maps[look] = depth_map(shape, self._look_frame[look], self.pixel_mm, self._rays[row])
        return self._maps[look]

    def reach(self, look_a: int, look_b: int, rows: int, columns: int) -> float:
        """:func:`reach_past` of two looks, remembered per situation."""
        key = (look_a, look_b, rows, columns)
        found = self._reach.get(key)
        if found is None:
            tick()
            found = self._reach[key] = reach_past(self.map(look_a), self.map(look_b), rows, columns)
        return found

    # -- questions

    def blocks(self, a: int, b: int, direction: int) -> bool:
        """Whether part row ``a``, moved along ``direction`` for ever, hits part row ``b``."""
        if self._let_go and self._exempt(a, b, direction):
            return False
        if direction & 1:  # a going back hits b exactly when b going forth hits a
            a, b = b, a
        return self._half[direction >> 1].overlap(a, b) > self.along_mm

    def hits_within(self, a: int, b: int, direction: int, length_mm: float) -> bool:
        """Whether part row ``a``, moved along ``direction`` by ``length_mm`` and no further, hits ``b``."""
        if self._let_go and self._exempt(a, b, direction):
            return False
        if direction & 1:
            a, b = b, a
        return self._half[direction >> 1].meets(a, b, length_mm)

    def blocks_from(self, a: int, b: int, direction: int, offset: Array) -> bool:
        """As :meth:`blocks`, with ``a`` first shifted by ``offset`` (3,) mm."""
        if self._let_go and self._exempt(a, b, direction):
            return False
        if direction & 1:
            a, b, offset = b, a, -offset
        half = self._half[direction >> 1]
        return half.overlap(a, b, offset @ half.frame) > self.along_mm

    def on_the_way(
        self,
        part: int,
        direction: int,
        others: IntArray,
        length_mm: float = np.inf,
        offset: Array | None = None,
    ) -> list[int]:
        """Those of ``others`` whose boxes the part's box meets on a move, from ``offset`` on."""
        half = self._half[direction >> 1]
        box = half.boxes[part] + (np.zeros(3) if offset is None else offset @ half.frame)
        low, high = box[0].copy(), box[1].copy()
        if direction & 1:
            low[2] -= length_mm
        else:
            high[2] += length_mm
        boxes = half.boxes[others]
        near = np.all((boxes[:, 0] < high) & (boxes[:, 1] > low), axis=1)
        return [int(other) for other in others[near]]

    def layers(self, look: int) -> list[tuple[FloatMap, FloatMap]]:
        """Every stretch of material of a look, made when first asked for."""
        if look not in self._layers:
            row = self._look_shape[look]
            seen = self.map(look)
            self._layers[look] = layers_of(
                self.model.shapes[row], self._look_frame[look], seen, self.pixel_mm, self._rays[row]
            )
        return self._layers[look]

    def _exempt(self, a: int, b: int, direction: int) -> bool:
        axes = self._let_go.get((a, b))
        return axes is not None and any(axis @ self.vector(direction) > LET_GO_CONE for axis in axes)

    def _note_snaps(self, joints: Joints) -> None:
        for joint in joints.joints:
            if lets_go(joint):
                a, b = self.model.index_of[joint.a], self.model.index_of[joint.b]
                self._let_go[a, b] = (-joint.axis,)
                self._let_go[b, a] = (joint.axis,)


class _HalfSpace:
    """All parts in the frame of one direction and its opposite."""

    def __init__(self, motion: Motion, frame: Array):
        self.motion = weakref.proxy(motion)  # whose own it is: no circle, and its depth maps go with it
        self.frame = frame
        self.at = motion.model.poses[:, :3, 3] @ frame  # (parts, 3) origins: across, across, along
        self.looks = motion.looks(frame)
        self._boxes: Array | None = None
        self._met: dict[tuple[int, int, float], bool] = {}
        # plain lists: single look-ups are several times faster than on arrays
        self._pixels = (self.at[:, :2] / motion.pixel_mm).tolist()
        self._along = self.at[:, 2].tolist()
        self._look_list = self.looks.tolist()

    @property
    def boxes(self) -> Array:
        """(parts, 2, 3) bounds of every part in the frame, mm."""
        if self._boxes is None:
            distinct = np.unique(self.looks)
            bounds = np.array([self.motion.look_bounds(int(look)) for look in ticking(distinct)])
            self._boxes = bounds[np.searchsorted(distinct, self.looks)] + self.at[:, None, :]
        return self._boxes

    def overlap(self, a: int, b: int, shift: Array | None = None) -> float:
        """How far b reaches past a along the frame's direction, mm; -inf where they pass.

        ``shift`` (3,) in the frame is added to a's place.
        """
        rows, columns, along = self._offset(a, b, shift)
        return self.motion.reach(self._look_list[a], self._look_list[b], rows, columns) + along

    def meets(self, a: int, b: int, length_mm: float) -> bool:
        """Whether a, moved by ``length_mm`` along the direction, runs into b by more than the tolerance; each
        pair is asked about again and again."""
        asked = (a, b, length_mm)
        if asked not in self._met:
            self._met[asked] = self._meets(a, b, length_mm)
        return self._met[asked]

    def _meets(self, a: int, b: int, length_mm: float) -> bool:
        rows, columns, along = self._offset(a, b, None)
        looks = self._look_list[a], self._look_list[b]
        shared = shared_pixels(self.motion.map(looks[0]), self.motion.map(looks[1]), rows, columns)
        if shared is None:
            return False
        of_a, of_b, window = shared
        for enters_a, leaves_a in self.motion.layers(looks[0]):
            for enters_b, leaves_b in self.motion.layers(looks[1]):
                end = np.minimum(leaves_a[of_a] + length_mm, leaves_b[of_b] + along)
                start = np.maximum(enters_a[of_a], enters_b[of_b] + along)
                if narrow_filter(end - start, window).max() > self.motion.along_mm:
                    return True
        return False

    def _offset(self, a: int, b: int, shift: Array | None) -> tuple[int, int, float]:
        """From a to b: pixel rows and columns across, mm along."""
        here, there = self._pixels[a], self._pixels[b]
        rows, columns = there[0] - here[0], there[1] - here[1]
        along = self._along[b] - self._along[a]
        if shift is not None:
            rows -= shift[0] / self.motion.pixel_mm
            columns -= shift[1] / self.motion.pixel_mm
            along -= float(shift[2])
        return round(rows), round(columns), along
