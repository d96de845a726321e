"""What stages found out of one mesh or one situation, remembered from run to run.

``remembered("anatomy", mesh, make)`` is ``make()``, unless the very same was made of the very same before.
The key is the content of all that went in, to the last bit, with the program's own text and the versions of
the libraries that compute: an answer is exact or there is none. Where nobody remembers it costs nothing.

The file is data alone: numbers, texts, arrays, and values of this program's own frozen dataclasses.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib
import json
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
from pydantic import BaseModel

Value = TypeVar("Value")
#: Libraries whose numbers enter what is remembered.
LIBRARIES = ("numpy", "scipy", "trimesh", "manifold3d", "embreex", "shapely")
#: Packages whose text decides what comes out.
PACKAGES = ("steps", "renderer")
MAGIC = b"stepleaf remembered 1\n"
#: A file larger than this holds only what the last run used.
MOST_BYTES = 64 * 1024**2
_LENGTH = struct.Struct("<Q")
#: What reading a spoilt value may raise; then it is made anew.
SPOILT = (ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError, struct.error)


@dataclass
class Memory:
    """What was read from a file, and what of it this run used or added."""

    known: dict[str, bytes] = field(default_factory=dict)
    used: dict[str, bytes] = field(default_factory=dict)
    _values: dict[str, object] = field(default_factory=dict)  #: frozen ones that were asked for in this run
    _sums: dict[int, tuple[object, str]] = field(default_factory=dict)  #: of values, kept alive while here

    def recall(self, what: str, basis: object, make: Callable[[], Value]) -> Value:
        """As :func:`remembered`."""
        key = hashlib.sha256(json.dumps([what, self._told(basis)]).encode()).hexdigest()
        if key in self._values:
            return cast(Value, self._values[key])
        packed = self.used.get(key) or self.known.get(key)
        if packed is not None:
            with suppress(*SPOILT):
                return self._used(key, packed, unpacked(packed))
        value = make()
        return self._used(key, pack(value), value)

    def _used(self, key: str, packed: bytes, value: Value) -> Value:
        self.used[key] = packed
        if dataclasses.is_dataclass(value):
            self._values[key] = value
        return value

    def _told(self, value: object) -> Any:
        """What stands for a value in a key; of a value with fields its sum, which is made once."""
        if isinstance(value, (np.ndarray, np.generic)):
            array = np.asarray(value)
            return [array.dtype.str, array.shape, hashlib.sha256(array.tobytes()).hexdigest()]
        if isinstance(value, (tuple, list)):
            return [self._told(each) for each in value]
        if isinstance(value, (str, int, float, type(None))):
            return value
        if id(value) not in self._sums:
            text = json.dumps([type(value).__name__, self._fields_of(value)])
            self._sums[id(value)] = (value, hashlib.sha256(text.encode()).hexdigest())
        return self._sums[id(value)][1]

    def _fields_of(self, value: object) -> Any:
        if isinstance(value, BaseModel):
            return value.model_dump_json()
        if isinstance(value, dict):
            return [[self._told(key), self._told(each)] for key, each in value.items()]
        if dataclasses.is_dataclass(value):
            return [self._told(getattr(value, each.name)) for each in dataclasses.fields(value)]
        raise TypeError(f"{type(value).__name__} cannot be part of a key")

    @staticmethod
    def of(content: bytes) -> Memory:
        """What a file holds; nothing where it is another program's, of another version or damaged."""
        head = MAGIC + program().encode()
        with suppress(*SPOILT):
            if content.startswith(head):
                (size,) = _LENGTH.unpack_from(content, len(head))
                start = len(head) + _LENGTH.size
                places = json.loads(content[start : start + size])
                chunks = content[start + size :]
                if len(chunks) != max((high for _, high in places.values()), default=0):
                    return Memory()
                return Memory({key: chunks[low:high] for key, (low, high) in places.items()})
        return Memory()

    @property
    def grew(self) -> bool:
        """Whether anything was made that the file does not hold."""
        return not self.used.keys() <= self.known.keys()

    def content(self) -> bytes:
        """The file for the next run: all that is known, or only what this run used where that is too much."""
        kept = self.known | self.used
        if sum(map(len, kept.values())) > MOST_BYTES:
            kept = self.used
        places, end = {}, 0
        for key in sorted(kept):
            places[key] = (end, end + len(kept[key]))
            end += len(kept[key])
        index = json.dumps(places).encode()
        chunks = [kept[key] for key in places]
        return b"".join([MAGIC, program().encode(), _LENGTH.pack(len(index)), index, *chunks])


_now: ContextVar[Memory | None] = ContextVar("memory", default=None)


@contextmanager
def remembering(memory: Memory) -> Iterator[None]:
    """Whatever is asked for in the block is remembered in ``memory``."""
    token = _now.set(memory)
    try:
        yield
    finally:
        _now.reset(token)


def remembered(what: str, basis: object, make: Callable[[], Value]) -> Value:
    """``make()``, or what it once made of an equal ``basis``: arrays, numbers, texts, settings, and tuples
    and frozen dataclasses of these. ``what`` names what is made."""
    memory = _now.get()
    return make() if memory is None else memory.recall(what, basis, make)


def sum_of(value: object) -> str:
    """The sum of a value with all it holds, as a key would have it."""
    return Memory()._told(value)  # type: ignore[no-any-return]


@cache
def program() -> str:
    """The sum of this program's text and of the versions of what it computes with."""
    sum_ = hashlib.sha256()
    for package in PACKAGES:
        for path in sorted((Path(__file__).parents[1] / package).rglob("*.py")):
            sum_.update(path.read_bytes())
    for library in LIBRARIES:
        with suppress(PackageNotFoundError):
            sum_.update(f"{library} {version(library)}\n".encode())
    return sum_.hexdigest()


# ------------------------------------------------------------------------- values as bytes


def pack(value: object) -> bytes:
    """A value as bytes: a tree of JSON, and the arrays behind it."""
    arrays: list[bytes] = []
    tree = json.dumps(_packed(value, arrays)).encode()
    return b"".join([_LENGTH.pack(len(tree)), tree, *arrays])


def _packed(value: Any, arrays: list[bytes]) -> Any:
    if isinstance(value, np.generic):
        return {"number": [value.dtype.str, value.item()]}
    if isinstance(value, np.ndarray):
        arrays.append(value.tobytes())
        return {"array": [value.dtype.str, value.shape]}
    if isinstance(value, tuple):
        return {"tuple": [_packed(each, arrays) for each in value]}
    if isinstance(value, list):
        return [_packed(each, arrays) for each in value]
    if isinstance(value, dict):
        return {"dict": [[_packed(key, arrays), _packed(each, arrays)] for key, each in value.items()]}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {each.name: getattr(value, each.name) for each in dataclasses.fields(value)}
        kind = f"{type(value).__module__}:{type(value).__name__}"
        return {"value": [kind, {name: _packed(each, arrays) for name, each in fields.items()}]}
    if isinstance(value, (str, int, float, type(None))):
        return value
    raise TypeError(f"{type(value).__name__} cannot be remembered")


def unpacked(content: bytes) -> Any:
    """What :func:`pack` was given."""
    (size,) = _LENGTH.unpack_from(content)
    return _Arrays(content, _LENGTH.size + size).value(
        json.loads(content[_LENGTH.size : _LENGTH.size + size])
    )


@dataclass
class _Arrays:
    """The bytes of the arrays, taken one after the other."""

    content: bytes
    at: int

    def value(self, tree: Any) -> Any:
        if isinstance(tree, list):
            return [self.value(each) for each in tree]
        if not isinstance(tree, dict):
            return tree
        ((kind, held),) = tree.items()
        if kind == "number":
            return np.dtype(held[0]).type(held[1])
        if kind == "array":
            return self._array(np.dtype(held[0]), tuple(held[1]))
        if kind == "tuple":
            return tuple(self.value(each) for each in held)
        if kind == "dict":
            return {self.value(key): self.value(each) for key, each in held}
        return _class(held[0])(**{name: self.value(each) for name, each in held[1].items()})

    def _array(self, dtype: np.dtype[Any], shape: tuple[int, ...]) -> np.ndarray:
        count = int(np.prod(shape, dtype=np.int64))
        found = np.frombuffer(self.content, dtype, count, self.at) if count else np.zeros(0, dtype)
        self.at += count * dtype.itemsize
        return found.reshape(shape).copy()


@cache
def _class(name: str) -> type:
    """One of this program's own dataclasses. Raises ValueError for anything else that a file may name."""
    module, _, kind = name.partition(":")
    if module.partition(".")[0] not in PACKAGES:
        raise ValueError(f"{name} is none of this program's values")
    found = getattr(importlib.import_module(module), kind, None)
    if not (isinstance(found, type) and dataclasses.is_dataclass(found)):
        raise ValueError(f"{name} is none of this program's values")
    return found
