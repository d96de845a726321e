"""Pixel tables by OpenGL, through pyrender's off-screen renderer.

All triangles of a batch go up as one mesh, each in a flat colour that is its number; one node per part
would be far slower. Face numbers come back as colours, so multisampling must be off: a blend of two
numbers is a third. Depth is not read back: pyrender turns the depth buffer into millimetres by the
perspective formula even for an orthographic camera, and 24 bits are coarser than the face's own plane,
from which it is computed here.

pyrender is imported late and guarded. It fails to import where there is no OpenGL, and a driver may
crash: :func:`probe` tries it in a process of its own.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from renderer.beat import beating
from renderer.camera import SAMPLE, Camera
from renderer.facing import Facing
from renderer.table import LEVEL_MM, Cast, Item, PixelTable

#: Triangles in one batch: three vertices of 28 bytes each, 25 MB.
BATCH = 300_000
#: Platforms of PyOpenGL to try, in turn: EGL needs no display; OSMesa is software; "" is the default.
PLATFORMS = ("egl", "osmesa", "")
#: A driver that has not answered by then is broken (s). Software GL needs about 2 s on one core.
PATIENCE_S = 30.0
#: Words by which OpenGL in software is told: Mesa's rasterisers, and what comes with systems (from memory).
SOFTWARE = ("llvmpipe", "softpipe", "swrast", "software", "gdi generic", "basic render")


@dataclass(frozen=True)
class GlProbe:
    """What OpenGL there is: the platform for PYOPENGL_PLATFORM, and who renders."""

    works: bool
    platform: str = ""
    renderer: str = ""
    reason: str = ""  #: why it does not work, one line

    @property
    def software(self) -> bool:
        return any(word in self.renderer.lower() for word in SOFTWARE)


def probe(platforms: Sequence[str] = PLATFORMS) -> GlProbe:
    """Draw a small scene in a process of its own, on each platform until one works. A platform set in
    the environment (PYOPENGL_PLATFORM) is tried alone."""
    wished = os.environ.get("PYOPENGL_PLATFORM")
    reason = "no platform to try"
    for platform in (wished,) if wished else platforms:
        environment = {**os.environ, "PYOPENGL_PLATFORM": platform}
        if not platform:
            del environment["PYOPENGL_PLATFORM"]
        try:
            run = subprocess.run(
                [sys.executable, "-m", "renderer.raster"],
                capture_output=True,
                text=True,
                timeout=PATIENCE_S,
                env=environment,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            reason = str(error).splitlines()[0]
            continue
        answer = run.stdout.strip().splitlines()
        if run.returncode == 0 and answer and answer[-1].startswith("renderer: "):
            return GlProbe(True, platform, answer[-1].removeprefix("renderer: "))
        last = run.stderr.strip().splitlines()
        reason = last[-1] if last else f"ended with status {run.returncode}"
    return GlProbe(False, reason=reason)


class RasterSource:
    """Draws triangles with OpenGL. Make one only where :func:`probe` says that it works."""

    name = "gl"

    def __init__(self, platform: str) -> None:
        if platform:
            os.environ["PYOPENGL_PLATFORM"] = platform  # read by pyrender when it is imported
        self._renderer: Any = None

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable:
        """The table of ``items`` on top of ``base`` (left as it is)."""
        table = PixelTable.empty(camera) if base is None else base.copy()
        for batch in beating(_batches(items)):
            cast = Cast(batch)
            starts = np.cumsum([0, *(len(item.solid.faces) for item in batch)])
            number = self._numbers(cast, starts, camera)
            row = np.searchsorted(starts, number, side="right") - 1
            face = number - starts[np.maximum(row, 0)]
            _merge(table, cast, np.where(number >= 0, row, -1), face)
        return table

    def _numbers(self, cast: Cast, starts: NDArray, camera: Camera) -> NDArray[np.int64]:
        """(rows, columns) which of the cast's triangles, counted through, shows; -1 for none."""
        import pyrender
        from pyrender.constants import RenderFlags

        scene = pyrender.Scene(bg_color=[0, 0, 0, 0])
        node = scene.add(pyrender.Mesh([_primitive(cast, int(starts[-1]), camera)]))
        near, far = _depth_range(cast, camera)
        pose = np.eye(4)
        pose[:3, :3] = camera.axes.T
        off = (SAMPLE[0] - 0.5) * camera.right - (SAMPLE[1] - 0.5) * camera.up  # OpenGL samples the middle
        span = far - near  # pyrender wants the near plane before the eye
        pose[:3, 3] = off * camera.pixel + camera.toward * (span - near)
        half = camera.pixel * camera.columns / 2, camera.pixel * camera.rows / 2
        scene.add(pyrender.OrthographicCamera(*half, znear=span, zfar=2 * span), pose=pose)
        flags = RenderFlags.FLAT | RenderFlags.SEG  # SEG: no multisampling
        colour, _ = self._window(camera).render(scene, flags, {node: (1, 1, 1)})
        parts = colour.astype(np.int64)
        return parts[..., 0] + (parts[..., 1] << 8) + (parts[..., 2] << 16) - 1

    def _window(self, camera: Camera) -> Any:
        """The off-screen renderer, made once and resized."""
        if self._renderer is None:
            import pyrender
            from pyrender.renderer import Renderer, RenderFlags

            class Numbers(Renderer):  # type: ignore[misc]
                """Draws vertex colours although the pass is a segmentation, which would skip them."""

                def _bind_and_draw_primitive(
                    self, primitive: Any, pose: Any, program: Any, flags: int
                ) -> None:
                    super()._bind_and_draw_primitive(primitive, pose, program, flags & ~RenderFlags.SEG)

            self._renderer = pyrender.OffscreenRenderer(camera.columns, camera.rows)
            self._renderer._renderer = Numbers(camera.columns, camera.rows)
        self._renderer.viewport_width, self._renderer.viewport_height = camera.columns, camera.rows
        return self._renderer


def _batches(items: Sequence[Item]) -> Iterator[tuple[Item, ...]]:
    batch: list[Item] = []
    size = 0
    for item in items:
        if batch and size + len(item.solid.faces) > BATCH:
            yield tuple(batch)
            batch, size = [], 0
        batch.append(item)
        size += len(item.solid.faces)
    if batch:
        yield tuple(batch)


def _primitive(cast: Cast, count: int, camera: Camera) -> Any:
    """One mesh of all triangles, coordinates from the camera's centre, number + 1 as colour."""
    import pyrender

    corners = [
        (item.solid.vertices @ item.pose[:3, :3].T + (item.pose[:3, 3] - camera.centre))[item.solid.faces]
        for item in cast.items
    ]
    number = np.arange(1, count + 1)
    if count >= 1 << 24:
        raise ValueError(f"{count} triangles in one batch: colours of 24 bits cannot number them")
    colour = np.stack([number & 255, number >> 8 & 255, number >> 16, np.full(count, 255)], axis=1) / 255.0
    return pyrender.Primitive(
        positions=np.concatenate(corners).reshape(-1, 3).astype(np.float32),
        color_0=np.repeat(colour, 3, axis=0).astype(np.float32),
        mode=4,  # triangles
        material=pyrender.MetallicRoughnessMaterial(baseColorFactor=[1.0, 1.0, 1.0, 1.0], doubleSided=True),
    )


def _depth_range(cast: Cast, camera: Camera) -> tuple[float, float]:
    """Depths just before the nearest and behind the farthest point, from the camera's centre."""
    depth = np.concatenate([camera.project(item.outer)[:, 2] for item in cast.items])
    room = 0.01 * (float(np.ptp(depth)) + 1.0)
    return float(depth.min()) - room, float(depth.max()) + room


def _merge(table: PixelTable, cast: Cast, row: NDArray, face: NDArray) -> None:
    """Enter what shows into the table where it is nearer than what is there; ties go to the lower key."""
    at = np.nonzero(row >= 0)
    facing = Facing(cast, table.camera)
    depth = facing.depth(row[at], face[at], at[1] + SAMPLE[0], at[0] + SAMPLE[1])
    key = np.array([item.key for item in cast.items])[row[at]]
    old = table.depth[at]
    shows = (depth < old - LEVEL_MM) | ((depth <= old + LEVEL_MM) & (key < table.key[at]))
    at = at[0][shows], at[1][shows]
    table.key[at], table.face[at], table.depth[at] = key[shows], face[at], depth[shows]


def _main() -> None:
    """Draw two triangles, one before the other, and say who drew them."""
    from renderer.camera import framed
    from renderer.solid import Solid

    corners = np.array([[-1, -1, 0], [1, -1, 0], [0, 1, 0]], dtype=np.float64)
    solid = Solid(corners, np.array([[0, 1, 2]]))
    lifted = np.eye(4)
    lifted[2, 3] = 1.0
    items = [Item(solid, np.eye(4), "#000000", 0), Item(solid, lifted, "#000000", 1)]
    camera = framed(np.eye(3), corners, 1600, 1200)
    source = RasterSource(os.environ.get("PYOPENGL_PLATFORM", ""))
    table = source.table(items, camera)
    from OpenGL import GL

    if table.area(1) < 0.3 * table.key.size or table.area(0):
        raise SystemExit("OpenGL drew the wrong picture")
    print(f"renderer: {GL.glGetString(GL.GL_RENDERER).decode()}")


if __name__ == "__main__":
    _main()
