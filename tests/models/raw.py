"""Meshes as people find them: one model, drawn clean and drawn carelessly in every way we know.

A part is a list of closed shells (body with its cavity, studs, tubes) whose union is the clean solid. A
*fault* turns the shells into a triangle soup that shows the same solid badly. Nothing here uses the code
under test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import manifold3d as m3
import numpy as np
import trimesh
from manifold3d import Manifold

Soup = np.ndarray  #: (m, 3, 3) corners, mm

#: How far shells are pushed into each other where they are, mm at a pitch of 10.
SUNK = 0.4


@dataclass(frozen=True)
class Make:
    """Measures of the parts, mm; a proportion of our own."""

    pitch: float = 10.0
    block: float = 9.0
    wall: float = 1.4
    roof: float = 1.8
    stud_radius: float = 2.9
    stud_height: float = 2.1
    gap: float = 0.12
    facets: int = 32

    @property
    def tube(self) -> float:
        return self.pitch / 2**0.5 - self.stud_radius - self.gap


@dataclass(frozen=True, eq=False)
class RawPart:
    """One part in its own coordinates: shells by role, pushed into each other."""

    body: tuple[Manifold, ...]
    studs: tuple[Manifold, ...]
    tubes: tuple[Manifold, ...]

    @property
    def shells(self) -> tuple[Manifold, ...]:
        return (*self.body, *self.studs, *self.tubes)

    @property
    def clean(self) -> Manifold:
        return Manifold.batch_boolean(list(self.shells), m3.OpType.Add)


def part(
    columns: int, rows: int, make: Make = Make(), sunk: float = SUNK, height: float | None = None
) -> RawPart:
    """A block: body with a cavity, studs on its roof, tubes under it, each shell ``sunk`` into the next."""
    m, high = make, make.block if height is None else height
    long, wide = columns * m.pitch - 2 * m.gap, rows * m.pitch - 2 * m.gap
    body = _box((m.gap, m.gap, 0), (long, wide, high))
    # the cavity's walls keep the gap from the outer studs, so that a lid holds
    side = m.pitch / 2 - m.stud_radius - m.gap
    cavity = _box(
        (side, side, -1), (columns * m.pitch - 2 * side, rows * m.pitch - 2 * side, high - m.roof + 1)
    )
    studs = [
        Manifold.cylinder(m.stud_height + sunk, m.stud_radius, m.stud_radius, m.facets).translate(
            [(i + 0.5) * m.pitch, (j + 0.5) * m.pitch, high - sunk]
        )
        for i in range(columns)
        for j in range(rows)
    ]
    inner = high - m.roof
    tubes = []
    for i in range(1, columns):
        for j in range(1, rows):
            tube = Manifold.cylinder(inner + sunk, m.tube, m.tube, m.facets)
            tube -= Manifold.cylinder(2 * high, m.tube - 0.9, m.tube - 0.9, m.facets).translate([0, 0, -1])
            tubes.append(tube.translate([i * m.pitch, j * m.pitch, 0]))
    return RawPart((body - cavity,), tuple(studs), tuple(tubes))


def _box(low: Sequence[float], size: Sequence[float]) -> Manifold:
    return Manifold.cube(list(size)).translate(list(low))


# ---------------------------------------------------------------------------- the model


@dataclass(frozen=True, eq=False)
class Assembly:
    """Parts by key, and where each copy stands."""

    parts: Mapping[str, RawPart]
    placed: tuple[tuple[str, tuple[float, float, float]], ...]


def pile(make: Make = Make(), sunk: float = SUNK) -> Assembly:
    """Seven blocks of three shapes in four courses; three gaps of the pile are bridged."""
    p, h = make.pitch, make.block
    parts = {"long": part(4, 2, make, sunk), "short": part(2, 2, make, sunk), "bar": part(3, 1, make, sunk)}
    placed = (
        ("long", (0, 0, 0)),
        ("long", (4 * p, 0, 0)),
        ("short", (0, 0, h)),
        ("long", (2 * p, 0, h)),
        ("short", (6 * p, 0, h)),
        ("bar", (p, 0, 2 * h)),
        ("bar", (4 * p, p, 2 * h)),
    )
    return Assembly(parts, placed)


# ------------------------------------------------------------------------------ faults

Fault = Callable[[RawPart, np.random.Generator], Soup]


def soup_of(body: Manifold) -> Soup:
    mesh = body.to_mesh64()
    return np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]


def clean(raw: RawPart, random: np.random.Generator) -> Soup:
    """The united solid."""
    return soup_of(raw.clean)


def shells(raw: RawPart, random: np.random.Generator) -> Soup:
    """Closed shells that overlap, never united."""
    return np.concatenate([soup_of(shell) for shell in raw.shells])


def hidden_left_out(raw: RawPart, random: np.random.Generator) -> Soup:
    """Shells without the faces that nobody sees: stud bottoms, tube tops."""
    kept = [soup_of(shell) for shell in raw.body]
    kept += [_without(soup_of(stud), low=True) for stud in raw.studs]
    kept += [_without(soup_of(tube), low=False) for tube in raw.tubes]
    return np.concatenate(kept)


def _without(soup: Soup, low: bool) -> Soup:
    level = soup[:, :, 2].min() if low else soup[:, :, 2].max()
    return soup[~(np.abs(soup[:, :, 2] - level) < 1e-9).all(axis=1)]


def flipped(raw: RawPart, random: np.random.Generator) -> Soup:
    """A fifth of the united solid's faces wound the wrong way."""
    return flip(clean(raw, random), 0.2, random)


def doubled(raw: RawPart, random: np.random.Generator) -> Soup:
    """A fifth of the faces twice, half of those the other way round."""
    soup = clean(raw, random)
    again = soup[random.random(len(soup)) < 0.2]
    again[::2] = again[::2, ::-1]
    return shuffle(np.concatenate([soup, again]), random)


def missing(raw: RawPart, random: np.random.Generator) -> Soup:
    """One face in thirty is not there."""
    return lose(clean(raw, random), 1 / 30, random)


def flipped_and_missing(raw: RawPart, random: np.random.Generator) -> Soup:
    return flip(lose(clean(raw, random), 1 / 30, random), 0.2, random)


def cracks(raw: RawPart, random: np.random.Generator) -> Soup:
    """Every face with corners of its own, each up to 0.004 mm off."""
    soup = clean(raw, random)
    return soup + random.uniform(-0.004, 0.004, soup.shape)


def t_joints(raw: RawPart, random: np.random.Generator) -> Soup:
    """A third of the faces cut at the middle of their longest side, their neighbours not."""
    return cut(clean(raw, random), 1 / 3, random)


def unshared(raw: RawPart, random: np.random.Generator) -> Soup:
    """Single precision far from the origin, nothing shared."""
    return (clean(raw, random) + 300.0).astype(np.float32).astype(np.float64) - 300.0


def self_crossing(raw: RawPart, random: np.random.Generator) -> Soup:
    """The body drawn as one closed ribbon that runs round once and a quarter, through itself."""
    return np.concatenate([_ribbon(raw), *(soup_of(shell) for shell in (*raw.studs, *raw.tubes))])


def _ribbon(raw: RawPart) -> Soup:
    """Roof and walls of the body; the walls are swept as one closed shell that crosses itself."""
    low, high = np.array(raw.body[0].bounding_box()).reshape(2, 3)
    inner = _inner_box(raw.body[0])
    (x0, y0, z0), (x1, y1, z1) = low, high
    (a0, b0), (a1, b1), roof = inner
    outer = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0), (x1, y0)]
    inside = [(a0, b0), (a1, b0), (a1, b1), (a0, b1), (a0, b0), (a1, b0)]
    quads = []
    for (p, q), (r, s) in zip(pairwise(outer), pairwise(inside), strict=True):
        quads.append([(*p, z0), (*q, z0), (*q, z1), (*p, z1)])
        quads.append([(*s, z0), (*r, z0), (*r, z1), (*s, z1)])
        quads.append([(*p, z1), (*q, z1), (*s, z1), (*r, z1)])
        quads.append([(*r, z0), (*s, z0), (*q, z0), (*p, z0)])
    first, last = (outer[0], inside[0]), (outer[-1], inside[-1])
    quads.append([(*first[0], z0), (*first[0], z1), (*first[1], z1), (*first[1], z0)])
    quads.append([(*last[1], z0), (*last[1], z1), (*last[0], z1), (*last[0], z0)])
    walls = np.array([[q[i] for i in (0, k, k + 1)] for q in quads for k in (1, 2)], dtype=np.float64)
    lid = soup_of(_box((x0, y0, roof), (x1 - x0, y1 - y0, z1 - roof)))
    return np.concatenate([walls, lid])


def _inner_box(body: Manifold) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Least and greatest corner of the cavity across, and its roof."""
    points = np.unique(soup_of(body).reshape(-1, 3).round(9), axis=0)
    low, high = points.min(axis=0), points.max(axis=0)
    inner = points[((points > low + 1e-6) & (points < high - 1e-6))[:, :2].all(axis=1)]
    a, b = inner.min(axis=0), inner.max(axis=0)
    return (a[0], a[1]), (b[0], b[1]), b[2]


def inside_out(raw: RawPart, random: np.random.Generator) -> Soup:
    """Every second shell turned inside out, the body among them."""
    return np.concatenate(
        [soup_of(s)[:, ::-1] if row % 2 == 0 else soup_of(s) for row, s in enumerate(raw.shells)]
    )


def specks(raw: RawPart, random: np.random.Generator) -> Soup:
    """Dust: tiny closed shells and single faces on and off the surface."""
    soup = clean(raw, random)
    low, high = soup.min(axis=(0, 1)), soup.max(axis=(0, 1))
    dust = []
    for row in range(9):
        at = random.uniform(low - 0.3, high + 0.3)
        grain = soup_of(Manifold.tetrahedron().scale([0.02 + 0.004 * row] * 3).translate(list(at)))
        dust.append(grain if row % 3 else grain[:1])
    return np.concatenate([soup, *dust])


def no_area(raw: RawPart, random: np.random.Generator) -> Soup:
    """Faces without area: points, needles, and sides split by a face that lies in the edge."""
    soup = clean(raw, random)
    some = soup[random.random(len(soup)) < 0.2]
    points = np.repeat(some[:, :1], 3, axis=1)
    needles = np.stack([some[:, 0], some[:, 1], (some[:, 0] + some[:, 1]) / 2], axis=1)
    return shuffle(np.concatenate([soup, points, needles]), random)


def partitions(raw: RawPart, random: np.random.Generator) -> Soup:
    """The united solid with sheets of no thickness inside its walls and under its roof."""
    soup = clean(raw, random)
    (a0, b0), (a1, b1), roof = _inner_box(raw.body[0])
    high = max(float(s.bounding_box()[5]) for s in raw.body)
    z = (roof + high) / 2
    sheet = np.array([[(a0, b0, z), (a1, b0, z), (a1, b1, z)], [(a0, b0, z), (a1, b1, z), (a0, b1, z)]])
    y0 = float(raw.body[0].bounding_box()[1])
    y = (y0 + b0) / 2
    wall = np.array([[(a0, y, 1), (a1, y, 1), (a1, y, roof)], [(a0, y, 1), (a1, y, roof), (a0, y, roof)]])
    return np.concatenate([soup, sheet, wall, wall[:, ::-1]])


def everything(raw: RawPart, random: np.random.Generator) -> Soup:
    """Shells without hidden faces, some inside out, with flipped, doubled, missing and empty faces, T-joints,
    cracks and dust."""
    soup = hidden_left_out(raw, random)
    soup = cut(lose(soup, 1 / 60, random), 0.1, random)
    extra = soup[random.random(len(soup)) < 0.05]
    needles = np.stack([extra[:, 0], extra[:, 1], (extra[:, 0] + extra[:, 1]) / 2], axis=1)
    soup = flip(np.concatenate([soup, extra, needles]), 0.2, random)
    soup = soup + random.uniform(-0.001, 0.001, soup.shape)
    grain = soup_of(Manifold.tetrahedron().scale([0.03] * 3).translate([3.0, -1.0, 1.0]))
    return shuffle(np.concatenate([soup, grain]), random)


def scanned(raw: RawPart, random: np.random.Generator) -> Soup:
    """A dense mesh of the united solid, every vertex off by up to 0.05 mm (0.02 mm standard deviation)."""
    body = raw.clean.refine_to_length(1.2)
    mesh = body.to_mesh64()
    vertices = np.asarray(mesh.vert_properties)[:, :3]
    vertices = vertices + np.clip(random.normal(0, 0.02, vertices.shape), -0.05, 0.05)
    return vertices[np.asarray(mesh.tri_verts, dtype=np.int64)]


def decimated(raw: RawPart, random: np.random.Generator) -> Soup:
    """Fewer faces, the surface off by up to 0.01 mm."""
    return soup_of(raw.clean.refine_to_length(1.5).simplify(0.01))


FAULTS: Mapping[str, Fault] = {
    fault.__name__: fault
    for fault in (
        clean,
        shells,
        hidden_left_out,
        flipped,
        doubled,
        missing,
        flipped_and_missing,
        cracks,
        t_joints,
        unshared,
        self_crossing,
        inside_out,
        specks,
        no_area,
        partitions,
        everything,
        scanned,
        decimated,
    )
}


def flip(soup: Soup, share: float, random: np.random.Generator) -> Soup:
    turned = random.random(len(soup)) < share
    soup = soup.copy()
    soup[turned] = soup[turned][:, ::-1]
    return soup


def lose(soup: Soup, share: float, random: np.random.Generator) -> Soup:
    return soup[random.random(len(soup)) >= share]


def shuffle(soup: Soup, random: np.random.Generator) -> Soup:
    return soup[random.permutation(len(soup))]


def cut(soup: Soup, share: float, random: np.random.Generator) -> Soup:
    chosen = random.random(len(soup)) < share
    some = soup[chosen]
    sides = np.linalg.norm(np.roll(some, -1, axis=1) - some, axis=2)
    order = (sides.argmax(axis=1)[:, None] + np.arange(3)) % 3
    some = np.take_along_axis(some, order[:, :, None], axis=1)
    middle = (some[:, 0] + some[:, 1]) / 2
    halves = [
        np.stack([some[:, 0], middle, some[:, 2]], axis=1),
        np.stack([middle, some[:, 1], some[:, 2]], axis=1),
    ]
    return np.concatenate([soup[~chosen], *halves])


# ------------------------------------------------------------------------------- files


def meshes(assembly: Assembly, fault: Fault, seed: int = 1) -> dict[str, Soup]:
    """The soup of each part."""
    random = np.random.default_rng(seed)
    return {key: fault(raw, random) for key, raw in assembly.parts.items()}


def as_glb(assembly: Assembly, soups: Mapping[str, Soup], path: Path) -> Path:
    """One node per part; every face has its own corners."""
    scene = trimesh.Scene()
    for number, (key, at) in enumerate(assembly.placed, 1):
        pose = np.eye(4)
        pose[:3, 3] = np.array(at) / 1000
        turn = np.eye(4)
        turn[:3, :3] = [[1, 0, 0], [0, 0, 1], [0, -1, 0]]  # z up to y up
        soup = soups[key] / 1000
        mesh = trimesh.Trimesh(soup.reshape(-1, 3), np.arange(soup.size // 3).reshape(-1, 3), process=False)
        if key not in scene.geometry:
            scene.add_geometry(mesh, geom_name=key, node_name=f"{key}-{number}", transform=turn @ pose)
        else:
            scene.graph.update(frame_to=f"{key}-{number}", matrix=turn @ pose, geometry=key)
    path.write_bytes(bytes(scene.export(file_type="glb")))
    return path


def as_obj(assembly: Assembly, soups: Mapping[str, Soup], path: Path, groups: bool = True) -> Path:
    """One object per part, or all in one."""
    lines, count = [], 0
    for number, (key, at) in enumerate(assembly.placed, 1):
        if groups:
            lines.append(f"o {key}-{number}")
        soup = soups[key] + np.array(at, dtype=np.float64)
        lines += [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in soup.reshape(-1, 3).tolist()]
        lines += [f"f {count + 3 * k + 1} {count + 3 * k + 2} {count + 3 * k + 3}" for k in range(len(soup))]
        count += soup.size // 3
    path.write_text("\n".join(lines) + "\n")
    return path


def as_stl(assembly: Assembly, soups: Mapping[str, Soup], path: Path) -> Path:
    """The whole model as one binary STL."""
    soup = np.concatenate([soups[key] + np.array(at, dtype=np.float64) for key, at in assembly.placed])
    path.write_bytes(stl_bytes(soup))
    return path


def as_folder(assembly: Assembly, soups: Mapping[str, Soup], folder: Path) -> Path:
    """One STL per shape and a table of placements."""
    folder.mkdir(parents=True, exist_ok=True)
    for key, soup in soups.items():
        (folder / f"{key}.stl").write_bytes(stl_bytes(soup))
    rows = ["id,file,colour,x,y,z,rx,ry,rz"]
    rows += [
        f"{key}-{n},{key}.stl,#5f7d95,{x},{y},{z},0,0,0"
        for n, (key, (x, y, z)) in enumerate(assembly.placed, 1)
    ]
    (folder / "placements.csv").write_text("\n".join(rows) + "\n")
    return folder


def stl_bytes(soup: Soup) -> bytes:
    faces = np.zeros(
        len(soup), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
    )
    faces["corners"] = soup
    return b"raw".ljust(80) + len(soup).to_bytes(4, "little") + faces.tobytes()


def as_3mf(assembly: Assembly, soups: Mapping[str, Soup], path: Path) -> Path:
    """One object per shape, one build item per part, written by hand: faces with corners of their own."""
    import zipfile

    objects = []
    for number, (key, soup) in enumerate(soups.items(), 1):
        vertices = "".join(
            f'<vertex x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"/>' for x, y, z in soup.reshape(-1, 3).tolist()
        )
        faces = "".join(
            f'<triangle v1="{3 * k}" v2="{3 * k + 1}" v3="{3 * k + 2}"/>' for k in range(len(soup))
        )
        objects.append(
            f'<object id="{number}" type="model" name="{key}"><mesh><vertices>{vertices}</vertices>'
            f"<triangles>{faces}</triangles></mesh></object>"
        )
    rows = {key: number for number, key in enumerate(soups, 1)}
    items = "".join(
        f'<item objectid="{rows[key]}" partnumber="{key}-{n}" transform="1 0 0 0 1 0 0 0 1 {x} {y} {z}"/>'
        for n, (key, (x, y, z)) in enumerate(assembly.placed, 1)
    )
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    model = (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xmlns="{core}"><resources>'
        f"{''.join(objects)}</resources><build>{items}</build></model>"
    )
    package = "application/vnd.openxmlformats-package.relationships+xml"
    part_type = "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
    types = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        f'<Default Extension="rels" ContentType="{package}"/>'
        f'<Default Extension="model" ContentType="{part_type}"/></Types>'
    )
    relations = (
        '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
        'relationships"><Relationship Target="/3D/3dmodel.model" Id="rel0" Type="http://schemas.microsoft.com/'
        '3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", types)
        archive.writestr("_rels/.rels", relations)
        archive.writestr("3D/3dmodel.model", model)
    return path
