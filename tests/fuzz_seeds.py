"""Small good files of every kind that is read, to be broken: see ``tests.fuzzing``."""

from __future__ import annotations

import faulthandler
import importlib.util
import io
import json
import os
import signal
import struct
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.bad_inputs import RELATIONS, TYPES
from tests.intake_files import CORE, MODEL_PATH, SCREW, Gltf, binary_stl, box, mesh_xml, text_stl
from tests.intake_step import write_step

Unwrap = Callable[[bytes], bytes]
Wrap = Callable[[bytes, bytes], bytes]


@dataclass(frozen=True)
class Seed:
    """Files by name, those of them to break, and how to reach the text within such a file."""

    files: Mapping[str, bytes]
    targets: Sequence[str]
    inner: tuple[Unwrap, Wrap] | None = None
    json: bool = False  #: the text within is JSON


def _survey(name: str) -> Callable[[Path], list[str]]:
    def through(folder: Path) -> list[str]:
        from steps.pipeline import survey
        from steps.settings import Settings

        found = survey(folder / name, Settings())
        names = [text for part in found.model.parts for text in (part.source, str(part.colour_name))]
        return [found.model.name, *names, *(problem.text for problem in found.problems)]

    return through


class Forked:
    """A worker that is a fork of this process, which has the mesher loaded: a fresh interpreter takes most of
    a second to load it."""

    def __init__(self, module: str, moved: Callable[[], None]):
        importlib.import_module(module)
        importlib.import_module("cascadio")

    def ask(self, work: Callable[..., Iterator[Any]], *arguments: object) -> Iterator[Any]:
        from steps.workers import WorkerEnded

        questions, asking = os.pipe()
        child = os.fork()
        if child == 0:
            _work(work, arguments, questions)
        os.close(questions)
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        os.close(asking)
        if status < 0:
            raise WorkerEnded(f"by signal {signal.Signals(-status).name}")
        yield from ()

    def end(self) -> None:
        """It has ended."""


def _work(work: Callable[..., Iterator[Any]], arguments: Sequence[object], questions: int) -> None:
    """In the fork: what is asked, silently, and out."""
    try:
        faulthandler.disable()  # the mesher ends by faults of its own
        null = os.open(os.devnull, os.O_WRONLY)
        for place, number in enumerate((questions, null, null)):
            os.dup2(number, place)
        sys.stdin = os.fdopen(0)
        for _ in work(*arguments):
            pass
    finally:
        os._exit(0)


def _step_survey(folder: Path) -> list[str]:
    with patch("steps.intake.step_cad.Worker", Forked):
        return _survey("m.step")(folder)


def _settings(folder: Path) -> list[str]:
    from steps.settings import load_settings

    settings = load_settings(folder / "stepleaf.toml", found=True)
    return [settings.title or "", *settings.order.notes.values(), *settings.order.names.values()]


def _verify(folder: Path) -> list[str]:
    from steps.letters import unsteered
    from steps.verify import verify_plan

    report = verify_plan(folder / "m.plan.json", folder / "m.3mf")
    return [unsteered(report.faults_text())]


#: What each kind of file goes through, given the folder it lies in; what is said and named on the way.
KINDS: Mapping[str, Callable[[Path], list[str]]] = {
    "3mf": _survey("m.3mf"),
    "glb": _survey("m.glb"),
    "gltf": _survey("m.gltf"),
    "obj": _survey("m.obj"),
    "stl": _survey("m.stl"),
    "placements": _survey("placements.csv"),
    "parts": _survey("."),
    "build": _survey("build.toml"),
    "settings": _settings,
    "plan": _verify,
    **({"step": _step_survey} if importlib.util.find_spec("cascadio") else {}),
}


@cache
def seeds(kind: str) -> Sequence[Seed]:
    """The seeds of a kind, made once."""
    with tempfile.TemporaryDirectory() as folder:
        return _MAKERS[kind](Path(folder))


def _zip(folder: Path) -> list[Seed]:
    sand = '<basematerials id="7"><base name="sand" displaycolor="#C2B280"/></basematerials>'
    red = '<m:colorgroup id="8"><m:color color="#FF0000"/></m:colorgroup>'
    mesh = mesh_xml(box((20, 20, 10)))
    parts = [
        f'<object id="1" name="lid" type="model" pid="7" pindex="0">{mesh}</object>',
        f'<object id="2" name="screw" type="model" pid="8" pindex="0">{mesh_xml(SCREW)}</object>',
        '<object id="3" name="pair" type="model"><components><component objectid="1"/>'
        '<component objectid="2" transform="1 0 0 0 1 0 0 0 1 0 0 10"/></components></object>',
    ]
    build = '<item objectid="3" partnumber="a"/><item objectid="3" transform="0 1 0 -1 0 0 0 0 1 60 0 0"/>'
    group = _packed(_root(f"{sand}{red}{''.join(parts)}", build))
    wide = _packed(_model_of(group).decode().encode("utf-16"))
    return [Seed({"m.3mf": each}, ["m.3mf"], (_model_of, _with_model)) for each in (_two(), group, wide)]


def _root(resources: str, build: str) -> bytes:
    material = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xml:lang="en-US" xmlns="{CORE}" '
        f'xmlns:m="{material}"><metadata name="Title">Gate</metadata><resources>{resources}</resources>'
        f"<build>{build}</build></model>"
    ).encode()


def _two() -> bytes:
    """A 3MF of two boxes, one on the other."""
    lid = f'<object id="1" name="lid" type="model">{mesh_xml(box((20, 20, 10)))}</object>'
    high = '<item objectid="1" partnumber="high" transform="1 0 0 0 1 0 0 0 1 0 0 10"/>'
    return _packed(_root(lid, f'<item objectid="1" partnumber="low"/>{high}'))


def _packed(root: bytes) -> bytes:
    """The package around a model, without the clock: same text, same bytes."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, text in (("[Content_Types].xml", TYPES), ("_rels/.rels", RELATIONS), (MODEL_PATH, root)):
            archive.writestr(zipfile.ZipInfo(name), text)
    return made.getvalue()


def _model_of(data: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.read(MODEL_PATH)


def _with_model(data: bytes, text: bytes) -> bytes:
    return _packed(text)


def _scene() -> Gltf:
    file = Gltf()
    vertices, faces = box((20, 20, 10))
    file.document["materials"] = [
        {"name": "teal", "pbrMetallicRoughness": {"baseColorFactor": [0, 0.5, 0.5, 1]}}
    ]
    mesh = file.mesh(file.primitive((vertices / 1000, faces), 0), name="lid")
    inner = file.node(root=False, mesh=mesh, name="low", translation=[0, 0, 0])
    file.node(children=[inner], rotation=[0, 0, 0, 1], scale=[1, 1, 1])
    file.node(mesh=mesh, name="high", translation=[0, 0.02, 0])
    return file


def _glb(folder: Path) -> list[Seed]:
    data = _scene().write(folder / "m.glb").read_bytes()
    file = Gltf()
    mesh = file.mesh(file.primitive((SCREW[0] / 1000, SCREW[1])))
    shifts = file.accessor([[0, 0, 0], [0.05, 0, 0]])
    file.node(mesh=mesh, extensions={"EXT_mesh_gpu_instancing": {"attributes": {"TRANSLATION": shifts}}})
    copies = file.write(folder / "i.glb").read_bytes()
    return [Seed({"m.glb": each}, ["m.glb"], (_json_of, _with_json), json=True) for each in (data, copies)]


def _json_of(data: bytes) -> bytes:
    return data[20 : 20 + struct.unpack("<I", data[12:16])[0]]


def _with_json(data: bytes, text: bytes) -> bytes:
    rest = data[20 + struct.unpack("<I", data[12:16])[0] :]
    text += b" " * (-len(text) % 4)
    body = struct.pack("<I", len(text)) + b"JSON" + text + rest
    return b"glTF" + struct.pack("<II", 2, 12 + len(body)) + body


def _whole(data: bytes) -> bytes:
    return data


def _instead(data: bytes, text: bytes) -> bytes:
    return text


def _gltf(folder: Path) -> list[Seed]:
    file = _scene()
    document = file.document | {"buffers": [{"byteLength": len(file.data), "uri": "m.bin"}]}
    text = json.dumps({key: value for key, value in document.items() if value != []}).encode()
    return [Seed({"m.gltf": text, "m.bin": file.data}, ["m.gltf"], (_whole, _instead), json=True)]


def _obj(folder: Path) -> list[Seed]:
    lines = ["mtllib m.mtl"]
    for row, name in enumerate(("low", "high")):
        vertices = box((20, 20, 10), (0, 0, 10 * row))[0]
        lines += [f"o {name}", "usemtl sand", *(f"v {x} {y} {z}" for x, y, z in vertices.tolist())]
        lines += ["f " + " ".join(str(corner + 1 + 8 * row) for corner in face) for face in box()[1].tolist()]
    quad = "v 0 0 0\nv 9 0 0\nv 9 9 0\nv 4 4 0\nv 0 9 0\nv 0 0 9\n"
    quad += "f 5 4 3 2 1\nf 1 2 6\nf 2 3 6\nf 3/1/1 4//2 6\nf 4 5 6\nf 5 1 6\n"
    colours = b"newmtl sand\nKd 0.8 0.7 0.5\n"
    return [
        Seed({"m.obj": "\n".join(lines).encode(), "m.mtl": colours}, ["m.obj", "m.obj", "m.mtl"]),
        Seed({"m.obj": quad.encode()}, ["m.obj"]),
    ]


def _stl(folder: Path) -> list[Seed]:
    pair = box((20, 20, 10)), box((20, 20, 10), (0, 0, 10))
    binary = binary_stl(folder / "b.stl", *pair).read_bytes()
    text = text_stl(folder / "t.stl", low=pair[0], high=pair[1]).read_bytes()
    return [Seed({"m.stl": each}, ["m.stl"]) for each in (binary, text)]


def _step(folder: Path) -> list[Seed]:
    pair = [("lid", "low", (0, 0, 0)), ("lid", "high", (0, 0, 10))]
    data = write_step(folder / "m.step", {"lid": (20, 20, 10)}, pair).read_bytes()
    return [Seed({"m.step": data}, ["m.step"])]


def _mesh(folder: Path) -> bytes:
    return binary_stl(folder / "a.stl", box((20, 20, 10))).read_bytes()


def _placements(folder: Path) -> list[Seed]:
    rows = "id,file,colour,x,y,z,rx,ry,rz\nlow,a.stl,teal,0,0,0,0,0,0\nhigh,a.stl,#c2b280,0,0,10,0,0,90\n"
    return [
        Seed({"placements.csv": each.encode(), "a.stl": _mesh(folder)}, ["placements.csv"])
        for each in (rows, rows.replace(",", ";"))
    ]


def _parts(folder: Path) -> list[Seed]:
    rows = b"file,count,colour,name\nwall red x2.stl,3,teal,wall\npost.stl,,,post\n"
    files = {"wall red x2.stl": _mesh(folder), "post.stl": _mesh(folder)}
    return [Seed({"parts.csv": rows, **files}, ["parts.csv", "parts.csv", "post.stl"])]


def _build(folder: Path) -> list[Seed]:
    text = """title = "Gate"
[pieces]
A = { file = "a", colour = "teal", turn = 1 }
B = "a"
[[course]]
map = \"\"\"
A.
.B\"\"\"
at = [1, 1]
[[course]]
map = "A"
[build]
lines = \"\"\"
# nothing more
\"\"\"
"""
    return [Seed({"build.toml": text.encode(), "a.stl": _mesh(folder)}, ["build.toml"])]


def _toml(folder: Path) -> list[Seed]:
    text = """title = "Gate"
scale = 4.0
refit = "press"
[printer]
bed_mm = [220, 220, 250]
[fit]
stud_diameter_mm = 26.5
socket_diameter_mm = 26.9
[fit.stud_card]
press = [3, 4]
pulls_kg = { 3 = [1.5, 1.4] }
[order]
down = [0, 0.6, -0.8]
together = [["a", "b"]]
notes = { "a" = "turn it" }
[glue.cases]
car = 1
[sticker_sheet]
sticker_mm = [70, 37]
columns = 3
rows = 8
[limits]
parts = 100
"""
    return [Seed({"stepleaf.toml": text.encode()}, ["stepleaf.toml"])]


def _plan(folder: Path) -> list[Seed]:
    from steps.pipeline import make_plan
    from steps.planfile import plan_to_json
    from steps.settings import USUAL

    model = _two()
    (folder / "m.3mf").write_bytes(model)
    text = plan_to_json(make_plan(folder / "m.3mf", USUAL), USUAL).encode()
    files = {"m.plan.json": text, "m.3mf": model}
    return [Seed(files, ["m.plan.json"], (_whole, _instead), json=True)]


_MAKERS: Mapping[str, Callable[[Path], list[Seed]]] = {
    "3mf": _zip,
    "glb": _glb,
    "gltf": _gltf,
    "obj": _obj,
    "stl": _stl,
    "step": _step,
    "placements": _placements,
    "parts": _parts,
    "build": _build,
    "settings": _toml,
    "plan": _plan,
}
