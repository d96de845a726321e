"""Names of sub-assemblies: what they are, what they are made of, how many parts: "tower, amber, 12 parts".

Where one sits is said of copies, and where what it is made of does not tell it from others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from steps.model import Array, Model
from steps.order.site import Group
from steps.sides import level_axes, level_sides
from steps.wording import Joined, Phrase, Sayable, Term, Wording, joined, phrase, phrase_n

#: Off the middle by less than this share of the model's half width, a group is neither left nor right.
MIDDLE_SHARE = 0.2
#: Higher than this many times the side of a square as large as its footprint, a group is a tower.
TOWER = 1.2
#: Flatter than this share of its lesser width, it is a deck.
DECK = 0.35
#: Longer than this many times its width, and not high, it is an arm.
ARM = 3.0
#: A colour that fewer than this share of a group's parts have does not tell the group.
COLOUR_SHARE = 0.4
#: Words of places in the order in which they are said.
SAID = ("front", "left", "middle", "right", "back")


def wished_names(groups: Sequence[Group], wished: Mapping[int, str]) -> tuple[dict[int, str], list[int]]:
    """The user's names by place in ``groups``; and the part rows whose name found no group.

    A name goes to the smallest group, other than the last (the whole model), that holds the part.
    """
    found: dict[int, str] = {}
    lost = []
    for row, name in wished.items():
        holding = [
            (len(group.parts), place)
            for place, group in enumerate(groups[:-1])
            if any(row in copy for copy in group.copies)
        ]
        if holding:
            found.setdefault(min(holding)[1], name)
        else:
            lost.append(row)
    return found, lost


def group_name(
    model: Model, group: Group, root: Group, groups: Sequence[Group] = ()
) -> tuple[Wording, Wording]:
    """What the group is and where it sits, without and with how many parts it has.

    Of ``groups`` the one that repeats and holds this one, if any, is what the place is seen in.
    """
    words = _told(model, group, root, groups)
    return joined(*words), joined(*words, phrase_n("{n} part", "{n} parts", len(group.parts)))


def _told(model: Model, group: Group, root: Group, groups: Sequence[Group]) -> list[Sayable]:
    if group is root:
        return [Term("whole model")]
    if len(group.parts) > len(root.parts) / 2:
        return [Term("body")]
    words: list[Sayable] = [Term(what_it_is(model, group.parts, group.up))]
    places = _places(model, group, _repeated_around(group, groups) or root, root.up)
    if len(group.copies) > 1:
        words += _of_copies(places)
        words.append(phrase_n("built {n} time", "built {n} times", len(group.copies)))
        return words
    made_of = _colour(model, group.parts)
    if len({part.colour for part in model.parts}) > 1:
        words += made_of
    others = [each for each in groups if each is not group and each is not root and len(each.copies) == 1]
    if any(_colour(model, each.parts) == made_of for each in others):
        words.append(Term(places[0]))
    return words


def _places(model: Model, group: Group, outer: Group, up: Array) -> list[str]:
    """Where the copies of a group sit in an outer one, each place once."""
    here = [copy for copy in group.copies if set(copy) <= set(outer.parts)]
    return sorted({where_it_sits(model, copy, up, outer.parts) for copy in here}, key=_as_said)


def _of_copies(places: Sequence[str]) -> list[Sayable]:
    """Where copies sit; those in more places than two are only counted."""
    if len(places) == 2:
        return [phrase("{a} and {b}", a=Term(places[0]), b=Term(places[1]))]
    return [Term(place) for place in places[:1]] if len(places) == 1 else []


def says_a_side(name: Sayable) -> bool:
    """Whether a name says left or right, which a reader has to be told the meaning of."""
    if isinstance(name, Joined):
        return any(map(says_a_side, name.parts))
    if isinstance(name, Phrase):
        return any(says_a_side(value) for _, value in name.values)
    return isinstance(name, Term) and bool({"left", "right"} & set(name.text.split()))


def _colour(model: Model, parts: Sequence[int]) -> list[Sayable]:
    """The name of the colour that most of the parts have, if it is enough of them."""
    colour, count = Counter(model.parts[part].colour for part in sorted(parts)).most_common(1)[0]
    named = next(part.colour_name for part in model.parts if part.colour == colour)
    return [named] if count >= COLOUR_SHARE * len(parts) else []


def _repeated_around(group: Group, groups: Sequence[Group]) -> Group | None:
    """The smallest group built several times that holds this one."""
    around = [each for each in groups if len(each.copies) > 1 and set(each.parts) > set(group.parts)]
    return min(around, key=lambda each: len(each.parts), default=None)


def what_it_is(model: Model, parts: Sequence[int], up: Array) -> str:
    """ "tower", "deck", "arm" or just "section", by the proportions of its bounding box."""
    high, across = _extents(model, parts, up)
    if high > TOWER * np.sqrt(across[0] * across[1]):
        return "tower"
    if high < DECK * min(across):
        return "deck"
    return "arm" if max(across) > ARM * min(across) and high < max(across) / 2 else "section"


def where_it_sits(model: Model, parts: Sequence[int], up: Array, among: Sequence[int] = ()) -> str:
    """ "front left", "back", "middle": seen from above, front being least along y, left least along x of
    the file.

    Seen in the box of the parts ``among``; of the whole model when there are none.
    """
    boxes = model.part_bounds
    around = boxes[sorted(among)] if among else boxes
    low, high = around[:, 0].min(axis=0), around[:, 1].max(axis=0)
    centre = boxes[list(parts)].mean(axis=(0, 1))
    share = (centre - (low + high) / 2) / np.maximum((high - low) / 2, 1e-9)
    x, y = level_sides(model, up)
    along, sideways = float(share @ y), float(share @ x)
    words = []
    if abs(along) > MIDDLE_SHARE:
        words.append("back" if along > 0 else "front")
    if abs(sideways) > MIDDLE_SHARE:
        words.append("right" if sideways > 0 else "left")
    return " ".join(words) or "middle"


def _as_said(place: str) -> tuple[int, ...]:
    """Places in the order in which people name them: from front to back, from left to right."""
    return tuple(SAID.index(word) for word in place.split())


def _extents(model: Model, parts: Sequence[int], up: Array) -> tuple[float, tuple[float, float]]:
    x, y = level_axes(up)
    frame = np.column_stack([x, y, up])
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for part in parts:
        pose = model.parts[part].pose
        placed = (model.shape_by_id[model.parts[part].shape].vertices @ pose[:3, :3].T + pose[:3, 3]) @ frame
        low, high = np.minimum(low, placed.min(axis=0)), np.maximum(high, placed.max(axis=0))
    size = high - low
    return float(size[2]), (float(size[0]), float(size[1]))
