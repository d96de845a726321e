"""Which joints to glue and why, with what, how much, in which step, by whom, and how long to wait."""

from __future__ import annotations

from steps.glue.choose import choose_glue, reschedule
from steps.glue.wishes import needs_glue

__all__ = ["choose_glue", "needs_glue", "reschedule"]
