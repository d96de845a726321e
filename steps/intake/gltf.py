"""glTF 2.0 and GLB: scene graph, instances, materials. Metres and Y up by the standard."""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from steps.errors import UnreadableInput
from steps.intake.areas import majority, triangle_areas
from steps.intake.colours import from_linear
from steps.intake.names import printable
from steps.intake.scene import Colour, RawMesh, RawPart, Scene, affine
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Array, Problem

#: glTF 2.0 specification, section 3.6.2.2: component types and element widths.
NUMBERS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
FLOAT, UNSIGNED = 5126, (5121, 5123, 5125)
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
#: Extensions that change geometry and are understood, or change nothing that is read here.
UNDERSTOOD = {"KHR_mesh_quantization", "EXT_mesh_gpu_instancing"}
IGNORABLE = ("KHR_materials_", "KHR_texture_", "EXT_texture_", "KHR_lights_", "KHR_xmp")

#: Numbers of all accessors together, over the triangles that may be read: three corners of three each, once
#: more for their indices.
NUMBERS_A_TRIANGLE = 12
#: A block-style part over this many metres is not meant in metres; as millimetres it is 1 mm.
METRES_DOUBTED = 1.0

#: What numbers of few digits leave of a right angle, or of a length of 1.
ROUNDED = 1e-3

Loose = dict[str, None]  #: clauses that a file does not keep to, and is read

#: Y up to Z up: x stays, y becomes z, z becomes -y.
Z_UP = affine(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]]), np.zeros(3))


def read_gltf(path: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a .glb or .gltf file. Raises UnreadableInput when it is cut short, wrong or hostile."""
    return glb_scene(path, path.read_bytes(), limits)


def glb_scene(path: Path, data: bytes, limits: Limits = LIMITS, upright: Array = Z_UP) -> Scene:
    """The same from the file's bytes; ``path`` names it and tells where its buffers lie.

    ``upright`` (4, 4) turns the document's axes to z up.
    """
    loose: Loose = {}
    in_one = data[:4] == b"glTF"
    document, chunk = _parts_of_glb(path, data, loose) if in_one else (_json(path, data, loose), b"")
    reader = _Reader(path, document, chunk, upright, limits, loose)
    try:
        _check_understood(path, document, loose)
        scene = reader.scene()
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise UnreadableInput(
            f"{path.name}: {reader.at}its glTF is damaged or was written wrongly: {_contradiction(error)}. "
            "Export it again, or as another kind of file (3MF, OBJ, STL)."
        ) from error
    if not loose:
        return scene
    text = (
        f"{path.name} does not keep to the glTF 2.0 specification and was read leniently: {'; '.join(loose)}."
    )
    return replace(scene, problems=(Problem("lenient-gltf", "note", (), text), *scene.problems))


class _Contradiction(ValueError):
    """Something in the document that cannot be; its text says what."""


def _contradiction(error: Exception) -> str:
    if isinstance(error, _Contradiction):
        return str(error)
    if isinstance(error, KeyError):
        return f"an entry lacks its {error}"
    if isinstance(error, IndexError):
        return "it names an entry that is not there"
    return "a number, a text or a list stands where the standard has another of them"


def _parts_of_glb(path: Path, data: bytes, loose: Loose) -> tuple[Mapping[str, Any], bytes]:
    """glTF 2.0 specification, section 4.4: a 12-byte header, then chunks that begin and end at multiples of
    four bytes; those that do not are read with a note."""
    version, length = (int.from_bytes(data[at : at + 4], "little") for at in (4, 8))
    if len(data) < 20 or length > len(data):
        raise UnreadableInput(
            f"{path.name}: the file is cut short: {len(data):,} of {length:,} bytes. Copy or export it again."
        )
    if version != 2:
        raise UnreadableInput(
            f"{path.name}: glTF version {version} cannot be read, only version 2. Export it again."
        )
    if length < len(data):
        loose["the file goes on after the end that it names (4.4.2)"] = None
    document, chunk, at, kinds = None, b"", 12, list[bytes]()
    while at + 8 <= length:
        size, kind = int.from_bytes(data[at : at + 4], "little"), data[at + 4 : at + 8]
        body = data[at + 8 : at + 8 + size]
        if len(body) < size:
            raise UnreadableInput(f"{path.name}: a chunk is cut short. Copy or export the file again.")
        if kind == b"JSON" and document is None:
            document = _json(path, body, loose)
        elif kind == b"BIN\x00" and not chunk:
            chunk = body
        at = _next_chunk(data, at + 8 + size)
        kinds.append(kind)
        if size % 4:
            loose["a chunk does not end at a multiple of four bytes (4.4.3)"] = None
    ours = [kind for kind in kinds if kind in (b"JSON", b"BIN\x00")]
    if at != length or ours != kinds[: len(ours)] or ours not in ([b"JSON"], [b"JSON", b"BIN\x00"]):
        loose["its chunks are not one document, then at most one of data, then others (4.4.3)"] = None
    if document is None:
        raise UnreadableInput(f"{path.name}: the GLB holds no document. Export it again.")
    return document, chunk


def _next_chunk(data: bytes, end: int) -> int:
    """Where the next chunk begins: at once, or after the bytes that fill up to a multiple of four."""
    return end if data[end + 4 : end + 8] in (b"JSON", b"BIN\x00") else end + (-end) % 4


def _json(path: Path, data: bytes, loose: Loose) -> Mapping[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(made := dict(pairs)) < len(pairs):
            loose["one name stands twice in an object of its JSON (3.1)"] = None
        return made

    def none(name: str) -> float:
        loose["a number of its JSON is none (3.1)"] = None
        return float(name)

    if json.detect_encoding(data) != "utf-8":
        loose["its JSON is not in UTF-8 without a mark (3.1, 4.4.3)"] = None
    try:
        document = json.loads(data, object_pairs_hook=once, parse_constant=none)
    except (ValueError, RecursionError) as error:
        raise UnreadableInput(
            f"{path.name}: its JSON cannot be read{_where(error)}. Copy or export it again."
        ) from error
    if not isinstance(document, dict):
        raise UnreadableInput(f"{path.name}: its JSON is not a glTF document. Export it again.")
    return document


def _where(error: Exception) -> str:
    return f" (line {error.lineno}, column {error.colno})" if isinstance(error, json.JSONDecodeError) else ""


def _check_understood(path: Path, document: Mapping[str, Any], loose: Loose) -> None:
    asset = document.get("asset", {})
    version, least = asset.get("version"), asset.get("minVersion", "2.0")
    if least not in ("2", "2.0"):
        raise UnreadableInput(
            f"{path.name}: needs glTF {str(least)[:20]!r} at least (asset.minVersion); only 2.0 is read. "
            "Export it again as glTF 2.0."
        )
    if not isinstance(version, str) or version.split(".")[0] != "2":
        said = "does not say its version"
        if version is not None:
            own = version if isinstance(version, str) else json.dumps(version)
            said = f"says that it is glTF {printable(own, 20)!r}"
            said += "" if isinstance(version, str) else ", as no text, which a version is"
        raise UnreadableInput(
            f"{path.name}: {said} (asset.version); only version 2 is read. Export it again as glTF 2.0."
        )
    if not re.fullmatch(r"\d+\.\d+", version, re.ASCII):
        loose["asset.version is not two numbers with a point between (3.2)"] = None
    needed, used = (document.get(key, []) for key in ("extensionsRequired", "extensionsUsed"))
    for names, key in ((needed, "extensionsRequired"), (used, "extensionsUsed")):
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            raise _Contradiction(f"{key} is no list of names")
    if not set(needed) <= set(used):
        loose["an extension is required and not among those that are used (3.12)"] = None
    strange = [name for name in needed if name not in UNDERSTOOD and not name.startswith(IGNORABLE)]
    if strange:
        raise UnreadableInput(
            f"{path.name}: needs {', '.join(strange)}, which cannot be read here. Export it again without "
            "that (mostly it is compression)."
        )


class _Reader:
    """Walks the node tree once; every mesh is decoded once."""

    def __init__(
        self,
        path: Path,
        document: Mapping[str, Any],
        chunk: bytes,
        upright: Array,
        limits: Limits,
        loose: Loose,
    ):
        self.path, self.document, self.chunk = path, document, chunk
        self.upright, self.limits, self.loose = upright, limits, loose
        self.buffers: dict[int, bytes] = {}
        self.mesh_rows: dict[int, tuple[int, Colour | None] | None] = {}
        self.meshes: list[RawMesh] = []
        self.parts: list[RawPart] = []
        self.colour_words: dict[Colour, str] = {}  #: names of the materials of each colour
        self.textured = False
        self.bare = False  #: whether a mesh is of points or lines alone
        self.at = ""  #: the node that is being read, as a message begins
        self.changed: list[str] = []  #: names of parts that a skin or a morph would show in another shape
        self.numbers_read = 0

    def scene(self) -> Scene:
        roots, title = self._roots()
        self._walk(roots)
        unit, notes = self._unit()
        if self.textured:
            text = "Some parts are coloured by pictures; they get the plain colour of their material instead."
            notes.append(Problem("texture-ignored", "note", (), text))
        if self.bare:
            text = "Left out, being points or lines without a surface: some of its meshes."
            notes.append(Problem("no-surface", "note", (), text))
        if self.changed:
            text = (
                f"{self.path.name}: {self.changed[0]}{' and others' * (len(self.changed) > 1)}: a skin or a "
                "morph of the file would show another shape or place; it is read without. Bake it into the "
                "mesh and export again if that is what is meant."
            )
            notes.append(Problem("skin-ignored", "warning", (), text))
        return Scene(
            tuple(self.meshes),
            tuple(self.parts),
            unit_mm=unit,
            title=title,
            problems=tuple(notes),
            colour_words=self.colour_words,
        )

    def _roots(self) -> tuple[list[int], str | None]:
        scenes, nodes = self.document.get("scenes", []), self.document.get("nodes", [])
        below = {child for node in nodes for child in node.get("children", [])}
        if scenes or "scene" in self.document:
            scene = _one_of(scenes, self.document.get("scene", 0), "scene")
            if not below.isdisjoint(scene.get("nodes", [])):
                self.loose[
                    "a scene names a node that stands below another, whose place is passed over (3.5.1)"
                ] = None
            return list(scene.get("nodes", [])), (scene.get("name") or "").strip() or None
        return [row for row in range(len(nodes)) if row not in below], None

    def _walk(self, roots: list[int]) -> None:
        """Depth first in file order, with a stack, so that depth cannot overrun."""
        nodes, seen = self.document.get("nodes", []), set()
        stack = [(row, self.upright, "", 1) for row in reversed(roots)]
        while stack:
            row, above, inherited, depth = stack.pop()
            refuse_more(f"{self.path.name}: nodes nested {depth} deep", depth, "nesting", self.limits)
            if row in seen:
                raise UnreadableInput(
                    f"{self.path.name}: node {row} stands at two places of the tree, which the glTF "
                    "standard forbids. Export it again."
                )
            seen.add(row)
            self.at = ""
            node = _one_of(nodes, row, "node")
            own = f" ({printable(node['name'], 40)!r})" if isinstance(node.get("name"), str) else ""
            self.at = f"node {row}{own}: "
            placed = above @ _local(node, self.loose)
            name = str(node.get("name") or "").strip() or inherited
            if "mesh" in node:
                self._place(node, placed, name)
            stack += [(child, placed, name, depth + 1) for child in reversed(node.get("children", []))]
        self.at = ""

    def _place(self, node: Mapping[str, Any], placed: Array, name: str) -> None:
        found = self._mesh(node["mesh"])
        if found is None:
            self.bare = True
            return
        row, colour = found
        if self._is_changed(node):
            self.changed.append(name or self.meshes[row].name)
        copies = node.get("extensions", {}).get("EXT_mesh_gpu_instancing")
        transforms = placed[None] if copies is None else placed @ self._instances(copies)
        many = len(self.parts) + len(transforms)
        refuse_more(f"{self.path.name}: {many:,} parts or more", many, "parts", self.limits)
        name = name or self.meshes[row].name
        self.parts += [RawPart(name, row, transform, colour) for transform in transforms]

    def _is_changed(self, node: Mapping[str, Any]) -> bool:
        """Whether a skin moves the mesh of a node, or weights that are not 0 morph it (glTF 2.0, 3.7.2.2 and
        3.7.3)."""
        if "skin" in node:
            _one_of(self.document.get("skins", []), node["skin"], "skin")
            return True
        mesh = _one_of(self.document["meshes"], node["mesh"], "mesh")
        weights = node.get("weights", mesh.get("weights", []))
        return any(weights) and any(primitive.get("targets") for primitive in mesh["primitives"])

    def _instances(self, extension: Mapping[str, Any]) -> Array:
        """(count, 4, 4) transforms of the copies."""
        from scipy.spatial.transform import Rotation

        given = {key: self._accessor(row) for key, row in extension["attributes"].items()}
        if len({len(values) for values in given.values()}) != 1:
            raise _Contradiction("not as many places as turns or sizes are given of its copies")
        count = len(next(iter(given.values())))
        shifts = given.get("TRANSLATION", np.zeros((count, 3)))
        turns = given.get("ROTATION", np.tile([0.0, 0.0, 0.0, 1.0], (count, 1)))
        sizes = given.get("SCALE", np.ones((count, 3)))
        transforms = np.tile(np.eye(4), (count, 1, 1))
        transforms[:, :3, :3] = Rotation.from_quat(turns).as_matrix() * sizes[:, None, :]
        transforms[:, :3, 3] = shifts
        return transforms

    def _mesh(self, row: int) -> tuple[int, Colour | None] | None:
        """Row among the meshes read and the colour with most area; None for lines and points."""
        if row in self.mesh_rows:
            return self.mesh_rows[row]
        mesh = _one_of(self.document["meshes"], row, "mesh")
        if not mesh["primitives"]:
            raise _Contradiction(f"mesh {row} has no primitives")
        vertices: list[Array] = []
        faces: list[NDArray] = []
        colours: list[Colour | None] = []
        areas: list[float] = []
        for primitive in mesh["primitives"]:
            corners, triangles = self._triangles(primitive)
            if len(triangles) == 0:
                continue
            colours.append(self._colour(primitive, triangles, len(corners)))
            areas.append(float(triangle_areas(corners, triangles).sum()))
            faces.append(triangles + sum(len(one) for one in vertices))
            vertices.append(corners)
        self.mesh_rows[row] = None
        if vertices:
            name = str(mesh.get("name") or "").strip() or f"mesh-{row + 1}"
            self.mesh_rows[row] = (len(self.meshes), majority(colours, areas))
            self.meshes.append(RawMesh(name, np.concatenate(vertices), np.concatenate(faces)))
        return self.mesh_rows[row]

    def _triangles(self, primitive: Mapping[str, Any]) -> tuple[Array, NDArray]:
        """Corners and triangles; strips and fans are spelt out."""
        mode = primitive.get("mode", 4)
        if mode not in range(7) or isinstance(mode, bool):
            raise _Contradiction(f"a mesh is of mode {str(mode)[:20]}, which there is not (0 to 6)")
        if mode not in (4, 5, 6) or "POSITION" not in primitive["attributes"]:
            return np.empty((0, 3)), np.empty((0, 3), dtype=np.int64)
        quantised = "KHR_mesh_quantization" in self.document.get("extensionsRequired", [])
        numbers = NUMBERS if quantised else (FLOAT,)
        corners = self._accessor(self._of_kind(primitive["attributes"]["POSITION"], "VEC3", numbers))
        given = primitive.get("indices")
        if given is not None:
            given = self._of_kind(given, "SCALAR", UNSIGNED)
            if self.document["accessors"][given].get("normalized"):
                raise _Contradiction(
                    f"the rows of corners in accessor {given} are marked as shares (normalized)"
                )
        order = (
            np.arange(len(corners)) if given is None else self._accessor(given).reshape(-1).astype(np.int64)
        )
        if mode == 4:
            if len(order) % 3:
                self.loose["corners of triangles are not three each; the last were left out (3.7.2.1)"] = None
            triangles = order[: len(order) // 3 * 3].reshape(-1, 3)
        elif mode == 5:
            triangles = np.column_stack([order[:-2], order[1:-1], order[2:]])
            triangles[1::2] = triangles[1::2, [1, 0, 2]]
        else:
            triangles = np.column_stack([np.full(max(len(order) - 2, 0), order[0]), order[1:-1], order[2:]])
        if len(triangles) and int(triangles.max()) >= len(corners):
            raise _Contradiction(
                f"a triangle names corner {int(triangles.max())}, of {len(corners)} from 0 on"
            )
        return corners, triangles

    def _colour(self, primitive: Mapping[str, Any], triangles: NDArray, corners: int) -> Colour | None:
        """By the material's factor or the corners' commonest colour, both linear (glTF 2.0, 3.9.2)."""
        if "material" in primitive:
            given = _one_of(self.document["materials"], primitive["material"], "material")
            physical = given.get("pbrMetallicRoughness", {})
            gloss = given.get("extensions", {}).get("KHR_materials_pbrSpecularGlossiness", {})
            factor = physical.get("baseColorFactor", gloss.get("diffuseFactor"))
            self.textured = self.textured or "baseColorTexture" in physical or "diffuseTexture" in gloss
            if factor is not None and (numbers := self._four(factor)) is not None:
                colour = from_linear(self._shares(numbers)[:3])
                self.colour_words.setdefault(colour, str(given.get("name") or ""))
                return colour
        if "COLOR_0" in primitive["attributes"]:
            values = self._shares(self._accessor(primitive["attributes"]["COLOR_0"]))
            if values.shape not in ((corners, 3), (corners, 4)):
                told = f"{len(values)} colours of {values.shape[1]} numbers are given for {corners} corners"
                raise _Contradiction(f"{told}, and each takes one of three numbers or four")
            values = values[:, :3]
            shades, counts = np.unique(values[triangles.reshape(-1)], axis=0, return_counts=True)
            return from_linear(shades[np.argmax(counts)])
        return None

    def _four(self, factor: Any) -> Array | None:
        try:
            return _numbers(factor, 4, "a colour")
        except ValueError:
            self.loose["a colour is not of four numbers, and left out (3.9.2)"] = None
            return None

    def _shares(self, values: Array) -> Array:
        if (values < 0).any() or (values > 1).any():
            self.loose["a colour has a share that is not between 0 and 1 (3.7.2.1, 3.9.2)"] = None
        return values

    def _of_kind(self, row: int, kind: str, numbers: Iterable[int]) -> int:
        """The accessor's row, where it is of that type and of one of these numbers (glTF 2.0, 3.7.2.1)."""
        accessor = _one_of(self.document["accessors"], row, "accessor")
        if accessor["type"] != kind or accessor["componentType"] not in numbers:
            has = f"{str(accessor['type'])[:20]} of componentType {str(accessor['componentType'])[:20]}"
            wanted = " or ".join(map(str, numbers))
            raise _Contradiction(f"accessor {row} holds {has} where {kind} of {wanted} belongs")
        return row

    def _accessor(self, row: int) -> Array:
        """(count, width) numbers; normalised integers become fractions."""
        accessor = _one_of(self.document["accessors"], row, "accessor")
        count, width = accessor["count"], _known(WIDTHS, accessor, "type")
        if not isinstance(count, int) or count < 1:
            raise _Contradiction(f"accessor {row} claims {str(count)[:20]} elements")
        self.numbers_read += count * width
        told = f"{self.path.name}: accessor {row} claims {count:,} elements; triangles for so many"
        refuse_more(told, self.numbers_read / NUMBERS_A_TRIANGLE, "triangles", self.limits)
        number = np.dtype(_known(NUMBERS, accessor, "componentType"))
        if "bufferView" in accessor:
            values = self._view(accessor["bufferView"], accessor.get("byteOffset", 0), number, count, width)
        else:
            values = np.zeros((count, width), dtype=number)
        if "sparse" in accessor:
            values = self._with_sparse(values.copy(), accessor["sparse"], number, width)
        if accessor.get("normalized") and number.kind in "iu":
            return np.maximum(values.astype(np.float64) / np.iinfo(number).max, -1.0)
        return values.astype(np.float64)

    def _with_sparse(
        self, values: NDArray, sparse: Mapping[str, Any], number: np.dtype, width: int
    ) -> NDArray:
        at, new, count = sparse["indices"], sparse["values"], int(sparse["count"])
        if at["componentType"] not in UNSIGNED or count < 1:
            raise _Contradiction("a sparse accessor changes nothing, or names rows by no whole numbers")
        kind = np.dtype(NUMBERS[at["componentType"]])
        rows = self._view(at["bufferView"], at.get("byteOffset", 0), kind, count, 1).reshape(-1)
        if (np.diff(rows.astype(np.int64)) <= 0).any():
            self.loose["rows of a sparse accessor do not rise (3.6.2.3)"] = None
        if int(rows.max()) >= len(values):
            raise _Contradiction(
                f"a sparse accessor changes row {int(rows.max())}, of {len(values)} from 0 on"
            )
        values[rows] = self._view(new["bufferView"], new.get("byteOffset", 0), number, count, width)
        return values

    def _view(self, row: int, offset: int, number: np.dtype, count: int, width: int) -> NDArray:
        view = _one_of(self.document["bufferViews"], row, "buffer view")
        data, begun = self._buffer(view["buffer"]), view.get("byteOffset", 0)
        start, size = begun + offset, number.itemsize * width
        stride = view.get("byteStride", size)
        end = start + stride * (count - 1) + size if count else start
        room = min(len(data), begun + view["byteLength"])
        if begun + view["byteLength"] > len(data):
            self.loose["a buffer view reaches beyond its buffer (3.6.1)"] = None
        if begun < 0 or offset < 0 or end > room:
            raise _Contradiction(f"buffer view {row} is to be read up to byte {end:,}, and ends at {room:,}")
        if stride < size or start % number.itemsize:
            raise _Contradiction(
                f"numbers in buffer view {row} overlap, or begin within another (not aligned: 3.6.2.4)"
            )
        return np.ndarray((count, width), number, data, start, (stride, number.itemsize))

    def _buffer(self, row: int) -> bytes:
        if row not in self.buffers:
            buffer = _one_of(self.document["buffers"], row, "buffer")
            uri = buffer.get("uri")
            data = self.chunk if uri is None else _resolve(self.path, str(uri), self.limits)
            if len(data) < buffer["byteLength"]:
                short = f"{len(data):,} of {buffer['byteLength']:,} bytes"
                raise _Contradiction(f"buffer {row} is cut short: {short}")
            self.buffers[row] = data[: buffer["byteLength"]]
        return self.buffers[row]

    def _unit(self) -> tuple[float, list[Problem]]:
        """Millimetres per unit: metres by the standard, unless the parts would be metres long."""
        longest = [
            float(np.ptp(mesh.vertices, axis=0).max()) if np.isfinite(mesh.vertices).all() else 0.0
            for mesh in self.meshes
        ]
        sizes = [
            longest[part.mesh] * abs(float(np.linalg.det(part.transform[:3, :3]))) ** (1 / 3)
            for part in self.parts
        ]
        middle = float(np.median(sizes)) if sizes else 0.0
        if middle <= METRES_DOUBTED:
            return 1000.0, []
        text = (
            f"{self.path.name}: read as millimetres. The standard's unit is the metre, but its middling "
            f"part would be {middle:.3g} m long. If it lies on its side too, set order.down in "
            "stepleaf.toml."
        )
        return 1.0, [Problem("gltf-in-millimetres", "note", (), text)]


def _one_of(things: Any, row: Any, what: str) -> Any:
    """An item by its row, which counts from 0. Raises _Contradiction where there is none."""
    if not isinstance(row, int) or isinstance(row, bool) or not 0 <= row < len(things):
        raise _Contradiction(f"it names {what} {str(row)[:20]}, which is not there")
    return things[row]


def _known(known: Mapping[Any, Any], entry: Mapping[str, Any], key: str) -> Any:
    """What a value that the standard names stands for. Raises _Contradiction where it names none such."""
    if entry[key] not in known:
        raise _Contradiction(f"{key} {str(entry[key])[:20]} is none that there is")
    return known[entry[key]]


def _numbers(given: Any, count: int, what: str) -> Array:
    """So many numbers. Raises _Contradiction where they are other values, or not so many."""
    if not isinstance(given, list) or len(given) != count or {*map(type, given)} - {int, float}:
        raise _Contradiction(f"{what} is not {count} numbers")
    return np.array(given, dtype=np.float64)


def _local(node: Mapping[str, Any], loose: Loose) -> Array:
    apart = {"translation", "rotation", "scale"} & node.keys()
    if "matrix" in node:
        matrix = _numbers(node["matrix"], 16, "its matrix").reshape(4, 4).T
        if apart:
            raise _Contradiction("it has a matrix and also a translation, rotation or scale")
        if not np.array_equal(matrix[3], (0, 0, 0, 1)):
            raise _Contradiction(
                "numbers 4, 8, 12 and 16 of its matrix are not 0, 0, 0 and 1, so that it is no place"
            )
        if _is_skewed(matrix[:3, :3]):
            loose["a node's matrix is skewed: it is no shift, turn and scale (3.5.3)"] = None
        return matrix
    if not apart:
        return np.eye(4)
    linear = np.eye(3)
    if "rotation" in node:
        from scipy.spatial.transform import Rotation

        turn = _numbers(node["rotation"], 4, "its rotation")
        if not turn.any():
            raise _Contradiction("its rotation is all zeros, which is none")
        if abs(np.linalg.norm(turn) - 1.0) > ROUNDED:
            loose["a node's rotation is not of length 1 (3.5.3)"] = None
        linear = Rotation.from_quat(turn).as_matrix()
    linear = linear * _numbers(node.get("scale", [1.0, 1.0, 1.0]), 3, "its scale")
    return affine(linear, _numbers(node.get("translation", [0.0, 0.0, 0.0]), 3, "its translation"))


def _is_skewed(linear: Array) -> bool:
    """Whether two axes that are at right angles are so no more."""
    with np.errstate(invalid="ignore", over="ignore"):  # what is not finite is told of elsewhere
        lengths = np.linalg.norm(linear, axis=0)
        between = np.abs(linear.T @ linear - np.diag(lengths**2))
        return bool((between > ROUNDED * np.outer(lengths, lengths)).any())


def _resolve(path: Path, uri: str, limits: Limits) -> bytes:
    """Bytes of a buffer, in the document or beside it; nothing outside its folder is opened."""
    if uri.startswith("data:"):
        try:
            return base64.b64decode(uri.partition(",")[2], validate=False)
        except binascii.Error as error:
            raise UnreadableInput(
                f"{path.name}: data within it is damaged (no base64 text). Export it again."
            ) from error
    folder = path.parent.resolve()
    shown = repr(uri[:60])
    try:
        beside = (folder / unquote(uri)).resolve()
        if "://" in uri or not beside.is_relative_to(folder):
            raise UnreadableInput(
                f"{path.name}: refers to {shown}, outside its own folder. It was not opened. Export as .glb."
            )
        if beside.exists() and not beside.is_file():
            raise UnreadableInput(
                f"{path.name}: its data {shown} is no ordinary file. It was not opened. Export as .glb."
            )
        gib = beside.stat().st_size / 1024**3
        refuse_more(f"{path.name}: its data file {shown} is of {gib:.1f} GiB", gib, "file_gib", limits)
        return beside.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: no file can have that name
        reason = error.strerror if isinstance(error, OSError) else "no file can have that name"
        raise UnreadableInput(
            f"{path.name}: its data file {shown} cannot be read ({reason}). Put it beside the .gltf, or "
            "export as .glb."
        ) from error
