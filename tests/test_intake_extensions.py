"""Extensions of 3MF: those whose shape is not read here are named; colours that are refused cost no shape."""

from __future__ import annotations

import pytest

from steps.errors import UnreadableInput
from steps.intake import read_model
from steps.settings import Settings
from tests.intake_files import CORE, box, mesh_xml, package

SPACES = "http://schemas.microsoft.com/3dmanufacturing"
MATERIAL = f"{SPACES}/material/2015/02"
MESH = mesh_xml(box())
BEAMS = '<b:beamlattice minlength="0.1" radius="1"><b:beams><b:beam v1="0" v2="1"/></b:beams></b:beamlattice>'


def of(folder, resources: str, attributes: str = "", build: str = '<item objectid="1"/>'):
    root = (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xml:lang="en-US" xmlns="{CORE}" '
        f"{attributes}><resources>{resources}</resources><build>{build}</build></model>"
    )
    return read_model(package(folder / "m.3mf", root), Settings())


def solid(inner: str = MESH, more: str = "") -> str:
    return f'<object id="1" type="model" {more}>{inner}</object>'


@pytest.mark.parametrize(
    ("space", "words"),
    [
        (f"{SPACES}/beamlattice/2017/02", "beam lattices"),
        (f"{SPACES}/slice/2015/07", "slices"),
        ("http://schemas.3mf.io/3dmanufacturing/volumetric/2023/02", "volumetric data"),
        ("http://schemas.3mf.io/3dmanufacturing/implicit/2023/12", "volumetric data"),
        ("http://schemas.3mf.io/3dmanufacturing/booleanoperations/2023/07", "boolean operations"),
        ("http://schemas.3mf.io/3dmanufacturing/displacement/2023/10", "displaced surfaces"),
        (f"{SPACES}/securecontent/2019/04", "encrypted content"),
        (f"{SPACES}/production/alternatives/2021/04", "alternatives"),
        ("http://example.com/mine/2020", "http://example.com/mine/2020"),
    ],
)
def test_a_required_extension_that_is_not_read_is_named(space, words, tmp_path):
    with pytest.raises(UnreadableInput, match=f"requires .*{words}"):
        of(tmp_path, solid(), f'xmlns:x="{space}" requiredextensions="x"')


@pytest.mark.parametrize(
    "space", [MATERIAL, f"{SPACES}/production/2015/06", f"{SPACES}/trianglesets/2021/07"]
)
def test_a_required_extension_that_is_read(space, tmp_path):
    (part,) = of(tmp_path, solid(), f'xmlns:x="{space}" requiredextensions="x"').parts
    assert part.source == "object-1"


def test_a_required_extension_without_a_namespace(tmp_path):
    with pytest.raises(UnreadableInput, match="'x' and declares no namespace"):
        of(tmp_path, solid(), 'requiredextensions="x"')


def test_a_beam_lattice_beside_a_mesh_is_noted_and_alone_refused(tmp_path):
    space = f'xmlns:b="{SPACES}/beamlattice/2017/02"'
    model = of(tmp_path, solid(MESH.replace("</mesh>", f"{BEAMS}</mesh>")), space)
    assert any("beam lattice (1 beams)" in problem.text for problem in model.problems)
    vertices = MESH.split("<triangles>")[0]
    with pytest.raises(UnreadableInput, match="is a beam lattice"):
        of(tmp_path, solid(f"{vertices}{BEAMS}</mesh>"), space)


def test_a_sketch_of_slices_is_refused_by_that_word(tmp_path):
    with pytest.raises(UnreadableInput, match="in slices"):
        of(tmp_path, solid(more='s:meshresolution="lowres"'), f'xmlns:s="{SPACES}/slice/2015/07"')


BASE = '<basematerials id="7"><base name="sand" displaycolor="#C2B280"/></basematerials>'


def group(colours: str) -> str:
    return f'<m:colorgroup id="7">{colours}</m:colorgroup>'


@pytest.mark.parametrize(
    ("resources", "used"),
    [
        (group('<m:color color="#GG0000"/>'), 'pid="7" pindex="0"'),
        ("", 'pid="77" pindex="0"'),
        (BASE, 'pid="7" pindex="9"'),
    ],
    ids=["no number", "no such resource", "no such colour"],
)
def test_colours_that_are_refused_cost_no_shape(resources, used, tmp_path):
    model = of(tmp_path, resources + solid(more=used), f'xmlns:m="{MATERIAL}"')
    assert [problem.code for problem in model.problems] == ["colours-refused"]
    assert model.parts[0].colour == "#9a9a9a"
    assert sorted(model.shapes[0].size_mm) == pytest.approx([10, 20, 30])


def test_a_shape_that_is_refused_stays_refused_without_its_colours(tmp_path):
    torn = MESH.replace('v1="0"', 'v1="99"', 1)
    with pytest.raises(UnreadableInput, match="is not a 3MF file that can be read"):
        of(tmp_path, BASE + solid(torn, 'pid="7" pindex="9"'))


def test_a_name_that_only_looks_like_a_property_stays(tmp_path):
    model = of(tmp_path, solid(more='name="pid pindex" pid="77" pindex="0"'))
    assert model.parts[0].source == "pid pindex"
