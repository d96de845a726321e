"""What was measured is remembered to the last bit, and nothing else is ever taken for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

import steps.remembered
from demo_model.solids import block, slab
from steps.cli import run
from steps.cli.placing import MEASURED
from steps.model import Feature, Mending, Unsure
from steps.remembered import Memory, pack, remembered, remembering, unpacked
from steps.settings import Settings

Capture = pytest.CaptureFixture[str]


def same(one: Any, other: Any) -> bool:
    """Whether two values are of one type and equal to the last bit, all that they hold too."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()
    if isinstance(one, (tuple, list)):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if hasattr(one, "__dataclass_fields__"):
        return all(same(getattr(one, name), getattr(other, name)) for name in one.__dataclass_fields__)
    return bool(one == other) or (one != one and other != other)


FEATURE = Feature("stud", np.zeros(3), np.array([0, 0, 1.0]), 2.4, 1.7, 24, 0.02, 1e-17, through=True)
UNSURE = Unsure("face", np.array([1.0, 2.0, 3.0]), np.zeros(3), 0.1 + 0.2)
VALUES: dict[str, Any] = {
    "plain": [None, True, 3, -0.0, 0.1 + 0.2, float("inf"), float("nan"), "Stück"],
    "numbers": (np.float64(1 / 3), np.int32(-5), np.bool_(True), np.float32(0.1)),
    "arrays": (np.arange(6).reshape(2, 3), np.zeros((0, 3)), np.array(4.5), np.array([[True], [False]])),
    "turned": np.arange(12.0).reshape(3, 4).T[::-1],
    "nested": {"a": [(1, np.ones(2)), ()], 3: {}},
    "value": (FEATURE, [FEATURE]),
    "values within": Mending({"inside out": 1}, 0.25, (UNSURE,), np.ones((2, 3, 3))),
}


@pytest.mark.parametrize("name", VALUES)
def test_values_come_back_to_the_last_bit(name: str) -> None:
    assert same(unpacked(pack(VALUES[name])), VALUES[name])


def test_what_is_no_plain_value_is_refused() -> None:
    with pytest.raises(TypeError, match="Path"):
        pack([Path("x")])
    for name in ("os:system", "subprocess:Popen", "steps.remembered:remembered", "steps_of_others:Value"):
        with pytest.raises(ValueError, match="none of this program's values"):
            steps.remembered._class(name)


class Counted:
    """Makes something, and knows how often it was asked to."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> list[float]:
        self.times += 1
        return [float(self.times)]


def test_only_the_very_same_is_remembered() -> None:
    make, memory = Counted(), Memory()
    at = np.array([1.0, 2.0])
    bases: list[Any] = [
        (at, 1.0, "a", FEATURE, Settings()),
        (np.nextafter(at, 9), 1.0, "a", FEATURE, Settings()),  # one bit
        (at.astype(np.float32), 1.0, "a", FEATURE, Settings()),
        (at.reshape(2, 1), 1.0, "a", FEATURE, Settings()),
        (at, 2.0, "a", FEATURE, Settings()),
        (at, 1.0, "b", FEATURE, Settings()),
        (at, 1.0, "a", UNSURE, Settings()),
        (at, 1.0, "a", FEATURE, Settings(material="petg")),
    ]
    with remembering(memory):
        first = [remembered("thing", basis, make) for basis in bases]
        assert make.times == len(bases)
        assert [remembered("thing", basis, make) for basis in bases] == first
        assert make.times == len(bases)
        remembered("other thing", bases[0], make)
        assert make.times == len(bases) + 1
    later = Memory.of(memory.content())
    with remembering(later):
        assert [remembered("thing", basis, make) for basis in bases] == first
    assert make.times == len(bases) + 1 and not later.grew
    assert later.content() == memory.content()


@pytest.mark.parametrize("spoilt", [b"", b"mine", pack([1.0])[:-1], pack(np.ones(3))[:-8]])
def test_a_spoilt_value_is_made_anew(spoilt: bytes) -> None:
    memory = Memory()
    with remembering(memory):
        remembered("thing", 1, Counted())
    (key,) = memory.used
    with remembering(again := Memory({key: spoilt})):
        assert remembered("thing", 1, Counted()) == [1.0]
    assert again.used == memory.used


def test_nobody_remembers_outside() -> None:
    make = Counted()
    assert remembered("thing", 1, make) != remembered("thing", 1, make)


def test_a_file_of_another_program_or_a_damaged_one_holds_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    memory = Memory()
    with remembering(memory):
        remembered("thing", 1, Counted())
    content = memory.content()
    assert Memory.of(content).known
    assert not Memory.of(content[:-1]).known and not Memory.of(b"mine").known
    monkeypatch.setattr(steps.remembered, "program", lambda: "0" * 64)
    assert not Memory.of(content).known


def test_a_file_that_grew_too_large_keeps_what_was_used(monkeypatch: pytest.MonkeyPatch) -> None:
    memory = Memory({"old": pack([1.0] * 50)}, {"new": pack([2.0])})
    assert set(Memory.of(memory.content()).known) == {"old", "new"}
    monkeypatch.setattr(steps.remembered, "MOST_BYTES", 100)
    assert set(Memory.of(memory.content()).known) == {"new"}


# ----------------------------------------------------------------------- within ``place``


@pytest.fixture
def hut(tmp_path: Path) -> Path:
    for name, solid in (("deck", slab(4, 4)), ("wall", block(4, 2))):
        trimesh.Trimesh(solid.vertices, solid.faces, process=False).export(tmp_path / f"{name}.stl")
    text = '[build]\nlines = """\nfloor = deck, table, 1 1\nw1 = wall, floor, 1 1\n"""\n'
    (tmp_path / "build.toml").write_text(text, encoding="utf-8")
    return tmp_path


def test_a_run_after_an_edit_measures_what_is_new_and_draws_the_same(
    hut: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []
    recall = Memory.recall

    def counted(self: Memory, what: str, basis: object, make: Any) -> Any:
        return recall(self, what, basis, lambda: (made.append(what), make())[1])

    monkeypatch.setattr(Memory, "recall", counted)
    assert run(["place", str(hut), "-q"]) == 0
    assert {"tidy mesh", "anatomy", "sockets", "contacts", "solid"} <= set(made)
    picture = (hut / "build.png").read_bytes()
    made.clear()
    assert run(["place", str(hut), "-q"]) == 0
    assert made == [] and (hut / "build.png").read_bytes() == picture
    build = hut / "build.toml"
    more = "w2 = wall, floor, 1 3\nw3 = wall, w2, 2 1\n"
    build.write_text(build.read_text().replace("w1 =", f"{more}w1 ="))
    made.clear()
    assert run(["place", str(hut), "-q"]) == 0
    assert set(made) == {"contacts"}
    edited = (hut / "build.png").read_bytes()
    (hut / MEASURED).unlink()
    assert run(["place", str(hut), "-q"]) == 0
    assert (hut / "build.png").read_bytes() == edited != picture


def test_another_mesh_under_the_same_name_is_measured_anew(hut: Path, capsys: Capture) -> None:
    assert run(["place", str(hut)]) == 0
    smooth = slab(4, 4, smooth=True)
    trimesh.Trimesh(smooth.vertices, smooth.faces, process=False).export(hut / "deck.stl")
    capsys.readouterr()
    assert run(["place", str(hut)]) == 1
    assert "has no studs on its top" in capsys.readouterr().err


def test_what_was_measured_is_spared_once_somebody_else_wrote_it(hut: Path) -> None:
    (hut / MEASURED).write_text("mine")
    assert run(["place", str(hut), "-q"]) == 0
    assert (hut / MEASURED).read_text() == "mine"
