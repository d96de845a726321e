"""TOML that anybody may have written: read whole, or refused in words."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from steps.errors import StepleafError
from steps.limits import SETTINGS_BYTES

#: Names in one dotted key. No table of ours is nested deeper than three; twenty thousand take minutes.
MOST_NAMES = 16
#: Quoted text and comments, which may hold anything; what is not closed ends with its line or the file.
_SAID = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""|\Z)|' r"'''.*?(?:'''|\Z)|" r'"(?:\\.|[^"\\\n])*+"?|' r"'[^'\n]*'?|#[^\n]*",
    re.DOTALL,
)
#: Begun at a name's first letter only, and never given back: linear in any text.
_DOTTED = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{MOST_NAMES}}}")


def read_toml(path: Path, wrong: type[StepleafError]) -> tuple[str, dict[str, Any]]:
    """The file's text, with plain newlines, and its table. Raises ``wrong`` for whatever cannot be read."""
    try:
        if path.stat().st_size > SETTINGS_BYTES:
            raise wrong(f"{path}: is over {SETTINGS_BYTES // 1024} KiB; nobody writes so much by hand.")
        text = path.read_text(encoding="utf-8-sig").replace("\r\n", "\n")
    except OSError as error:
        raise wrong(f"{path}: cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise wrong(f"{path}: not valid TOML: byte {error.start + 1} is no UTF-8 text.") from error
    deep = f"{path}: nests tables or lists deeper than any setting."
    if _DOTTED.search(_SAID.sub("s", text)):
        raise wrong(deep)
    try:
        return text, tomllib.loads(text)
    except RecursionError as error:
        raise wrong(deep) from error
    except tomllib.TOMLDecodeError as error:
        raise wrong(f"{path}: not valid TOML: {error}.") from error
    except (ValueError, OverflowError) as error:  # a number of thousands of digits, a day that is none
        raise wrong(f"{path}: not valid TOML: a number or date in it is none.") from error
