"""Which joints to glue and why, with what, and how much."""

from __future__ import annotations

from steps.glue.choose import choose_glue

__all__ = ["choose_glue"]
