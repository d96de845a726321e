"""Stepleaf: from a block-style model, printed big, to a booklet that can be built from.

The stages read in this order, each a pure function of the values before it::

    read -> measure -> join -> order -> glue -> settle -> draw -> lay out

``steps.model`` holds the values that pass between them; ``steps.pipeline`` runs them.

From code, all that is needed stands here::

    from steps import Settings, make_plan, read_model, verify_plan, write_booklet

    settings = Settings(scale=4, reader="child")
    plan = make_plan(read_model("my-model.3mf", settings), settings)
    print(verify_plan(plan, plan.model, settings).ok)
    write_booklet(plan, "my-model.pdf", settings)

Lengths are millimetres, forces newtons, masses grams, angles of settings degrees; z points up. The same
settings go to every call. What a user can cause and mend is a ``steps.errors.StepleafError``, one class
per situation. No call prints, and none starts a process of its own unless ``workers`` (or OpenGL) is asked
for; ``progress(stage, done, total)`` is called as the work moves on, from the thread that called (total 0:
so many pieces are done, of a number that is not known).
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from steps.booklet import write_booklet, write_html
    from steps.intake import read_model
    from steps.pipeline import make_plan
    from steps.prints import write_prints
    from steps.settings import Settings
    from steps.verify import verify_plan

__version__ = "0.1.0"
__all__ = [
    "Settings",
    "make_plan",
    "read_model",
    "verify_plan",
    "write_booklet",
    "write_html",
    "write_prints",
]

#: Name -> where it is defined. Loaded when first asked for: the stages bring numpy, rays and more with them.
_HOMES = {
    "Settings": "steps.settings",
    "make_plan": "steps.pipeline",
    "read_model": "steps.intake",
    "verify_plan": "steps.verify",
    "write_booklet": "steps.booklet",
    "write_html": "steps.booklet",
    "write_prints": "steps.prints",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'steps' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
