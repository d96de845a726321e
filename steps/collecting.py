"""How seldom Python looks for circles of values that nobody needs, in a process that does one piece of work.

Nearly all that it makes lives to its end. After the usual 700 new values the looking takes a tenth of a
short run; through all that was ever made it takes seconds in one go for 20,000 parts, and finds little.
"""

from __future__ import annotations

import gc

#: New values after which the newest are looked through, such looks before those that came through one are
#: looked at again, and such second looks before one through all: more than there ever are.
NEW, SECOND, ALL = 100_000, 10, 1_000_000


def seldom() -> None:
    """From now on in this process."""
    gc.set_threshold(NEW, SECOND, ALL)
