"""Pictures of faulty models: which parts they show, where they are written, and that they are told of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
import trimesh
from PIL import Image

from renderer.flatten import flatten
from renderer.table import Item
from steps.cli import run
from steps.cli.faults import picture_faults
from steps.draw.faults import HEIGHT_MM, WHOLE_SHARE, WIDTH_MM, _ring, fault_picture
from steps.intake import read_model
from steps.kept import RECORD
from steps.model import Model, Unsure
from steps.settings import Settings

UP = np.array([0.0, 0, 1])


def link(size: float = 60.0, bar: float = 10.0) -> trimesh.Trimesh:
    """A square ring of square bars about the origin, lying."""
    outer = trimesh.creation.box((size, size, bar))
    inner = trimesh.creation.box((size - 2 * bar, size - 2 * bar, 2 * bar))
    return trimesh.boolean.difference([outer, inner], engine="manifold")


def write(path: Path, bodies: list[trimesh.Trimesh]) -> Path:
    """An STL of several bodies."""
    trimesh.util.concatenate(bodies).export(path)
    return path


def links(path: Path) -> Path:
    """Two rings through each other on feet on a base; neither comes off the other."""
    base = trimesh.creation.box(bounds=((-60, -40, -10), (110, 60, 0)))
    lying, standing = link(), link()
    lying.apply_translation((0, 0, 15))
    standing.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, (1, 0, 0)))
    standing.apply_translation((25, 0, 30))
    feet = [
        trimesh.creation.box(bounds=((x, y, 0), (x + 10, y + 10, 10))) for x in (-30, 20) for y in (-30, 20)
    ]
    return write(path, [base, lying, standing, *feet])


def cloud(path: Path) -> Path:
    """A box on a base, and one in the air."""
    base = trimesh.creation.box(bounds=((-60, -40, -10), (110, 60, 0)))
    post = trimesh.creation.box(bounds=((80, 20, 0), (100, 40, 30)))
    high = trimesh.creation.box(bounds=((0, 0, 60), (20, 20, 80)))
    return write(path, [base, post, high])


def strong(pixels: np.ndarray) -> np.ndarray:
    """Where the picture is orange-red."""
    red, green, blue = (pixels[..., channel].astype(int) for channel in range(3))
    return (red > green + 60) & (red > blue + 60)


def model_at(path: Path) -> Model:
    return read_model(path, Settings())


def test_the_named_parts_are_strong_in_the_whole_and_alone_beside_it(tmp_path):
    model = model_at(cloud(tmp_path / "cloud.stl"))
    high = max(model.parts, key=lambda part: model.part_bounds[model.index_of[part.id], 0, 2])
    picture = fault_picture(model, [high.id], Settings(pictures="rays"), UP)
    pixels = flatten(picture, 100.0)
    assert (picture.width_mm, picture.height_mm) == (WIDTH_MM, HEIGHT_MM)
    split = round(pixels.shape[1] * WHOLE_SHARE)
    red = strong(pixels)
    assert red[:, :split].sum() > 500 and not red[:, split:].any()
    assert np.flatnonzero(red.any(axis=1)).max() < pixels.shape[0] / 2  # it is up in the air
    assert (pixels[:, split:] < 200).any()  # the part alone


@pytest.mark.parametrize(
    ("make", "code", "named"), [(links, "locked", 2), (cloud, "floating-part", 1)], ids=["locked", "floating"]
)
def test_a_faulty_model_leaves_a_picture_beside_the_output(make, code, named, tmp_path, capsys):
    path = make(tmp_path / "model.stl")
    target = tmp_path / "out" / "mine.plan.json"
    target.parent.mkdir()
    assert run(["plan", str(path), "-o", str(target)]) == 1
    picture = target.parent / f"mine-{code}.png"
    told = capsys.readouterr().err
    assert str(picture) in told and told.count("body-") >= named
    with Image.open(picture) as image:
        assert image.format == "PNG" and strong(np.asarray(image.convert("RGB"))).sum() > 1000
    left = {each.name for each in target.parent.iterdir()} - {RECORD}
    assert left == {picture.name}


def test_a_pile_is_drawn_as_the_one_part_that_it_looks_like(tmp_path):
    model = model_at(cloud(tmp_path / "cloud.stl"))
    first = model.parts[0]
    pile = replace(model, parts=(*model.parts, *(replace(first, id=f"X{n}") for n in range(200))))
    named = [part.id for part in pile.parts if part.id.startswith("X")]
    with patch("steps.draw.studio.Item", wraps=Item) as made:
        picture = fault_picture(pile, named, Settings(pictures="rays"), UP)
    assert made.call_count < 10
    alone = fault_picture(model, [first.id], Settings(pictures="rays"), UP)
    assert np.array_equal(flatten(picture, 60.0), flatten(alone, 60.0))


def test_of_very_many_parts_the_first_are_strong_and_the_message_says_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("steps.cli.faults.MOST_STRONG", 1)
    assert run(["plan", str(links(tmp_path / "model.stl")), "-o", str(tmp_path / "mine.plan.json")]) == 1
    assert "picture of the first 1 of 2 parts in question" in capsys.readouterr().err


def test_of_very_many_places_the_widest_are_marked_and_the_message_says_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("steps.draw.faults.MOST_RINGS", 2)
    spans = (1.0, 9.0, 3.0, 5.0)
    unsure = tuple(Unsure("face", np.array([span, 0.0, 0.0]), np.zeros(3), span) for span in spans)
    model = model_at(cloud(tmp_path / "cloud.stl"))
    first, *rest = model.shapes
    shape = replace(first, mending=replace(first.mending, unsure=unsure))
    with patch("steps.draw.faults._ring", wraps=_ring) as made:
        picture_faults(
            replace(model, shapes=(shape, *rest)), (), UP, tmp_path / "a.plan.json", Settings(), False
        )
    assert [call.args[0].span_mm for call in made.call_args_list] == [9.0, 5.0]
    assert "picture of the 2 widest of 4 places of S1 in question" in capsys.readouterr().err


def test_anyway_makes_plan_and_picture_and_verify_tells_the_doubts(tmp_path, capsys):
    """A locked model built anyway: an adult's doubtful steps, which verify tells apart from faults."""
    path, target = links(tmp_path / "model.stl"), tmp_path / "mine.plan.json"
    assert run(["plan", str(path), "-o", str(target), "--anyway"]) == 0
    assert (tmp_path / "mine-locked.png").exists()
    capsys.readouterr()
    assert run(["verify", str(target), str(path)]) == 0
    told = capsys.readouterr()
    assert "doubtful" in told.out and "on its way in" in told.err


def test_the_place_of_a_guess_is_pictured_and_told_of(tmp_path, capsys):
    """A box that lacks its top: the ring is round the hole that was closed."""
    base = trimesh.creation.box(bounds=((0, 0, 0), (40, 30, 10)))
    top = np.flatnonzero(base.face_normals[:, 2] > 0.9)
    base.update_faces(~np.isin(np.arange(12), top))
    post = trimesh.creation.box(bounds=((5, 5, 10), (15, 15, 30)))
    path = tmp_path / "open.glb"
    trimesh.Scene({"base": base, "post": post}).export(path)
    assert run(["plan", str(path), "-o", str(tmp_path / "open.plan.json"), "--scale", "1"]) in (0, 1)
    (made,) = tmp_path.glob("open-unsure-mend-*.png")
    assert f"picture of the places of S1 in question: {made}" in " ".join(capsys.readouterr().err.split())
    pixels = np.asarray(Image.open(made).convert("RGB"))
    across = np.argwhere(strong(pixels))[:, 1].mean() / pixels.shape[1]
    assert 0.4 < across < 0.6
    assert 0.02 < strong(pixels).mean() < 0.3
