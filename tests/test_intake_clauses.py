"""Small files for the clauses that intake relies on: what must fail is refused with the reason or read with a
note that names it, what is valid is read whole.

3MF: core specification 1.3, materials and properties extension 1.2, production extension 1.1 (published by
the 3MF consortium). glTF: the Khronos group's specification 2.0. Section numbers are from memory.
"""

from __future__ import annotations

import json
import re
import struct
import zipfile

import numpy as np
import pytest

from steps.errors import FaultyModel, StepleafError
from steps.intake import read_model
from tests.intake_files import CORE, PRODUCTION, Gltf, box, mesh_xml, package

MESH = mesh_xml(box())
MATERIAL = 'xmlns:m="http://schemas.microsoft.com/3dmanufacturing/material/2015/02"'
PRODUCED = f'xmlns:p="{PRODUCTION}"'
UUIDS = tuple(f"f47ac10b-58cc-4372-a567-0e02b2c3d4{row:02d}" for row in range(10))
ITEM = '<item objectid="1"/>'
RED = '<basematerials id="7"><base name="a" displaycolor="#FF0000"/></basematerials>'


def root(resources: str, build: str = ITEM, unit: str = "millimeter", attributes: str = "") -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xml:lang="en-US" xmlns="{CORE}" '
        f"{attributes}><resources>{resources}</resources><build>{build}</build></model>"
    )


def solid(inner: str = MESH, more: str = "", number: str = "1", kind: str = "model") -> str:
    return f'<object id="{number}" type="{kind}" {more}>{inner}</object>'


def vertex(was: str, now: str) -> str:
    return root(solid(MESH.replace(was, now, 1)))


def placed(transform: str) -> str:
    return root(solid(), f'<item objectid="1" transform="{transform}"/>')


def coloured(resources: str, used: str = 'pid="7" pindex="0"') -> str:
    return root(resources + solid(more=used), attributes=MATERIAL)


def painted(triangle: str, used: str = 'pid="7" pindex="0"') -> str:
    """With what one triangle has of a property."""
    return coloured(RED, used).replace('v1="0"', f'v1="0" {triangle}', 1)


def mixed(rows: str, shares: str) -> str:
    """Of green and red."""
    two = RED.replace('"7"', '"8"').replace("<base ", '<base name="b" displaycolor="#00FF00"/><base ', 1)
    return coloured(
        f'{two}<m:compositematerials id="7" matid="8" matindices="{rows}"><m:composite values="{shares}"/>'
        "</m:compositematerials>"
    )


def group(colours: str) -> str:
    return f'<m:colorgroup id="7">{colours}</m:colorgroup>'


def produced(on_object: str, on_item: str, on_build: str) -> str:
    text = root(
        solid(more=f'p:UUID="{on_object}"'), f'<item objectid="1" p:UUID="{on_item}"/>', attributes=PRODUCED
    )
    return text.replace("<build>", f'<build p:UUID="{on_build}">')


#: Clause -> (model part, how the refusal or the note reads).
MUST_FAIL_3MF = {
    "core 3.4 unit": (root(solid(), unit="parsec"), "unit is none"),
    "core 3.4.1 metadata twice": (
        root(solid()).replace("<resources>", '<metadata name="Title">a</metadata>' * 2 + "<resources>"),
        "given twice",
    ),
    "core 3.4.2 build missing": (root(solid()).replace(f"<build>{ITEM}</build>", ""), "has no build"),
    "core 3.4.3 build empty": (root(solid(), ""), "holds no part"),
    "core 3.4.3.1 item of no object": (
        root(solid(), '<item objectid="9"/>'),
        "item of its build names an object",
    ),
    "core 3.4.3.1 item of type other": (root(solid(kind="other")), "places an object of type other"),
    "core 3.3 matrix of eleven": (placed("1 0 0 0 1 0 0 0 1 0 0"), "fewer than twelve"),
    "core 3.3 matrix of thirteen": (placed("1 0 0 0 1 0 0 0 1 0 0 0 0"), "more than twelve"),
    "core 3.3 matrix of no number": (
        placed("1 0 0 0 1 0 0 0 1 0 x 0"),
        "where a number belongs there is none",
    ),
    "core 3.3 matrix that flattens": (placed("1 0 0 0 1 0 0 0 0 0 0 0"), "no thickness"),
    "core 4 two of one id": (root(solid() + solid()), "two resources have one id"),
    "core 4 id of zero": (root(solid(number="0"), '<item objectid="0"/>'), "has no id, or 0"),
    "core 4 id beyond": (root(solid(number="2147483648")), "2147483647 is the largest that there is"),
    "core 4 id named beyond": (
        root(solid(), '<item objectid="4294967297"/>'),
        "named by the number 4294967297",
    ),
    "core 4 picture of no file": (root(solid(more='thumbnail="/no.png"')), "picture of an object, is not in"),
    "core 4 two meshes": (root(solid(MESH + MESH)), "more than one mesh"),
    "core 3.4.2 two builds": (root(solid()).replace("</build>", "</build><build/>"), "has two builds"),
    "core 3.4.2 two lists of resources": (
        root(solid()).replace("</resources>", "</resources><resources/>"),
        "two lists of resources",
    ),
    "core 3.4.1 metadata of no namespace": (
        root(solid()).replace("<resources>", '<metadata name="x:y">a</metadata><resources>'),
        "for which no namespace is declared",
    ),
    "core 4.1.3 corner of a fraction": (vertex('v1="0"', 'v1="0.5"'), "number belongs there are other"),
    "core 4.2 component of itself": (
        root(solid('<components><component objectid="1"/></components>')),
        "holds itself",
    ),
    "core 4 object of nothing": (root(solid("")), "neither a mesh nor components"),
    "core 4 object of an unknown type": (root(solid(kind="ghost")), "of a type that the format"),
    "core 4.1.1 vertex of a word": (vertex('x="0.0"', 'x="abc"'), "'abc' where a number"),
    "core 4.1.1 vertex of two points": (vertex('x="0.0"', 'x="1.2.3"'), "'1.2.3' where a number"),
    "core 4.1.1 vertex of a comma": (vertex('x="0.0"', 'x="0,5"'), "'0,5' where a number"),
    "core 4.1.1 vertex of nothing": (vertex('x="0.0"', 'x=""'), "'' where a number"),
    "core 4.1.1 vertex not finite": (vertex('x="0.0"', 'x="INF"'), "not finite"),
    "core 4.1.1 vertex beyond all numbers": (vertex('x="10.0"', 'x="1e400"'), "not finite"),
    "core 4.1.1 vertex of two numbers": (vertex('y="0.0"', ""), "lacks one of x, y and z"),
    "core 4.1.3 corner beyond": (vertex('v1="0"', 'v1="99"'), "triangle names a vertex that is not there"),
    "core 4.1.3 corner below": (vertex('v1="0"', 'v1="-1"'), "triangle names a vertex that is not there"),
    "core 4.1.3 corner twice": (
        vertex("</triangles>", '<triangle v1="0" v2="0" v3="1"/></triangles>'),
        "one vertex twice",
    ),
    "core 4.2 component before its object": (
        root(
            f'<object id="2"><components><component objectid="1"/></components></object>{solid()}',
            '<item objectid="2"/>',
        ),
        "component names an object",
    ),
    "core 3.4.3 build of support alone": (root(solid(kind="support")), "printing support"),
    "core 2.3 text in UTF-32": (root(solid()).encode("utf-32"), "no text in UTF-8 or UTF-16"),
    "core 2.3 text cut within a letter": (root(solid()).encode("utf-16")[:-1], "no text in UTF-8 or UTF-16"),
    "core 2.3 letter that is none": (root(solid()).replace("<build>", "\0<build>"), "no text in UTF-8"),
    "core 2.3 text of another encoding": (
        root(solid()).replace("UTF-8", "ISO-8859-1"),
        "is written in ISO-8859-1; it must be UTF-8",
    ),
    "core 2.3 namespace of another version": (
        root(solid()).replace(CORE, CORE.replace("2015/02", "2035/01")),
        "namespace 'http.*2035/01', and not in that of the 3MF core",
    ),
    "core 2.3 namespace of another version, by a prefix": (
        re.sub(r"<(/?)(?=[a-z])", r"<\1a.b:", root(solid())).replace(f'xmlns="{CORE}', 'xmlns:a.b="http://e'),
        "namespace 'http://e', and not in that of the 3MF core",
    ),
    "core 2.3 namespace not declared": (
        root(f'{solid()}<zz:thing id="4"/>'),
        "prefix is used for which no namespace",
    ),
    "core 2.3 element of no name": (
        root(f'{solid()}<thing id="4"/>'),
        "element that the format does not know",
    ),
    "core 5.1 colour missing": (
        coloured('<basematerials id="7"><base name="a"/></basematerials>'),
        "1 of its colours have no value .*''",
    ),
    "core 5.1 colour of a word": (
        coloured('<basematerials id="7"><base name="a" displaycolor="red"/></basematerials>'),
        "no value that is one .*'red'",
    ),
    "core 5 property of no resource": (coloured("", 'pid="77" pindex="0"'), "colours and materials"),
    "core 5 property beyond": (coloured(RED, 'pid="7" pindex="9"'), "colours and materials"),
    "core 4.1.4 triangle's property of no resource": (
        vertex('v1="0"', 'pid="77" p1="0" v1="0"'),
        "resource is named that is not there",
    ),
    "materials 3.1 colour missing": (coloured(group("<m:color/>")), "no value that is one"),
    "materials 3.1 colour of no number": (coloured(group('<m:color color="#GG0000"/>')), "a colour is none"),
    "materials 3 group of nothing": (coloured(group("")), "colours and materials"),
    "materials 4.1 texture of no file": (
        coloured(
            '<m:texture2d id="5" path="/3D/none.png" contenttype="image/png"/>'
            '<m:texture2dgroup id="7" texid="5"><m:tex2coord u="0" v="0"/></m:texture2dgroup>'
        ),
        "a texture is of no picture",
    ),
    "materials 5.1 composite of no material": (
        coloured(
            '<m:compositematerials id="7" matid="9" matindices="0 1"><m:composite values="1 0"/>'
            "</m:compositematerials>"
        ),
        "resource is named that is not there",
    ),
    "materials 5.2 layers of no resource": (
        coloured('<m:multiproperties id="7" pids="9 10"><m:multi pindices="0 0"/></m:multiproperties>'),
        "resource is named that is not there",
    ),
    "core 2.3 two values of one name": (vertex('x="0.0"', 'x="0.0" x="1.0"'), "line 1 of its model is not"),
    "core 2.3 model without an end": (root(solid()).removesuffix("</model>"), "is not written as XML asks"),
    "core 2.3 prefix recommended of no namespace": (
        root(solid(), attributes='recommendedextensions="q"'),
        "a prefix is recommended",
    ),
    "core 3.3 matrix of letters after a number": (
        placed("1abc 0 0 0 1 0 0 0 1 0 0 0"),
        "'1abc'; where a number belongs",
    ),
    "core 3.3 matrix in sixteens": (placed("0x1 0 0 0 1 0 0 0 1 0 0 0"), "'0x1'; where a number belongs"),
    "core 4 object of an unknown attribute": (root(solid(more='colour="red"')), "attribute that the format"),
    "core 4 property without its row": (coloured(RED, 'pid="7"'), "an object has a pid without a pindex"),
    "core 4 row without its property": (coloured(RED, 'pindex="0"'), "or a pindex without a pid"),
    "core 4.1 two lists of triangles": (
        root(solid(re.sub("(<triangles>.*</triangles>)", r"\1\1", MESH))),
        "two lists of triangles",
    ),
    "core 4.1 two lists of vertices": (
        vertex("<triangles>", "<vertices/><triangles>"),
        "two lists of vertices",
    ),
    "core 4.1.3 corner beyond the largest number": (
        vertex('v1="0"', 'v1="4294967296"'),
        "triangle names a vertex that is not there",
    ),
    "core 4.1.4 property without its row": (painted('pid="7"'), "a triangle has a pid without a p1"),
    "core 4.1.4 row without any property": (painted('p1="0"', ""), "a p1 without any pid"),
    "core 4.1.4 row of two corners": (painted('pid="7" p1="0" p2="0"'), "or not p1, p2 and p3"),
    "core 4.1.4 row of the last corners alone": (painted('p2="0" p3="0"'), "or not p1, p2 and p3"),
    "core 4.1.4 row below all": (painted('pid="7" p1="-1"'), "is named that its group does not hold"),
    "core 4.1.4 property where the object has none": (painted('pid="7" p1="0"', ""), "their object has none"),
    "core 5.1 material of no name": (
        coloured('<basematerials id="7"><base displaycolor="#FF0000"/></basematerials>'),
        "a base material has no name",
    ),
    "materials 5.1 mixed of what is not there": (mixed("0 9", "1 1"), "mixed materials name one that is not"),
    "materials 5.1 mixed of nothing": (mixed("0 1", "0 0"), "no share that is more than nothing"),
    "materials 5.2 material over a colour": (
        coloured(
            group('<m:color color="#FF0000"/>')
            + RED.replace('"7"', '"8"')
            + '<m:multiproperties id="9" pids="7 8"><m:multi pindices="0 0"/></m:multiproperties>',
            'pid="9" pindex="0"',
        ),
        "a material is no first layer",
    ),
    "production 4 identifier missing": (root(solid(), attributes=PRODUCED), "identifier is missing"),
    "production 4 identifier of no form": (produced("x", UUIDS[1], UUIDS[2]), "not of the form"),
    "production 4 identifier twice": (produced(UUIDS[1], UUIDS[1], UUIDS[1]), "identifier is given twice"),
    "production 4.1 path to no part": (
        root(
            f'<object id="2" p:UUID="{UUIDS[1]}"><components><component objectid="1" p:path="/3D/none.model" '
            f'p:UUID="{UUIDS[2]}"/></components></object>',
            f'<item objectid="2" p:UUID="{UUIDS[3]}"/>',
            attributes=PRODUCED,
        ).replace("<build>", f'<build p:UUID="{UUIDS[4]}">'),
        "component names an object",
    ),
}
VALID_3MF = {
    "core 2.3 letters written by their numbers": vertex('x="10.0"', 'x="&#49;0.&#x30;"'),
    "core 2.3 instructions": root(solid(MESH.replace("<vertices>", "<vertices><?any thing?>"))),
    "core 2.3 text as it stands": root(solid()).replace(
        "<resources>", '<metadata name="Title"><![CDATA[a < b]]></metadata><resources>'
    ),
    "core 2.3 blanks in the end of an element": root(solid()).replace("</mesh>", "</mesh\n >"),
    "core 2.3 lines within a value": vertex('x="10.0"', 'x="\n10.0"'),
    "core 3.4.1 metadata of any length": root(solid()).replace(
        "<resources>", f'<metadata name="Title">{"x" * 100_000}</metadata><resources>'
    ),
    "core 4 name of any length": root(solid(more=f'name="{"x" * 100_000}"')),
    "core 2.3 quotes of either kind": root(solid()).replace('"', "'"),
    "core 4.1.1 exponents and signs": vertex('x="10.0"', 'x="+1.0E+01"'),
    "core 2.3 text in UTF-8 with its mark": b"\xef\xbb\xbf" + root(solid()).encode(),
    "core 2.3 prefix of any name": re.sub(r"<(/?)(?=[a-z])", r"<\1a.b:", root(solid())).replace(
        "xmlns=", "xmlns:a.b="
    ),
    "core 2.3 comments": root(solid(MESH.replace("<vertices>", '<vertices><!-- a "vertex" -->'))),
    "core 2.3 strange content with a namespace": root(
        f'{solid()}<z:thing id="4"/>', attributes='xmlns:z="http://example.com/z"'
    ),
    "core 4 surface": root(solid(kind="surface")),
    "core 5.1 colour with opacity": coloured(RED.replace("#FF0000", "#FF000080")),
    "materials 3.1 colour": coloured(group('<m:color color="#ff0000"/>')),
    "core 4.1.4 colour of a corner alone": painted('p1="0"'),
    "core 4.1.4 colour of each corner": painted('pid="7" p1="0" p2="0" p3="0"'),
    "materials 5.1 colour of the rows that are named": mixed("1 0", "1 0"),
    "production 4 identifiers": produced(*UUIDS[1:4]),
}


@pytest.mark.parametrize("clause", MUST_FAIL_3MF)
def test_3mf_that_must_fail_is_refused_or_read_with_a_note(clause, tmp_path):
    text, says = MUST_FAIL_3MF[clause]
    assert re.search(says, said_of(package(tmp_path / "m.3mf", text)))


@pytest.mark.parametrize("clause", VALID_3MF)
def test_3mf_that_is_valid_is_read_whole(clause, tmp_path):
    whole(package(tmp_path / "m.3mf", VALID_3MF[clause]), red="colour" in clause)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("declared", ["UTF-16", "UTF-8", ""])
def test_a_3mf_in_utf_16_reads_as_its_twin_in_utf_8(encoding, declared, tmp_path):
    """Core 2.3: XML of a package is in UTF-8 or UTF-16."""
    more = 40_000 * '<vertex x="0.0" y="0.0" z="0.0"/>'  # longer than what is read at once
    text = coloured(RED, 'pid="7" pindex="0" name="K\u00f6rper \u77f3 \U0001f9f1"')
    text = text.replace("</vertices>", f"{more}</vertices>")
    plain = read_model(package(tmp_path / "plain.3mf", text))
    text = text.replace(' encoding="UTF-8"', f' encoding="{declared}"' if declared else "")
    wide = package(tmp_path / "wide.3mf", text.encode(encoding))
    with zipfile.ZipFile(wide) as archive:
        others = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(wide, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in others.items():
            rels = content.decode().encode("utf-16") if name.endswith((".rels", ".xml")) else content
            archive.writestr(name, rels)
    read = read_model(wide)
    assert not plain.problems and not read.problems
    assert [part.source for part in read.parts] == ["K\u00f6rper \u77f3 \U0001f9f1"]
    assert [(part.source, part.colour) for part in read.parts] == [
        (part.source, part.colour) for part in plain.parts
    ]
    assert np.array_equal(read.poses, plain.poses)
    assert np.array_equal(read.shapes[0].vertices, plain.shapes[0].vertices)
    assert np.array_equal(read.shapes[0].faces, plain.shapes[0].faces)


def test_a_picture_that_is_not_there_costs_no_colour(tmp_path) -> None:
    used = 'pid="7" pindex="0" thumbnail="/no.png"'
    text = coloured(group('<m:color color="#ff0000"/>'), used)
    model = read_model(package(tmp_path / "m.3mf", text))
    assert [part.colour for part in model.parts] == ["#ff0000"]
    (told,) = model.problems
    assert "pictures of its objects cannot be read" in told.text


@pytest.mark.parametrize("target", ["3D/3dmodel.model", "./3D/3dmodel.model"])
def test_a_3mf_whose_relations_are_told_from_where_they_stand_is_read_whole(target, tmp_path):
    """Core 2.1: relations are those of the Open Packaging Conventions, which allow it."""
    whole(relations(tmp_path, lambda text: text.replace("/3D/3dmodel.model", target)), red=False)


def test_a_picture_of_the_package_that_is_not_there_costs_the_picture(tmp_path):
    kind = "http://schemas.openxmlformats.org/package/2006/relationships/metadata/thumbnail"
    shown = f'<Relationship Target="/no.png" Id="p" Type="{kind}"/></Relationships>'
    model = read_model(relations(tmp_path, lambda text: text.replace("</Relationships>", shown)))
    assert len(model.parts) == 1
    assert "pictures of its objects cannot be read" in model.problems[0].text


def relations(folder, change):
    path = package(folder / "m.3mf", root(solid()))
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name).decode() for name in archive.namelist()}
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            archive.writestr(name, change(text) if name.endswith(".rels") else text)
    return path


def said_of(path) -> str:
    """The refusal, or the notes and warnings of what was read."""
    try:
        return "\n".join(problem.text for problem in read_model(path).problems)
    except StepleafError as error:
        assert isinstance(error, FaultyModel) or path.name in str(error)
        return str(error)


def whole(path, red: bool) -> None:
    model = read_model(path)
    assert not model.problems
    (part,) = model.parts
    assert sorted(model.shapes[0].size_mm) == pytest.approx([10, 20, 30], abs=1e-3)
    assert part.colour == ("#ff0000" if red else "#9a9a9a")


# ------------------------------------------------------------------------------------ glTF


def scene() -> Gltf:
    file = Gltf()
    file.document["materials"] = [{"pbrMetallicRoughness": {"baseColorFactor": [1, 0, 0, 1]}}]
    file.node(mesh=file.mesh(file.primitive((box()[0] / 1000, box()[1]), 0), name="lid"), name="a")
    return file


def changed(*changes):
    """Writes the scene with values put at places of its document; None drops one."""

    def write(path):
        file = scene()
        for place, value in changes:
            *above, last = place
            holder = file.document
            for key in above:
                holder = holder[key]
            holder[last] = value
        return file.write(path)

    return write


def at(*place):
    return place


def bytes_changed(change):
    def write(path):
        path.write_bytes(change(scene().write(path).read_bytes()))
        return path

    return write


def beside(**buffer):
    """Writes the scene with its buffer in a file, or wherever the uri says."""

    def write(path):
        file = scene()
        path = path.with_suffix(".gltf")
        path.with_name("m.bin").write_bytes(file.data)
        document = file.document | {"buffers": [{"byteLength": len(file.data)} | buffer]}
        path.write_text(json.dumps({key: value for key, value in document.items() if value != []}))
        return path

    return write


NODE, PRIMITIVE = ("nodes", 0), ("meshes", 0, "primitives", 0)
EYE = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]
BLOB = "data:application/octet-stream;base64,"
FACTOR = ("materials", 0, "pbrMetallicRoughness", "baseColorFactor")


def beside_bytes(change):
    def write(path):
        path = beside(uri="m.bin")(path)
        path.write_bytes(change(path.read_bytes()))
        return path

    return write


def corner_colours(colours, kind):
    def write(path):
        file = scene()
        (primitive,) = file.document["meshes"][0]["primitives"]
        del primitive["material"]
        primitive["attributes"]["COLOR_0"] = file.accessor(colours, 5126, kind)
        return file.write(path)

    return write


def copies_of_two_numbers(path):
    file = scene()
    given = {"TRANSLATION": file.accessor([[0, 0, 0.0], [1, 0, 0]]), "SCALE": file.accessor([[1, 1, 1.0]])}
    file.document["nodes"][0]["extensions"] = {"EXT_mesh_gpu_instancing": {"attributes": given}}
    return file.write(path)


def below_another(path):
    file = scene()
    file.document["nodes"].append({"children": [0], "translation": [1, 0, 0]})
    return file.write(path)


def data_first(data: bytes) -> bytes:
    end = 20 + int.from_bytes(data[12:16], "little")
    return data[:12] + data[end:] + data[12:end]


def data_twice(data: bytes) -> bytes:
    more = data[20 + int.from_bytes(data[12:16], "little") :]
    return data[:8] + struct.pack("<I", len(data) + len(more)) + data[12:] + more


MUST_FAIL_GLTF = {
    "3.2 asset missing": (changed((at("asset"), {})), r"asset\.version"),
    "3.2 version as a number": (changed((at("asset", "version"), 2)), "glTF '2', as no text"),
    "3.2 version of a list": (changed((at("asset", "version"), ["2.0"])), "as no text"),
    "3.2 version of another": (changed((at("asset", "version"), "1.0")), r"glTF '1\.0' \(asset"),
    "3.2 least version": (changed((at("asset", "minVersion"), "2.1")), r"asset\.minVersion"),
    "3.5.1 scene that is not there": (changed((at("scene"), 7)), "scene 7"),
    "3.5.1 node that is not there": (changed((at("scenes", 0, "nodes"), [9])), "node 9"),
    "3.5.1 node twice": (changed((at("scenes", 0, "nodes"), [0, 0])), "two places"),
    "3.5.2 node below itself": (changed((at(*NODE, "children"), [0])), "two places"),
    "3.5.3 matrix of fifteen": (changed((at(*NODE, "matrix"), [1] * 15)), "its matrix is not 16 numbers"),
    "3.5.3 matrix with a last row": (
        changed((at(*NODE, "matrix"), [1, 0, 0, 1, *EYE[4:]])),
        "numbers 4, 8, 12 and 16",
    ),
    "3.5.3 matrix and translation": (
        changed((at(*NODE, "matrix"), EYE), (at(*NODE, "translation"), [1, 0, 0])),
        "a matrix and also a translation",
    ),
    "3.5.3 matrix of words": (changed((at(*NODE, "matrix"), ["1", *EYE[1:]])), "not 16 numbers"),
    "3.5.3 scale of one number": (changed((at(*NODE, "scale"), 2)), r"node 0 \('.+'\): .*its scale is not 3"),
    "3.5.3 translation of one number": (changed((at(*NODE, "translation"), [2])), "translation is not 3"),
    "3.5.1 scene where there are none": (changed((at("scenes"), [])), "scene 0"),
    "3.6.2.3 sparse of nothing": (
        changed(
            (at("accessors", 0, "sparse"), {"count": 0, "indices": {"componentType": 5125}, "values": {}})
        ),
        "changes nothing",
    ),
    "3.7.2.1 corners as shares": (changed((at("accessors", 1, "normalized"), True)), "normalized"),
    "3.7.2.1 mode of a truth": (changed((at(*PRIMITIVE, "mode"), True)), "mode True"),
    "3.7.2.1 fewer colours than corners": (
        corner_colours([[0, 0, 1.0]], "VEC3"),
        "1 colours of 3 numbers .* 8 corners",
    ),
    "3.7.2.1 colours of two numbers": (
        corner_colours([[0, 1.0]] * 8, "VEC2"),
        "of 2 .* three numbers or four",
    ),
    "3.12 copies of two numbers": (copies_of_two_numbers, "not as many places as turns or sizes"),
    "3.9 material of nothing": (changed((at(*PRIMITIVE, "material"), None)), "material None"),
    "3.12 extensions used that are no list": (changed((at("extensionsUsed"), "X_y")), "extensionsUsed is no"),
    "3.5.3 rotation of no length": (changed((at(*NODE, "rotation"), [0, 0, 0, 0])), "all zeros"),
    "3.5.3 scale of nothing": (changed((at(*NODE, "scale"), [0, 0, 0])), "no thickness"),
    "3.5.3 translation of a word": (changed((at(*NODE, "translation"), ["a", 0, 0])), "is not 3 numbers"),
    "3.6.1.1 buffer that is short": (beside(byteLength=10_000, uri="m.bin"), "bytes"),
    "3.6.1.1 buffer outside": (beside(uri="http://a/b.bin"), "outside"),
    "3.6.1.1 buffer that is not there": (beside(uri="none.bin"), "none.bin"),
    "3.6.1.1 buffer of no base64": (beside(uri=f"{BLOB}!!!"), "bytes"),
    "3.6.2.1 view that is short": (changed((at("bufferViews", 0, "byteLength"), 4)), "up to byte"),
    "3.6.2.4 offset not aligned": (changed((at("accessors", 0, "byteOffset"), 1)), "up to byte|aligned"),
    "3.6.2.1 stride too small": (changed((at("bufferViews", 0, "byteStride"), 2)), "aligned"),
    "3.6.2.2 numbers of no kind": (
        changed((at("accessors", 0, "componentType"), 5124)),
        "componentType 5124 where VEC3 of 5126",
    ),
    "3.6.2.2 type of no kind": (changed((at("accessors", 0, "type"), "VEC5")), "VEC5 of .* where VEC3"),
    "3.6.2 count of nothing": (changed((at("accessors", 0, "count"), 0)), "claims 0"),
    "3.6.2 count of a part": (changed((at("accessors", 0, "count"), 2.5)), r"claims 2\.5"),
    "3.7.2.1 places of two numbers": (changed((at("accessors", 0, "type"), "VEC2")), "VEC2 of .* where VEC3"),
    "3.7.2.1 places of whole numbers": (
        changed((at("accessors", 0, "componentType"), 5123)),
        "componentType 5123 where",
    ),
    "3.7.2.1 indices not whole": (
        changed((at("accessors", 1, "componentType"), 5126)),
        "where SCALAR of 5121 or 5123 or 5125",
    ),
    "3.7.2.1 index beyond": (changed((at("accessors", 0, "count"), 4)), "corner 7, of 4"),
    "3.7.2.1 mode of no kind": (changed((at(*PRIMITIVE, "mode"), 9)), "mode 9"),
    "3.7.2.1 mesh of points alone": (changed((at(*PRIMITIVE, "mode"), 0)), "points or lines"),
    "3.7.3 skin that is not there": (changed((at(*NODE, "skin"), 0)), "skin 0"),
    "3.7.2 mesh of nothing": (changed((at("meshes", 0, "primitives"), [])), "no primitives"),
    "3.7.2 mesh that is not there": (changed((at(*NODE, "mesh"), -1)), "mesh -1"),
    "3.9 material that is not there": (changed((at(*PRIMITIVE, "material"), 5)), "material 5"),
    "3.12 extension that must be understood": (changed((at("extensionsRequired"), ["X_y"])), "needs X_y"),
    "3.12 extensions that are no list": (changed((at("extensionsRequired"), "X_y")), "no list"),
    "4.4.2 version 1": (bytes_changed(lambda data: data[:4] + struct.pack("<I", 1) + data[8:]), "version 1"),
    "4.4.2 length beyond": (
        bytes_changed(lambda data: data[:8] + struct.pack("<I", len(data) + 8) + data[12:]),
        "cut short",
    ),
    "4.4.3 document missing": (bytes_changed(lambda data: data[:16] + b"BIN\0" + data[20:]), "no document"),
}
#: Clause -> (how it is written, how the note reads with which it is read).
LENIENT_GLTF = {
    "3.1 one name twice": (
        bytes_changed(lambda data: data.replace(b'"name": "a"', b'"mesh":   0', 1)),
        "one name stands twice",
    ),
    "3.1 number that is none": (changed((at(*NODE, "extras"), float("nan"))), "a number of its JSON is none"),
    "3.1 document with a mark": (
        beside_bytes(lambda text: b"\xef\xbb\xbf" + text),
        "not in UTF-8 without a mark",
    ),
    "3.2 version of one number": (changed((at("asset", "version"), "2")), "not two numbers with a point"),
    "3.5.1 scene of a node below another": (below_another, "stands below another"),
    "3.5.3 matrix that is skewed": (
        changed((at(*NODE, "matrix"), [*EYE[:4], 0.5, *EYE[5:]])),
        "a node's matrix is skewed",
    ),
    "3.5.3 rotation of another length": (changed((at(*NODE, "rotation"), [0, 0, 0, 2])), "not of length 1"),
    "3.6.1 view beyond its buffer": (changed((at("bufferViews", 1, "byteLength"), 9_999)), "reaches beyond"),
    "3.6.2.3 sparse rows that fall": (
        changed(
            (
                at("accessors", 0, "sparse"),
                {
                    "count": 3,
                    "indices": {"bufferView": 1, "componentType": 5125},
                    "values": {"bufferView": 0},
                },
            )
        ),
        "do not rise",
    ),
    "3.7.2.1 corners not three each": (changed((at("accessors", 1, "count"), 35)), "not three each"),
    "3.9.2 colour of three numbers": (changed((at(*FACTOR), [1, 0, 0])), "not of four numbers"),
    "3.9.2 colour of words": (changed((at(*FACTOR), ["1", "0", "0", "1"])), "not of four numbers"),
    "3.9.2 colour beyond all": (changed((at(*FACTOR), [7, 0, 0, 1])), "not between 0 and 1"),
    "3.12 extension required and not used": (
        changed((at("extensionsRequired"), ["KHR_mesh_quantization"])),
        "not among those that are used",
    ),
    "4.4.2 bytes after the end": (bytes_changed(lambda data: data + b"more"), "goes on after the end"),
    "4.4.3 data before the document": (bytes_changed(data_first), "its chunks are not one document"),
    "4.4.3 two of data": (bytes_changed(data_twice), "at most one of data"),
}
VALID_GLTF = {
    "3.2 later minor version": changed((at("asset", "version"), "2.1")),
    "3.5.3 matrix alone": changed((at(*NODE, "matrix"), EYE)),
    "3.12 extension that need not be understood": changed((at("extensionsUsed"), ["X_y"])),
    "3.12 extension that changes no shape": changed(
        (at("extensionsRequired"), ["KHR_texture_basisu"]), (at("extensionsUsed"), ["KHR_texture_basisu"])
    ),
    "3.6.1.1 buffer in a file": beside(uri="m.bin"),
    "4.4.3 chunk of another kind": bytes_changed(
        lambda data: data[:8] + struct.pack("<I", len(data) + 12) + data[12:] + b"\4\0\0\0XYZWabcd"
    ),
}


@pytest.mark.parametrize("clause", MUST_FAIL_GLTF)
def test_gltf_that_must_fail_is_refused(clause, tmp_path):
    write, says = MUST_FAIL_GLTF[clause]
    with pytest.raises(StepleafError, match=says):
        read_model(write(tmp_path / "m.glb"))


@pytest.mark.parametrize("clause", LENIENT_GLTF)
def test_gltf_that_does_not_keep_to_the_standard_is_read_with_a_note(clause, tmp_path):
    write, says = LENIENT_GLTF[clause]
    model = read_model(write(tmp_path / "m.glb"))
    assert len(model.parts) == 1
    assert any(problem.code == "lenient-gltf" and says in problem.text for problem in model.problems)


def test_a_gltf_that_would_be_shown_in_another_shape_is_read_with_a_warning(tmp_path):
    """3.7.2.2: weights of a morph; 3.7.3: a skin."""
    morph = changed((at("meshes", 0, "weights"), [0.5]), (at(*PRIMITIVE, "targets"), [{"POSITION": 0}]))
    still = changed((at("meshes", 0, "weights"), [0.0]), (at(*PRIMITIVE, "targets"), [{"POSITION": 0}]))
    skinned = changed((at("skins"), [{"joints": [0]}]), (at(*NODE, "skin"), 0))
    for write, codes in ((morph, ["skin-ignored"]), (still, []), (skinned, ["skin-ignored"])):
        model = read_model(write(tmp_path / "m.glb"))
        assert [problem.code for problem in model.problems] == codes and len(model.parts) == 1


@pytest.mark.parametrize("clause", VALID_GLTF)
def test_gltf_that_is_valid_is_read_whole(clause, tmp_path):
    whole(VALID_GLTF[clause](tmp_path / "m.glb"), red=True)


def test_tags_in_comments_are_none_where_colours_are_taken_out(tmp_path):
    """A colour that is not there is refused by the library; what is read without it is the whole geometry."""
    text = root("<!-- <basematerials> -->" + solid(more='pid="8" pindex="0"') + "<!-- </basematerials> -->")
    model = read_model(package(tmp_path / "c.3mf", text))
    assert len(model.parts) == 1 and len(model.shapes[0].faces) == 12
    assert any("so the parts are grey" in problem.text for problem in model.problems)


def test_a_comment_that_does_not_end_at_the_beginning_is_no_document_type(tmp_path):
    text = root(solid()).replace("<model", f"<!-- {'a' * 100_000} --><model", 1)
    with pytest.raises(StepleafError, match="does not begin like an XML document"):
        read_model(package(tmp_path / "c.3mf", text))
