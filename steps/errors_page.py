"""``errors.md``, made of the classes in ``errors.py``; ``python -m steps.errors_page`` writes it anew."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from steps.errors import StepleafError

PAGE = Path(__file__).with_name("errors.md")
_HEAD = """# When it does not work

Each message of Stepleaf's is of one of these kinds. A program that uses it catches `StepleafError`,
or one of the classes below; the command line leaves with the status given. Anything else is a fault of the
program itself: set `STEPLEAF_TRACE=1`, run it again and report what it shows.
"""


def classes(of: type[StepleafError] = StepleafError) -> Iterator[type[StepleafError]]:
    """Every class of error, each after what it is a kind of."""
    for each in of.__subclasses__():
        yield each
        yield from classes(each)


def page() -> str:
    """The page's text."""
    return "\n".join([_HEAD, *(_section(each) for each in classes())])


def _section(error: type[StepleafError]) -> str:
    what = " ".join((error.__doc__ or "").split()).partition(". ")[0].rstrip(".")
    kind = error.__base__.__name__ if error.__base__ not in (None, StepleafError) else ""
    status = f"Status {error.exit_status}" + (f"; a kind of {kind}" if kind else "")
    return (
        f"## {error.__name__}\n\n{what}. {status}.\n\n"
        f"- **Cause**: {error.cause}\n- **What is seen**: {error.seen}\n- **What to do**: {error.then}\n"
    )


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
