"""3MF: read alike to what the reference library wrote."""

from __future__ import annotations

import lib3mf
import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.write import write_3mf
from steps.errors import FaultyModel, UnreadableInput
from steps.intake import read_model, threemf
from steps.limits import LIMITS
from steps.progress import stage
from steps.settings import Settings
from tests.intake_files import (
    SCREW,
    ThreeMF,
    box,
    mesh_xml,
    model_xml,
    package,
    placed,
    pose,
    same_points,
)

PLAIN = Settings()


def codes(model):
    return [problem.code for problem in model.problems]


def test_sixty_four_nested_instances_stay_sixty_four_where_they_belong(tmp_path):
    file = ThreeMF()
    member = file.mesh(SCREW, "screw")
    turns = Rotation.from_euler("z", [[0], [90], [180], [270]], degrees=True).as_matrix()
    rings = []
    for level in range(3):
        arms = [pose(turn, turn @ [100.0 * 3**level, 0, 7.0 * level]) for turn in turns]
        rings.append(arms)
        member = file.group([(member, arm) for arm in arms], f"ring {level}")
    top = pose(Rotation.from_euler("xyz", [10, 20, 30], degrees=True).as_matrix(), (1, 2, 3))
    file.item(member, top, "rosette")
    model = read_model(file.write(tmp_path / "nested.3mf"), PLAIN)

    want = [top @ c @ b @ a for c in rings[2] for b in rings[1] for a in rings[0]]
    assert len(model.shapes) == 1
    assert len(model.parts) == 64
    for part, transform in zip(model.parts, want, strict=True):
        assert np.abs(placed(model, part) - _sorted_like(model, part, transform)).max() < 1e-3
    assert [part.source for part in model.parts[:3]] == ["rosette", "rosette#2", "rosette#3"]


def _sorted_like(model, part, transform):
    """The screw's vertices under ``transform``, in the order nearest to the part's."""
    want = SCREW[0] @ transform[:3, :3].T + transform[:3, 3]
    got = placed(model, part)
    nearest = np.linalg.norm(got[:, None] - want[None], axis=2).argmin(axis=1)
    assert len(set(nearest)) == len(want)
    return want[nearest]


@pytest.mark.parametrize(
    ("unit", "mm"),
    [  # 3MF core specification, "unit" of the model element
        (lib3mf.ModelUnit.MicroMeter, 0.001),
        (lib3mf.ModelUnit.MilliMeter, 1.0),
        (lib3mf.ModelUnit.CentiMeter, 10.0),
        (lib3mf.ModelUnit.Inch, 25.4),
        (lib3mf.ModelUnit.Foot, 304.8),
        (lib3mf.ModelUnit.Meter, 1000.0),
    ],
)
def test_every_unit_and_the_scale(tmp_path, unit, mm):
    file = ThreeMF(unit)
    one = file.mesh(box(np.array([10.0, 20, 30]) / mm))
    file.item(one)
    file.item(one, pose(at=np.array([40.0, 0, 0]) / mm))
    model = read_model(file.write(tmp_path / "u.3mf"), Settings(scale=2.5))
    np.testing.assert_allclose(model.shapes[0].size_mm, [25, 50, 75], rtol=2e-5)
    np.testing.assert_allclose(model.parts[1].pose[:3, 3], [100, 0, 0], rtol=2e-5)
    assert model.scale == 2.5
    assert codes(model) == []


def test_base_materials_and_colour_groups_and_none(tmp_path):
    file = ThreeMF()
    rgb = file.wrapper.RGBAToColor
    base = file.model.AddBaseMaterialGroup()
    tan = base.AddMaterial("sand", rgb(0xC9, 0xB4, 0x8A, 255))
    group = file.model.AddColorGroup()
    red = group.AddColor(rgb(200, 10, 20, 255))
    one, two, three = (file.mesh(box((10, 10, 10 + row)), f"m{row}") for row in range(3))
    one.SetObjectLevelProperty(base.GetResourceID(), tan)
    two.SetObjectLevelProperty(group.GetResourceID(), red)
    for row, mesh in enumerate((one, two, three)):
        file.item(mesh, pose(at=(50.0 * row, 0, 0)))
    model = read_model(file.write(tmp_path / "c.3mf"), PLAIN)
    assert [part.colour for part in model.parts] == ["#c9b48a", "#c80a14", "#9a9a9a"]
    assert str(model.parts[0].colour_name) == "sand"


def test_triangle_colours_go_by_area_not_by_count(tmp_path):
    file = ThreeMF()
    group = file.model.AddColorGroup()
    rgb = file.wrapper.RGBAToColor
    green, blue = group.AddColor(rgb(0, 128, 0, 255)), group.AddColor(rgb(0, 0, 255, 255))
    vertices, faces = box((100.0, 100.0, 1.0))
    normals = np.cross(
        vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]
    )
    large = np.abs(normals[:, 2]) > 1
    assert large.sum() == 4 < 8 == (~large).sum()
    mesh = file.mesh((vertices, faces))
    for row, is_large in enumerate(large):
        property_ = lib3mf.TriangleProperties()
        property_.ResourceID = group.GetResourceID()
        for corner in range(3):
            property_.PropertyIDs[corner] = blue if is_large else green
        mesh.SetTriangleProperties(row, property_)
    mesh.SetObjectLevelProperty(group.GetResourceID(), green)
    file.item(mesh)
    model = read_model(file.write(tmp_path / "t.3mf"), PLAIN)
    assert [part.colour for part in model.parts] == ["#0000ff"]


def test_mixed_and_layered_materials(tmp_path):
    """A composite is the mean by its shares; of layers the last with a colour covers the others."""
    file = ThreeMF()
    rgb = file.wrapper.RGBAToColor
    base = file.model.AddBaseMaterialGroup()
    ids = [base.AddMaterial("black", rgb(0, 0, 0, 255)), base.AddMaterial("white", rgb(255, 255, 255, 255))]
    mix = file.model.AddCompositeMaterials(base)
    share = [lib3mf.CompositeConstituent(), lib3mf.CompositeConstituent()]
    for row, ratio in enumerate((0.2, 0.8)):
        share[row].PropertyID, share[row].MixingRatio = ids[row], ratio
    mixed = mix.AddComposite(share)
    paint = file.model.AddColorGroup()
    red = paint.AddColor(rgb(255, 0, 0, 255))
    layers = file.model.AddMultiPropertyGroup()
    for resource in (base.GetResourceID(), paint.GetResourceID()):
        layer = lib3mf.MultiPropertyLayer()
        layer.ResourceID = resource
        layers.AddLayer(layer)
    layered = layers.AddMultiProperty([ids[1], red])
    for row, (group, at) in enumerate(((mix, mixed), (layers, layered))):
        mesh = file.mesh(box((10, 10, 10 + row)))
        mesh.SetObjectLevelProperty(group.GetResourceID(), at)
        file.item(mesh, pose(at=(50 * row, 0, 0)))
    model = read_model(file.write(tmp_path / "m.3mf"), PLAIN)
    assert [part.colour for part in model.parts] == ["#cccccc", "#ff0000"]


def test_names_part_number_first_then_object_and_repeats_marked(tmp_path):
    file = ThreeMF()
    named, bare = file.mesh(box(), "hull"), file.mesh(box((5, 5, 5)))
    for row, (mesh, number) in enumerate([(named, "bow"), (named, ""), (named, "bow"), (bare, "")]):
        file.item(mesh, pose(at=(60.0 * row, 0, 0)), number)
    model = read_model(file.write(tmp_path / "n.3mf"), PLAIN)
    assert [part.source for part in model.parts] == ["bow", "hull", "bow#2", "object-4"]


def test_members_of_a_group_keep_their_own_names(tmp_path):
    file = ThreeMF()
    cube = file.mesh(box((10, 10, 10)), "cube")
    left, right = (file.group([(cube, np.eye(4))], name) for name in ("left arm", "right arm"))
    both = file.group([(left, np.eye(4)), (right, pose(at=(20, 0, 0)))], "arms")
    file.item(both, number="assembly 7")
    model = read_model(file.write(tmp_path / "g.3mf"), PLAIN)
    assert [part.source for part in model.parts] == ["left arm", "right arm"]


def test_title_from_metadata_else_the_file_name(tmp_path):
    file = ThreeMF()
    file.item(file.mesh(box()))
    assert read_model(file.write(tmp_path / "plain.3mf"), PLAIN).name == "plain"
    file.model.GetMetaDataGroup().AddMetaData("", "Title", "Harbour light", "xs:string", True)
    assert read_model(file.write(tmp_path / "plain.3mf"), PLAIN).name == "Harbour light"


def test_support_is_left_out_and_said_so(tmp_path):
    file = ThreeMF()
    file.item(file.mesh(box(), "hull"))
    prop = file.mesh(box((3, 3, 50)), "prop")
    prop.SetType(lib3mf.ObjectType.Support)
    file.item(prop, pose(at=(100, 0, 0)))
    model = read_model(file.write(tmp_path / "s.3mf"), PLAIN)
    assert [part.source for part in model.parts] == ["hull"]
    (note,) = model.problems
    assert (note.code, note.severity, note.parts) == ("support-left-out", "note", ("prop",))
    assert "prop" in note.text


def test_same_object_id_in_two_model_parts(tmp_path):
    """3MF production extension: ids are unique only within one model part of the package."""
    objects = {
        f"3D/{name}.model": model_xml(
            f'<object id="1" name="{name}" type="model">{mesh_xml(mesh)}</object>', ""
        )
        for name, mesh in {"long": box((80, 10, 10)), "tall": box((10, 10, 90))}.items()
    }
    root = model_xml(
        '<object id="2" type="model"><components>'
        '<component objectid="1" p:path="/3D/long.model"/>'
        '<component objectid="1" p:path="/3D/tall.model" transform="1 0 0 0 1 0 0 0 1 100 0 0"/>'
        "</components></object>",
        '<item objectid="2"/>',
    )
    model = read_model(package(tmp_path / "p.3mf", root, objects), PLAIN)
    assert [part.source for part in model.parts] == ["long", "tall"]
    sizes = [model.shape_by_id[part.shape].size_mm.tolist() for part in model.parts]
    assert sizes == [[80, 10, 10], [10, 10, 90]]
    np.testing.assert_allclose(model.parts[1].pose[:3, 3], [100, 0, 0])


def test_harmless_fault_is_read_leniently_with_a_note(tmp_path):
    root = model_xml(f'<object id="1" type="model">{mesh_xml(box())}</object>', '<item objectid="1"/>')
    odd = root.replace("<resources>", '<metadata name="Unknown-name">x</metadata><resources>')
    path = package(tmp_path / "odd.3mf", odd)
    reader = lib3mf.get_wrapper().CreateModel().QueryReader("3mf")
    reader.SetStrictModeActive(True)
    with pytest.raises(lib3mf.ELib3MFException):
        reader.ReadFromFile(str(path))
    model = read_model(path, PLAIN)
    assert len(model.parts) == 1
    assert codes(model) == ["lenient-3mf"]


def test_component_bomb_is_refused_before_the_library_unfolds_it(tmp_path):
    """Forty doublings: lib3mf takes 5 s for 26 of them and doubles with each."""
    resources = f'<object id="1" type="model">{mesh_xml(box())}</object>'
    for row in range(2, 42):
        twice = f'<component objectid="{row - 1}"/>' * 2
        resources += f'<object id="{row}" type="model"><components>{twice}</components></object>'
    path = package(tmp_path / "bomb.3mf", model_xml(resources, '<item objectid="41"/>'))
    with pytest.raises(UnreadableInput, match=f"at most {LIMITS.parts:,} are read"):
        read_model(path, PLAIN)


def test_object_that_holds_itself(tmp_path):
    resources = '<object id="1" type="model"><components><component objectid="1"/></components></object>'
    path = package(tmp_path / "ring.3mf", model_xml(resources, '<item objectid="1"/>'))
    with pytest.raises(UnreadableInput, match="holds itself"):
        read_model(path, PLAIN)


def test_the_library_reads_once_what_it_reads_at_all(tmp_path, monkeypatch):
    """Also what does not keep to the specification: of many objects each reading takes seconds."""
    asked, load = [], threemf._load
    root = model_xml(f'<object id="1" type="model">{mesh_xml(box())}</object>', '<item objectid="1"/>')
    monkeypatch.setattr(threemf, "_load", lambda *given: asked.append(given) or load(*given))
    odd = root.replace("<resources>", '<metadata name="Unknown-name">x</metadata><resources>')
    assert codes(read_model(package(tmp_path / "odd.3mf", odd))) == ["lenient-3mf"]
    assert len(asked) == 1
    with pytest.raises(UnreadableInput):
        read_model(package(tmp_path / "bad.3mf", root.replace('item objectid="1"', 'item objectid="7"')))
    assert len(asked) == 3


LEAF = (np.array([[0.0, 0, 0], [9, 0, 0], [0, 9, 1]]), np.array([[0, 1, 2]]))


def test_where_each_object_is_one_triangle_the_library_is_not_asked(tmp_path, monkeypatch):
    """It takes the square of their number: 13 s at 30,000."""
    monkeypatch.setattr("steps.intake.threemf._open", None)
    leaves = "".join(f'<object id="{row}" type="model">{mesh_xml(LEAF)}</object>' for row in range(1, 13))
    grouped = '<object id="20"><components><component objectid="1"/></components></object>'
    items = "".join(f'<item objectid="{row}"/>' for row in (*range(1, 13), 20))
    path = package(tmp_path / "m.3mf", model_xml(leaves + grouped, items))
    with pytest.raises(FaultyModel, match=r"object 1, .* and 6 more: left out.* 4 triangles.*\(12 such\)"):
        read_model(path)


def test_one_solid_among_single_triangles_is_read_and_they_are_named(tmp_path):
    meshes = (LEAF, box(), LEAF)
    objects = "".join(
        f'<object id="{row}" name="o{row}" type="model">{mesh_xml(mesh)}</object>'
        for row, mesh in enumerate(meshes, 1)
    )
    items = "".join(f'<item objectid="{row}"/>' for row in (1, 2, 3))
    model = read_model(package(tmp_path / "m.3mf", model_xml(objects, items)))
    assert [part.source for part in model.parts] == ["o2"]
    assert [each.parts for each in model.problems if each.code == "no-body"] == [("o1", "o3")]


def test_not_a_number_names_the_part(tmp_path):
    bad = mesh_xml(box()).replace('x="0.0"', 'x="NaN"', 1)
    root = model_xml(f'<object id="1" name="keel" type="model">{bad}</object>', '<item objectid="1"/>')
    with pytest.raises(FaultyModel, match=r"keel.*not finite"):
        read_model(package(tmp_path / "nan.3mf", root), PLAIN)


def test_garbage_in_the_model_part(tmp_path):
    with pytest.raises(UnreadableInput, match="3MF"):
        read_model(package(tmp_path / "g.3mf", "<model"), PLAIN)


def test_demo_model_reads_back_as_it_was_placed(tmp_path):
    """Read through lib3mf here; trimesh, by an independent reader, must see the same solids."""
    demo = beacon()
    write_3mf(demo, tmp_path / "b.3mf")
    model = read_model(tmp_path / "b.3mf", PLAIN)
    assert [part.source for part in model.parts] == [part.name for part in demo.placed]
    assert [part.colour for part in model.parts] == [part.colour for part in demo.placed]
    assert len(model.shapes) == len({part.solid_key for part in demo.placed})
    for part, want in zip(model.parts, demo.placed, strict=True):
        solid = demo.solids[want.solid_key].vertices
        assert same_points(placed(model, part), solid @ want.pose[:3, :3].T + want.pose[:3, 3])
    loaded = trimesh.load(tmp_path / "b.3mf")
    np.testing.assert_allclose(np.ptp(model.bounds, axis=0), loaded.extents, atol=1e-3)


def test_progress_moves_while_the_library_reads_and_an_interrupt_amid_it_is_heard(tmp_path):
    path, told = tmp_path / "beacon.3mf", []
    write_3mf(beacon(), path)
    with stage(lambda *each: told.append(each), "read"):
        threemf._load(lib3mf.get_wrapper(), path)
    assert len(told) > 3

    def interrupt(_stage, done, total):
        if done and not total:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt), stage(interrupt, "read"):
        threemf._load(lib3mf.get_wrapper(), path)
