"""Files that are missing, empty, cut short, something else, or meant to do harm: one clear error each."""

from __future__ import annotations

import io
import re
import struct
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from steps.errors import BeyondLimit, FaultyModel, StepleafError, UnknownFormat, UnreadableInput
from steps.intake import read_model
from steps.intake.census import CHUNK
from steps.intake.sniff import kind_of
from steps.settings import Settings
from tests.intake_files import (
    CORE,
    MODEL_PATH,
    Gltf,
    ThreeMF,
    binary_stl,
    box,
    mesh_xml,
    model_xml,
    package,
    text_stl,
)

PLAIN = Settings()
ONE = f'<object id="1" type="model">{mesh_xml(box())}</object>', '<item objectid="1"/>'


def refused(path, kind=UnreadableInput):
    with pytest.raises(kind) as caught:
        read_model(path, PLAIN)
    assert caught.value.exit_status == 2
    assert path.name in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("name", ["m.3mf", "m.glb", "m.stl", "m.csv", "folder/m.obj"])
def test_missing(tmp_path, name):
    assert "no such file" in refused(tmp_path / name)


@pytest.mark.parametrize("end", ["3mf", "glb", "gltf", "obj", "stl", "step", "csv", "txt"])
def test_empty(tmp_path, end):
    (tmp_path / f"m.{end}").write_bytes(b"")
    assert "is empty" in refused(tmp_path / f"m.{end}")


STRANGERS = {
    "a PDF": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n" + b"x" * 500,
    "a PNG": b"\x89PNG\r\n\x1a\n" + b"\x00" * 500,
    "a JPEG": b"\xff\xd8\xff\xe0" + b"\x00" * 500,
    "a web page": b"<!DOCTYPE html><html><body>404</body></html>",
    "a PLY mesh": b"ply\nformat ascii 1.0\n",
    "a program": b"MZ" + b"\x90" * 500,
    "JSON": b'{"name": "not a scene"}',
    "text": b"dear printer, please print this",
    "binary": bytes(range(1, 256)) * 4,
}


@pytest.mark.parametrize("end", ["3mf", "glb", "obj", "step", "stl"])
@pytest.mark.parametrize("what", STRANGERS)
def test_wrong_type_is_named_as_what_it_is(tmp_path, what, end):
    (tmp_path / f"m.{end}").write_bytes(STRANGERS[what])
    told = refused(tmp_path / f"m.{end}")
    if (what, end) != ("binary", "stl"):  # bytes of no format under .stl can only be a broken STL
        assert what in told


def readable(folder):
    """One good file of each kind, by extension."""
    file = ThreeMF()
    file.item(file.mesh(box()))
    scene = Gltf()
    scene.node(mesh=scene.mesh(scene.primitive((box()[0] / 1000, box()[1]))))
    obj = folder / "m.obj"
    obj.write_text("\n".join(f"v {x} {y} {z}" for x, y, z in box()[0]) + "\nf 1 2 3\n")
    return {
        "3mf": file.write(folder / "m.3mf"),
        "glb": scene.write(folder / "m.glb"),
        "obj": obj,
        "stl": binary_stl(folder / "m.stl", box()),
    }


def test_misnamed_files_are_named_by_their_content(tmp_path):
    for end, path in readable(tmp_path).items():
        for other in {"3mf", "glb", "obj", "step"} - {end}:
            wrong = tmp_path / f"wrong.{other}"
            wrong.write_bytes(path.read_bytes())
            assert f"this is a {end.upper()} file" in refused(wrong, UnknownFormat)


@pytest.mark.parametrize("end", ["obj", "csv"])
def test_text_with_control_characters_is_no_binary_data(tmp_path, end):
    path = tmp_path / f"m.{end}"
    path.write_bytes(b"id,file\nv 0 0\x07 0\n" + b"v 1 2 3\n" * 9)
    with pytest.raises(UnknownFormat, match=r"text with control characters \(the first in line 2, code 7\)"):
        read_model(path)
    path.write_bytes(b"\x07\x08" * 50)
    with pytest.raises(UnknownFormat, match="binary data"):
        read_model(path)


def test_extension_in_capitals(tmp_path):
    path = text_stl(tmp_path / "M.STL", a=box())
    assert kind_of(path) == "STL"
    assert len(read_model(path, PLAIN).parts) == 1


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(end=st.sampled_from(["3mf", "glb", "stl"]), share=st.floats(0, 0.999))
def test_cut_short_anywhere(tmp_path, end, share):
    data = readable(tmp_path)[end].read_bytes()
    cut = tmp_path / f"cut.{end}"
    cut.write_bytes(data[: int(len(data) * share)])
    refused(cut)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(end=st.sampled_from(["3mf", "glb", "obj", "stl"]), at=st.floats(0, 0.9999), byte=st.integers(0, 255))
def test_one_wrong_byte_never_ends_in_a_traceback(tmp_path, end, at, byte):
    data = bytearray(readable(tmp_path)[end].read_bytes())
    data[int(at * len(data))] = byte
    path = tmp_path / f"bad.{end}"
    path.write_bytes(data)
    try:
        model = read_model(path, PLAIN)
    except StepleafError as error:
        assert str(error)
    else:
        assert model.parts


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(end=st.sampled_from(["3mf", "glb", "gltf", "obj", "stl", "step", "csv"]), data=st.binary(max_size=400))
def test_noise_never_ends_in_a_traceback(tmp_path, end, data):
    path = tmp_path / f"noise.{end}"
    path.write_bytes(data)
    with pytest.raises(StepleafError):
        read_model(path, PLAIN)


def test_zip_bomb_by_ratio(tmp_path):
    """200 MB of blanks in the model part: 0.2 MB packed."""
    text = model_xml(*ONE).encode()
    path = package(tmp_path / "bomb.3mf", "")
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open(MODEL_PATH, "w") as part:
        part.write(text[:-8])
        for _ in range(200):
            part.write(b" " * 1024**2)
        part.write(text[-8:])
    assert path.stat().st_size < 1024**2
    assert "zip bomb" in refused(path)


def test_zip_bomb_by_size(tmp_path):
    path = package(tmp_path / "big.3mf", model_xml(*ONE) + " " * 20_000)
    few = Settings(limits={"unpacked_gib": 1e-5})
    with pytest.raises(UnreadableInput, match="would unpack to"):
        read_model(path, few)
    path = package(tmp_path / "wide.3mf", (model_xml(*ONE) + " " * 20_000).encode("utf-16"))
    with pytest.raises(UnreadableInput, match="would unpack to"):
        read_model(path, few)


def test_zip_bomb_of_overlapping_entries(tmp_path):
    """The directory names one packed entry many times: small on disk, large in sum."""
    path = tmp_path / "overlap.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(MODEL_PATH, b" " * 30 * 1024**2)
    data = path.read_bytes()
    end = data.rindex(b"PK\x05\x06")
    entry = data[data.index(b"PK\x01\x02") : end]
    many = entry * 60
    fields = list(struct.unpack("<4s4H2LH", data[end : end + 22]))
    fields[3] = fields[4] = 60
    fields[5] = len(many)
    path.write_bytes(data[: end - len(entry)] + many + struct.pack("<4s4H2LH", *fields))
    assert "zip bomb" in refused(path)


#: Objects each of two of the one before, written so that a reader may pass over some of it.
DOUBLES = 20


def doubling(component: str = '<component objectid="{}"/>', attributes: str = "", prefix: str = "") -> str:
    objects = [ONE[0]]
    for number in range(2, DOUBLES):
        inner = 2 * component.format(number - 1)
        objects.append(
            f'<{prefix}object id="{number}" type="model"><{prefix}components>{inner}</{prefix}components>'
            f"</{prefix}object>"
        )
    usual = 'unit="millimeter"'
    return model_xml(
        "".join(objects), f'<item objectid="{DOUBLES - 1}"/>', attributes=f"{usual} {attributes}"
    )


HIDDEN = {
    "plainly": doubling(),
    "number with zeros": doubling('<component objectid="00{}"/>'),
    "number with a blank": doubling('<component objectid=" {}"/>'),
    "number with a sign": doubling('<component objectid="+{}"/>'),
    "number of 33 bits": re.sub(
        r'objectid="(\d+)"', lambda found: f'objectid="{2**32 + int(found[1])}"', doubling()
    ),
    "prefix with a dash": doubling(prefix="x-y:", attributes=f'xmlns:x-y="{CORE}"'),
    "end of a tag in a value": doubling('<component name=">" objectid="{}"/>'),
    "begin of a tag in a value": doubling('<component name="<" objectid="{}"/>'),
    "quote in a value": doubling('<component objectid="{}" name="\' objectid=\'9\'"/>'),
    "another's attribute": doubling('<component objectid="{}" z:objectid="9"/>', 'xmlns:z="http://e"'),
    "another's path": doubling('<component objectid="{}" z:path="/3D/z.model"/>', 'xmlns:z="http://e"'),
    "in UTF-16": doubling().encode("utf-16"),
    "after what is no XML": "stray" + doubling(),
}


@pytest.mark.parametrize("way", HIDDEN)
def test_components_that_multiply_are_counted_however_they_are_written(way, tmp_path):
    """The library that reads 3MF takes as long as it has parts: here 2^18."""
    said = refused(package(tmp_path / "m.3mf", HIDDEN[way]), (BeyondLimit, UnreadableInput))
    assert "50,000 are read" in said or "not written as XML" in said or "2147483647 is the largest" in said


def test_a_long_tag_is_read_or_refused_but_never_passed_over(tmp_path):
    """Longer than what is read at once: by blanks, and by a value."""
    for filling in (" " * CHUNK, f'name="{"a" * 3 * CHUNK}" '):
        text = doubling().replace('<component objectid="18"/>', f'<component {filling}objectid="18"/>', 1)
        said = refused(package(tmp_path / "m.3mf", text), (BeyondLimit, UnreadableInput))
        assert "50,000 are read" in said or "not written as XML" in said or "zip bomb" in said


def test_a_model_is_looked_at_by_whatever_name_it_goes(tmp_path):
    path = package(tmp_path / "m.3mf", doubling())
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name).decode() for name in archive.namelist()}
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in files.items():
            text = text.replace(MODEL_PATH, "3D/m.dat").replace('="model" Con', '="dat" Con')
            archive.writestr(name.replace(MODEL_PATH, "3D/m.dat"), text)
        archive.writestr("3D/other.model", model_xml(*ONE))
    assert "50,000 are read" in refused(path, BeyondLimit)


@pytest.mark.parametrize("second", [MODEL_PATH, MODEL_PATH.upper()])
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name_are_refused(second, tmp_path):
    """Readers differ in which of them they take."""
    path = package(tmp_path / "m.3mf", doubling())
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(second, model_xml(*ONE))
    assert "two files named" in refused(path)


def test_of_two_packages_in_one_file_the_one_that_was_looked_at_is_read(tmp_path):
    """One after the other, and as its comment: where the directory is differs from reader to reader."""
    hostile = package(tmp_path / "a.3mf", doubling()).read_bytes()
    good = package(tmp_path / "b.3mf", model_xml(ONE[0].replace('id="1"', 'id="1" name="b"'), ONE[1]))
    with_comment = hostile[:-2] + struct.pack("<H", good.stat().st_size)
    for before in (hostile, with_comment):
        (tmp_path / "m.3mf").write_bytes(before + good.read_bytes())
        model = read_model(tmp_path / "m.3mf", PLAIN)
        assert [part.source for part in model.parts] == ["b"]
        assert "its ZIP package is not in order" in model.problems[-1].text


def test_a_directory_of_64_bits_is_as_good_and_one_that_points_elsewhere_is_told(tmp_path):
    """As the 3MF library writes it; APPNOTE 4.3.14: where the directory begins stands at byte 48."""
    file = ThreeMF()
    file.item(file.mesh(box(), "a"))
    data = file.write(tmp_path / "m.3mf").read_bytes()
    assert not read_model(tmp_path / "m.3mf", PLAIN).problems
    at = data.index(b"PK\x06\x06")
    elsewhere = package(tmp_path / "b.3mf", doubling()).read_bytes()
    (tmp_path / "m.3mf").write_bytes(elsewhere + data)
    assert "not in order" in read_model(tmp_path / "m.3mf", PLAIN).problems[-1].text
    (tmp_path / "m.3mf").write_bytes(data[: at + 4] + struct.pack("<Q", 45) + data[at + 12 :])
    assert "not in order" in read_model(tmp_path / "m.3mf", PLAIN).problems[-1].text


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "utf-16-be"])
def test_entity_bomb(tmp_path, encoding):
    lol = '<!DOCTYPE z [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;">]>'
    text = model_xml(*ONE, prolog="<!-- harmless -->" + lol)
    path = package(tmp_path / "lol.3mf", text.replace("UTF-8", encoding).encode(encoding))
    assert "entities" in refused(path)


def test_the_words_of_a_dtd_within_text_are_harmless(tmp_path):
    said = '<metadata name="Description">&lt;!DOCTYPE html></metadata><!-- <!DOCTYPE x> -->'
    text = model_xml(*ONE, prolog="<!-- <!ENTITY a 'b'> -->").replace("<resources>", said + "<resources>")
    assert len(read_model(package(tmp_path / "d.3mf", text), PLAIN).parts) == 1


def test_damaged_packed_data(tmp_path):
    data = bytearray(package(tmp_path / "d.3mf", model_xml(*ONE)).read_bytes())
    middle = data.index(MODEL_PATH.encode()) + 60
    data[middle : middle + 20] = b"\xff" * 20
    (tmp_path / "d.3mf").write_bytes(data)
    refused(tmp_path / "d.3mf")


def test_zip_without_a_model(tmp_path):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr("word/document.xml", "<x/>")
    (tmp_path / "m.3mf").write_bytes(held.getvalue())
    assert "an office document" in refused(tmp_path / "m.3mf")


def test_all_faults_of_a_file_in_one_report(tmp_path):
    bad = [mesh_xml(box()).replace('x="0.0"', f'x="{word}"', 1) for word in ("NaN", "inf")]
    resources = "".join(
        f'<object id="{k}" name="m{k}" type="model">{m}</object>' for k, m in enumerate(bad, 1)
    )
    with pytest.raises(FaultyModel) as caught:
        read_model(package(tmp_path / "n.3mf", model_xml(resources, '<item objectid="1"/>')), PLAIN)
    assert [problem.parts for problem in caught.value.problems] == [("m1",), ("m2",)]
