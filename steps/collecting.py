"""How seldom Python looks for circles of values that nobody needs, in a process that does one piece of work.

Nearly all that it makes lives to its end, and after the usual 700 new values the looking takes a tenth of a
short run. It is not left out: what circles hold, graphs and scenes among it, would stay to the end.
"""

from __future__ import annotations

import gc

#: New values after which the newest are looked through, such looks before those that came through one are
#: looked at again, and such second looks before one through all.
NEW, SECOND, ALL = 100_000, 10, 10


def seldom() -> None:
    """From now on in this process."""
    gc.set_threshold(NEW, SECOND, ALL)
