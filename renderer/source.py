"""Which source fills the pixel tables: rays unless there is OpenGL in hardware, or it is asked for."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Literal

from renderer.camera import Camera
from renderer.raster import GlProbe, RasterSource, probe
from renderer.rays import RaySource
from renderer.table import Item, PixelSource, PixelTable

Wish = Literal["gl", "rays"] | None


@dataclass
class GuardedSource:
    """OpenGL while it works; from its first failure on, rays. ``notice`` is a line for the user, once
    there is something to say."""

    first: PixelSource
    notice: str = ""
    renderer: str = ""  #: what OpenGL calls itself
    _second: RaySource = field(default_factory=RaySource)

    @property
    def name(self) -> str:
        return self._second.name if self.notice else self.first.name

    @property
    def who(self) -> str:
        """What draws, for the log."""
        return f"OpenGL ({self.renderer})" if self.name == "gl" else "rays"

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable:
        if not self.notice:
            try:
                return self.first.table(items, camera, base)
            except Exception as error:  # whatever a driver may throw
                self.notice = _sorry(str(error) or type(error).__name__)
        return self._second.table(items, camera, base)


def choose_source(wish: Wish = None, ask: Callable[[], GlProbe] | None = None) -> GuardedSource:
    """The source to draw with. ``ask`` stands in for the probe of OpenGL in tests.

    None: OpenGL where a graphics card does it, else rays, without a word. "gl": OpenGL, by software if
    need be; where it does not work, rays with one line of notice.
    """
    if wish == "rays" or (wish is None and ask is None and not _may_have_card()):
        return GuardedSource(RaySource())
    found = (ask or _probe_once)()
    if found.works and (wish == "gl" or not found.software):
        return GuardedSource(RasterSource(found.platform), renderer=found.renderer)
    if wish == "gl":
        return GuardedSource(RaySource(), notice=_sorry(found.reason))
    return GuardedSource(RaySource())


@lru_cache(maxsize=1)
def _probe_once() -> GlProbe:
    return probe()


def may_use_gl(wish: Wish) -> bool:
    """Whether OpenGL may be what draws: then a driver's crash may end the process."""
    return wish == "gl" or (wish is None and _may_have_card())


def _sorry(reason: str) -> str:
    return f"OpenGL does not work here ({reason.splitlines()[0]}); the pictures are drawn with rays."


def _may_have_card() -> bool:
    """Whether a graphics card is worth asking for: on Linux, where no device file is, there is none."""
    if not sys.platform.startswith("linux"):
        return True
    return any(Path("/dev/dri").glob("renderD*")) or Path("/dev/nvidia0").exists()
