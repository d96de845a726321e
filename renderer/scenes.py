"""Ray scenes of one process, all on one device.

Embree takes a thread-local key for each device, of which a process has 1,024: a model of more shapes that
each had a device of its own would end the process.
"""

from __future__ import annotations

import os
from functools import lru_cache

from embreex.rtcore import EmbreeDevice
from embreex.rtcore_scene import EmbreeScene


def ray_scene(robust: bool = True) -> EmbreeScene:
    """An empty scene; ``robust``: no ray slips through between two faces."""
    return EmbreeScene(_device(os.getpid()), robust=robust)


@lru_cache(maxsize=1)
def _device(process: int) -> EmbreeDevice:
    """That of a process: its threads do not live on in one that is forked off."""
    return EmbreeDevice()
