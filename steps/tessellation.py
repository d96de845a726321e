"""What a worker runs that meshes a STEP file. In a module of its own, so that it loads nothing else."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import suppress

from steps.workers import watched_by_the_system

GIB = 1024**3


def mesh(source: str, made: str, chord_mm: float, angle: float, most_s: float, gib: float) -> Iterator[None]:
    """Write the solids of ``source`` as GLB to ``made``; nothing is answered. The process ends by a signal
    after ``most_s`` of processor time, and can have no more memory than ``gib``, where the system can see to
    it (Windows cannot)."""
    import cascadio

    with suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (int(gib * GIB),) * 2)
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_PROF, most_s)
    with watched_by_the_system():
        cascadio.step_to_glb(source, made, chord_mm, angle, use_parallel=False)
    yield from ()
