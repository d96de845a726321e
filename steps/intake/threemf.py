"""3MF through lib3mf: build items, nested components, units, colours, production paths."""

from __future__ import annotations

import ctypes
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np

from steps.errors import FaultyModel, UnreadableInput
from steps.intake.areas import majority, triangle_areas
from steps.intake.census import Census, take_census
from steps.intake.checks import too_few_faces
from steps.intake.extensions import check_core, check_required
from steps.intake.names import printable
from steps.intake.package import Package, check_package
from steps.intake.plain_xml import plainly
from steps.intake.refusals import meant_by
from steps.intake.scene import Colour, RawMesh, RawPart, Scene
from steps.intake.uncoloured import uncoloured, unpictured
from steps.limits import LIMITS, Limits
from steps.model import Array, Problem
from steps.progress import tick

UNIT_MM = {  # 3MF core specification, section 3.1 (units)
    lib3mf.ModelUnit.MicroMeter: 0.001,
    lib3mf.ModelUnit.MilliMeter: 1.0,
    lib3mf.ModelUnit.CentiMeter: 10.0,
    lib3mf.ModelUnit.Inch: 25.4,
    lib3mf.ModelUnit.Foot: 304.8,
    lib3mf.ModelUnit.Meter: 1000.0,
}
#: How the library and its binding refuse a file: the latter where a name is no text.
_REFUSED = (lib3mf.ELib3MFException, UnicodeDecodeError)
SUPPORT_TYPES = (lib3mf.ObjectType.Support, lib3mf.ObjectType.SolidSupport)


def read_3mf(path: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a 3MF file.

    Raises UnreadableInput when the package is damaged, hostile, or not 3MF even read leniently, and
    FaultyModel naming every object with vertices that are not finite, or where none has a body.
    """
    package = check_package(path, limits)
    try:
        return _read(path, package, limits, anyhow=False)
    except _REFUSED:
        plain = plainly(package)
    try:
        return _read(path, plain, limits, anyhow=True)
    except _REFUSED as error:
        check_core(path, take_census(plain, limits))
        raise UnreadableInput(
            f"{path.name}: is not a 3MF file that can be read: {meant_by(error)}. Export it again."
        ) from error


def _read(path: Path, package: Package, limits: Limits, anyhow: bool) -> Scene:
    census = take_census(package, limits)
    check_required(path, census)
    if census.no_number:
        (key, value), *_ = census.no_number.items()
        raise UnreadableInput(
            f"{path.name}: {census.named(key)}: a vertex has {value[:20]!r} where a number belongs. "
            "Export it again."
        )
    if census.not_finite:
        raise FaultyModel([_not_finite(census.named(key)) for key in census.not_finite])
    if census.flat:  # said before it is read, which takes the square of their number
        raise FaultyModel([too_few_faces([census.named(key) for key in census.flat])])
    model, problems, loose = _open(package, anyhow)
    loose.update(census.loose)
    if census.no_colour and not problems:
        problems.append(_no_colour(path, census.no_colour))
    if package.ambiguous:
        problems.append(_ambiguous(package))
    return _Walk(path, model, problems, census, loose).scene()


def _ambiguous(package: Package) -> Problem:
    text = (
        f"{package.name}: its ZIP package is not in order (bytes after its end, or more than one "
        "directory of its files), so that others may find another model in it. The last directory was read."
    )
    return Problem("lenient-3mf", "note", (), text)


def _no_colour(path: Path, values: Sequence[str]) -> Problem:
    text = (
        f"{path.name}: {len(values)} of its colours have no value that is one (as {values[0][:20]!r}, where "
        "#RRGGBB belongs); what has them may be shown white or black. Export it again if the colours matter."
    )
    return Problem("colour-value", "note", (), text)


def _not_finite(name: str) -> Problem:
    text = f"{name}: has vertices that are not finite numbers (NaN or infinite). Repair it and export again."
    return Problem("not-finite", "error", (name,), text)


def _no_pictures(name: str, why: str) -> Problem:
    text = f"{name}: pictures of its objects cannot be read ({why}), and are left out; nothing else is."
    return Problem("lenient-3mf", "note", (), text)


def _no_colours(name: str, why: str) -> Problem:
    text = (
        f"{name}: its colours and materials cannot be read ({why}), so the parts are grey. Export it again "
        "if you want its colours."
    )
    return Problem("colours-refused", "warning", (), text)


#: With how much less a package is tried that cannot be read whole, and what is told then.
LESS = ((unpictured, _no_pictures), (uncoloured, _no_colours))


def _loose(name: str, loose: Iterable[str]) -> Problem:
    text = f"{name} does not keep to the 3MF specification and was read leniently: {'; '.join(loose)}."
    return Problem("lenient-3mf", "note", (), text)


def _open(package: Package, anyhow: bool) -> tuple[Any, list[Problem], dict[str, None]]:
    """The lib3mf model, what of the file cannot be read, and where it does not keep to the specification;
    ``anyhow``, without its pictures, or its colours too, where it cannot be read with them."""
    wrapper = lib3mf.get_wrapper()
    try:
        model, warnings = _load(wrapper, package.source)
    except lib3mf.ELib3MFException as refused:
        for less, lost in LESS if anyhow else ():
            plain = less(package)
            if plain is None:
                continue
            with suppress(lib3mf.ELib3MFException):
                return _load(wrapper, plain.source)[0], [lost(package.name, meant_by(refused))], {}
        raise
    return model, [], dict.fromkeys(map(meant_by, warnings))


#: What the library calls as it reads: with a flag that ends it, the share done, a number of what it does, and
#: nothing. The type that its binding has for this cannot be called: it takes the number for a name.
_PROGRESS = ctypes.CFUNCTYPE(
    ctypes.c_void_p, ctypes.POINTER(ctypes.c_bool), ctypes.c_double, ctypes.c_int, ctypes.c_void_p
)


def _load(wrapper: Any, source: Path | bytes) -> tuple[Any, list[str]]:
    """The model, read leniently, and what strictly read it would have been refused for."""
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(False)
    stopped: list[BaseException] = []

    def told(abort: Any, _done: float, _where: int, _data: object) -> None:
        """What the library calls as it goes on; nothing can be raised through it."""
        try:
            tick()
        except BaseException as stop:
            stopped.append(stop)
            abort[0] = True

    call = _PROGRESS(told)  # kept as long as the reader may call it
    reader.SetProgressCallback(ctypes.cast(call, lib3mf.ProgressCallback), None)
    try:
        if isinstance(source, bytes):
            reader.ReadFromBuffer(source)
        else:
            reader.ReadFromFile(str(source))
    except lib3mf.ELib3MFException:
        if not stopped:
            raise
    if stopped:
        raise stopped[0]
    return model, [reader.GetWarning(row)[1] for row in range(min(reader.GetWarningCount(), 20))]


@dataclass
class _Node:
    """A mesh object or a component object, read once."""

    name: str
    skipped: bool = False
    mesh: int | None = None
    colour: Colour | None = None
    children: list[tuple[int, Array]] = field(default_factory=list)
    leaves: int = 0


class _Walk:
    """Reads each object once, then places it for every path that leads to it."""

    def __init__(
        self, path: Path, model: Any, problems: list[Problem], census: Census, loose: dict[str, None]
    ):
        self.path, self.model, self.problems = path, model, problems
        self.lattices = (
            census.lattices
        )  #: whether any object has one; asking each costs more than all the rest
        self.loose = loose  #: where the file does not keep to the specification
        self.palette = _Palette(model, loose, census)
        self.nodes: dict[int, _Node] = {}
        self.meshes: list[RawMesh] = []
        self.parts: list[RawPart] = []
        self.left_out: Counter[str] = Counter()

    def scene(self) -> Scene:
        for item in _each(self.model.GetBuildItems()):
            self._place_item(item)
        self._tell_left_out()
        if self.loose:
            self.problems.insert(0, _loose(self.path.name, self.loose))
        return Scene(
            tuple(self.meshes),
            tuple(self.parts),
            unit_mm=UNIT_MM[self.model.GetUnit()],
            title=_title(self.model),
            problems=tuple(self.problems),
            colour_words=self.palette.words,
        )

    def _place_item(self, item: Any) -> None:
        tick()
        top = item.GetObjectResourceID()
        if top not in self.nodes:
            self._read(top, item.GetObjectResource())
        transform = _matrix(item.GetObjectTransform()) if item.HasObjectTransform() else np.eye(4)
        found: list[tuple[_Node, Array, str]] = []
        self._flatten(top, transform, "", found)
        number = item.GetPartNumber().strip()
        names = {name for _, _, name in found}
        for node, placed, name in found:
            # a part number on a group of unlike objects names the group, not its parts
            shown = number if number and (len(names) == 1 or not name) else name
            assert node.mesh is not None
            self.parts.append(
                RawPart(shown or f"object-{len(self.parts) + 1}", node.mesh, placed, node.colour)
            )

    def _read(self, key: int, resource: Any) -> _Node:
        node = _Node(resource.GetName().strip() or resource.GetPartNumber().strip())
        if resource.GetType() in SUPPORT_TYPES:
            node.skipped = True
            self.left_out[node.name or f"object {resource.GetModelResourceID()}"] += 1
        elif isinstance(resource, lib3mf.ComponentsObject):
            self._read_components(node, resource)
        elif isinstance(resource, lib3mf.MeshObject):
            self._read_mesh(node, resource)
        else:
            name = node.name or f"object {resource.GetModelResourceID()}"
            raise UnreadableInput(
                f"{self.path.name}: {printable(name)} is volumetric data and no mesh, which is not read. "
                "Export the parts as plain meshes."
            )
        self.nodes[key] = node
        return node

    def _read_components(self, node: _Node, group: Any) -> None:
        for row in range(group.GetComponentCount()):
            component = group.GetComponent(row)
            key = component.GetObjectResourceID()
            child = self.nodes.get(key) or self._read(key, component.GetObjectResource())
            placed = _matrix(component.GetTransform()) if component.HasTransform() else np.eye(4)
            node.children.append((key, placed))
            node.leaves += child.leaves

    def _read_mesh(self, node: _Node, mesh: Any) -> None:
        vertices = _rows(mesh.GetVertices(), lib3mf.Position, np.float32)
        faces = _rows(mesh.GetTriangleIndices(), lib3mf.Triangle, np.uint32)
        if self.lattices and (beams := mesh.BeamLattice().GetBeamCount()):
            self._tell_lattice(node.name or f"object {mesh.GetModelResourceID()}", beams, len(faces))
        node.colour = self.palette.colour_of(mesh, vertices, faces)
        node.mesh, node.leaves = len(self.meshes), 1
        self.meshes.append(RawMesh(node.name or f"object {mesh.GetModelResourceID()}", vertices, faces))

    def _tell_lattice(self, name: str, beams: int, faces: int) -> None:
        """A note; raises UnreadableInput where the object is nothing else."""
        name = printable(name)
        if not faces:
            raise UnreadableInput(
                f"{self.path.name}: {name} is a beam lattice ({beams:,} beams) and no mesh, which is not "
                "read here. Export the parts as plain meshes."
            )
        text = f"{name}: its beam lattice ({beams:,} beams) is not read, only its mesh."
        self.problems.append(Problem("beam-lattice", "note", (name,), text))

    def _flatten(self, key: int, placed: Array, above: str, found: list[tuple[_Node, Array, str]]) -> None:
        """Every mesh below ``key``, named by the outermost object that holds it alone, else by its own."""
        node = self.nodes[key]
        name = above if above and node.leaves == 1 else node.name
        if node.mesh is not None:
            found.append((node, placed, name))
        for child, own in node.children:
            self._flatten(child, placed @ own, name if node.leaves == 1 else "", found)

    def _tell_left_out(self) -> None:
        if self.left_out:
            names = tuple(self.left_out)
            text = f"Left out, being printing support and not model: {', '.join(names)}."
            self.problems.append(Problem("support-left-out", "note", names, text))


class _Palette:
    """Colours of base materials, colour groups and what is layered or mixed of them."""

    def __init__(self, model: Any, loose: dict[str, None], census: Census):
        self.model, self.loose, self.census = model, loose, census
        self.known: dict[tuple[int, int], Colour | None] = {}
        self.words: dict[Colour, str] = {}  #: names of the materials of each colour

    def colour_of(self, mesh: Any, vertices: np.ndarray, faces: np.ndarray) -> Colour | None:
        """The colour that covers most of the mesh's area; None where the file gives none."""
        resource, at, given = mesh.GetObjectLevelProperty()
        default = self._lookup(resource, at) if given else None
        if not len(faces):
            return default
        keys = _rows(mesh.GetAllTriangleProperties(), lib3mf.TriangleProperties, np.uint32, 4)[:, :2]
        if not given and keys[:, 0].any():
            self.loose["triangles have colours and their object has none (core, 4.1.4)"] = None
        if (keys == keys[0]).all():  # as in most files: spares the sorting
            return self._lookup(*keys[0]) or default
        unique, group = np.unique(keys, axis=0, return_inverse=True)
        colours = [self._lookup(*key) or default for key in unique]
        areas = np.bincount(group.reshape(-1), weights=triangle_areas(vertices, faces), minlength=len(unique))
        return majority(colours, areas)

    def _lookup(self, resource: int, at: int) -> Colour | None:
        key = (int(resource), int(at))
        if key not in self.known:
            self.known[key] = None  # a property that refers to itself ends here
            self.known[key] = self._find(*key) if key[0] else None
        return self.known[key]

    def _find(self, resource: int, at: int) -> Colour | None:
        model, kinds = self.model, lib3mf.PropertyType
        try:
            kind = model.GetPropertyTypeByID(resource)
            if kind == kinds.BaseMaterial:
                group = model.GetBaseMaterialGroupByID(resource)
                colour = _rgb(group.GetDisplayColor(at))
                self.words.setdefault(colour, group.GetName(at))
                return colour
            if kind == kinds.Colors:
                return _rgb(model.GetColorGroupByID(resource).GetColor(at))
            if kind == kinds.Composite:
                return self._mixed(model.GetCompositeMaterialsByID(resource), at)
            if kind == kinds.Multi:
                return self._layered(model.GetMultiPropertyGroupByID(resource), at)
        except lib3mf.ELib3MFException:
            return None  # a dangling reference, met only when read leniently: as if no colour were given
        return None  # textures carry no one colour

    def _mixed(self, group: Any, at: int) -> Colour | None:
        """By the rows that the group names of its materials, which the library takes for the first ones."""
        base = group.GetBaseMaterialGroup()
        rows, own = (
            self.census.rows_mixed(group.PackagePart().GetPath(), group.GetModelResourceID()),
            base.GetAllPropertyIDs(),
        )
        if any(row >= len(own) for row in rows):
            self.loose["mixed materials name one that is not there (materials, 5.1)"] = None
        shares = [
            (self._lookup(base.GetResourceID(), own[row]), share.MixingRatio)
            for row, share in zip(rows, group.GetComposite(at), strict=False)
            if row < len(own)
        ]
        if not any(ratio > 0 for _, ratio in shares):
            self.loose["mixed materials are of no share that is more than nothing (materials, 5.1)"] = None
        known = [(colour, ratio) for colour, ratio in shares if colour is not None and ratio > 0]
        if not known:
            return None
        mean = np.average([colour for colour, _ in known], axis=0, weights=[ratio for _, ratio in known])
        red, green, blue = (round(float(value)) for value in mean)
        return red, green, blue

    def _layered(self, group: Any, at: int) -> Colour | None:
        """The last layer that has a colour: later layers cover earlier ones."""
        layers = [group.GetLayer(row).ResourceID for row in range(group.GetLayerCount())]
        kinds = lib3mf.PropertyType
        if any(
            self.model.GetPropertyTypeByID(row) in (kinds.BaseMaterial, kinds.Composite) for row in layers[1:]
        ):
            self.loose["a material is no first layer (materials, 5.2)"] = None
        ids = group.GetMultiProperty(at, [0] * len(layers))  # the binding wants room for the answer first
        found = [self._lookup(layer, own) for layer, own in zip(layers, ids, strict=False)]
        return next((colour for colour in reversed(found) if colour is not None), None)


def _rows(values: list, kind: Any, number: type, width: int = 3) -> np.ndarray:
    """(n, width) numbers out of a list of lib3mf structures."""
    return np.frombuffer((kind * len(values))(*values), dtype=number).reshape(-1, width)


def _rgb(colour: Any) -> Colour:
    return colour.Red, colour.Green, colour.Blue


def _matrix(transform: Any) -> Array:
    """(4, 4) acting on columns; the file's rows act on row vectors."""
    placed = np.eye(4)
    placed[:3, :] = np.array([list(row) for row in transform.Fields], dtype=np.float64).T
    return placed


def _each(iterator: Any) -> Iterator[Any]:
    while iterator.MoveNext():
        yield iterator.GetCurrent()


def _title(model: Any) -> str | None:
    group = model.GetMetaDataGroup()
    for row in range(group.GetMetaDataCount()):
        data = group.GetMetaData(row)
        if data.GetName().lower() == "title" and not data.GetNameSpace():
            return data.GetValue().strip() or None
    return None
