"""Names in stepleaf.toml become parts and joints in one place, and what cannot be meant is refused there."""

from __future__ import annotations

import pytest

from steps.bonding import bonding_of
from steps.errors import WrongSettings
from steps.settings import Settings
from steps.wishes import Wishes, read_wishes
from tests.stacks import Cell, stack

#: P1, P2, P3: a column of three blocks 2 x 2, "cell 1" to "cell 3"; P4, "cell 4": a block 2 x 4 beside it.
COLUMN = stack([Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2), Cell(8, 0, 0, 4, 2)])


def read(order: dict[str, object] | None = None, glue: dict[str, object] | None = None) -> Wishes:
    settings = Settings.model_validate({"order": order or {}, "glue": glue or {}})
    return read_wishes(COLUMN.model, COLUMN.measures, COLUMN.joints, settings)


@pytest.mark.parametrize(
    ("name", "rows"),
    [("cell 2", {1}), ("P2", {1}), ("block 2 x 2", {0, 1, 2}), ("S1", {0, 1, 2}), ("block 2 x 4", {3})],
)
def test_a_name_is_a_parts_or_a_shapes(name: str, rows: set[int]) -> None:
    assert read({"last": [name]}).last == rows
    assert read(glue={"removable": [name]}).removable == rows
    assert set(read({"notes": {name: "Mind it."}}).notes) == rows


def test_every_setting_reads_the_same_names() -> None:
    wishes = read(
        {
            "before": [["cell 1", "P3"], ["block 2 x 4", "S1"]],
            "together": [["cell 1", "P2"], ["block 2 x 4"]],
            "names": {"P4": "pier"},
        },
        {"glue": [["cell 1", "P2"]], "never": [["cell 3", "P2"]]},
    )
    assert wishes.before == ((0, 2), (3, 0), (3, 1), (3, 2))
    assert wishes.together == ((0, 1), (3,))
    assert dict(wishes.names) == {3: "pier"}
    assert (wishes.glue, wishes.never) == ({"J1"}, {"J2"})


def test_a_pair_of_shapes_means_every_joint_between_them() -> None:
    assert read(glue={"never": [["block 2 x 2", "block 2 x 2"]]}).never == {"J1", "J2"}


def test_a_parts_own_name_wins_over_another_parts_id() -> None:
    from dataclasses import replace

    parts = (replace(COLUMN.model.parts[0], source="P3"), *COLUMN.model.parts[1:])
    model = replace(COLUMN.model, parts=parts)
    settings = Settings.model_validate({"order": {"last": ["P3"]}})
    assert read_wishes(model, COLUMN.measures, COLUMN.joints, settings).last == {0}


def test_all_that_nothing_bears_is_named_at_once_with_what_is_near() -> None:
    with pytest.raises(WrongSettings) as caught:
        read(
            {"last": ["cel 2", "mast of gold"], "notes": {"gold": "shines"}},
            {"never": [["cell 1", "silver"]], "glue": [["cell 1", "cell 4"]]},
        )
    assert str(caught.value) == (
        "order.last: nothing is called 'cel 2' (is it 'cell 2'?), 'mast of gold'; order.notes: nothing is "
        "called 'gold'; glue.never: nothing is called 'silver'; glue.glue: cell 1 and cell 4 do not touch, "
        "so no joint is meant. Use the names that 'stepleaf inspect' lists."
    )


@pytest.mark.parametrize(
    ("order", "glue", "said"),
    [
        (
            {"before": [["cell 1", "cell 2"], ["cell 2", "cell 1"]]},
            {},
            ["cell 1 before cell 2 (wished), cell 2 before cell 1 (wished)"],
        ),
        ({"before": [["cell 1", "cell 1"]]}, {}, ["cell 1 before cell 1"]),
        (
            {"last": ["cell 1"], "before": [["cell 1", "cell 4"]]},
            {},
            ["cell 1 before cell 4 (wished), cell 4 before cell 1 (wished last)"],
        ),
        (
            {},
            {"glue": [["cell 1", "cell 2"]], "never": [["block 2 x 2", "block 2 x 2"]]},
            ["cell 1 and cell 2 stand in glue.glue and in glue.never"],
        ),
        (
            {"before": [["cell 1", "cell 1"]]},
            {"glue": [["cell 2", "cell 3"]], "removable": ["cell 3"]},
            ["cell 1 before cell 1", "cell 2 and cell 3 are to be glued", "but cell 3 must come off again"],
        ),
    ],
)
def test_wishes_that_contradict_each_other_are_refused_together(
    order: dict[str, object], glue: dict[str, object], said: list[str]
) -> None:
    with pytest.raises(WrongSettings) as caught:
        read(order, glue)
    assert all(each in str(caught.value) for each in said)


def test_what_only_the_model_is_against_is_told_and_not_done() -> None:
    cells = [Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2)]
    built = stack(cells, moves=(1,))
    settings = Settings.model_validate({"glue": {"glue": [["cell 1", "cell 2"], ["cell 2", "cell 3"]]}})
    allowed = bonding_of(built.model, built.measures, built.joints, settings)
    assert (allowed.forced, allowed.free) == ({"J1"}, {"J2"})
    (told,) = allowed.problems
    assert told.code == "glue-refused" and told.parts == ("P2", "P3")
    assert told.text == "J2 (cell 2 and cell 3) is not glued although asked for: it moves."


def test_what_must_come_off_again_is_free() -> None:
    settings = Settings.model_validate({"glue": {"removable": ["cell 3"]}})
    allowed = bonding_of(COLUMN.model, COLUMN.measures, COLUMN.joints, settings)
    assert (allowed.free, allowed.may, allowed.problems) == ({"J2"}, {"J1"}, ())
