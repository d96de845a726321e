"""XML written in the plainest way, or refused by the line."""

from __future__ import annotations

import pytest

from steps.errors import UnreadableInput
from steps.intake.package import check_package
from steps.intake.plain_xml import plainly
from tests.intake_files import package

HEAD = '<?xml version="1.0" encoding="UTF-8"?>'


def of(text: str, folder) -> str:
    with plainly(check_package(package(folder / "m.3mf", text))).archive() as archive:
        return archive.read("3D/3dmodel.model").decode()


def test_each_letter_is_itself(tmp_path):
    text = f"{HEAD}<!-- x --><a  b='&#x41;&amp;&lt;\"\n' ><?do it?><c/>&#246;<![CDATA[<&>]]></a >"
    assert of(text, tmp_path) == f'{HEAD}<a b="A&amp;&lt;&quot; "><c></c>\u00f6&lt;&amp;&gt;</a>'


def test_what_is_plain_stays(tmp_path):
    more = '<x y="é"></x> two\nlines ' * 60_000  # longer than what is read at once
    text = f"{HEAD}<model>{more}</model>"
    assert of(text, tmp_path) == text


def test_what_is_only_shown_is_cut_and_a_longer_tag_is_refused(tmp_path):
    text = f'{HEAD}<a name="{"b" * 70_000}">{"c" * 70_000}<d></d></a>'
    assert of(text, tmp_path) == f'{HEAD}<a name="{"b" * 4_000}">{"c" * 4_000}<d></d></a>'
    with pytest.raises(UnreadableInput, match=r"line 2 of 3D/3dmodel\.model: a tag of 70,\d+ letters"):
        of(f'{HEAD}\n<a e="{"b" * 70_000}"/>', tmp_path)


@pytest.mark.parametrize(
    "wrong", ["<a>\n<b></a>", "<a>\n<b c=1/></a>", "<a>\n&nbsp;</a>", "<a>\n", "<a>\n&#0;</a>"]
)
def test_what_is_not_well_formed_is_refused_by_its_line(wrong, tmp_path):
    with pytest.raises(UnreadableInput, match=r"line [23] of 3D/3dmodel\.model, at letter \d"):
        of(wrong, tmp_path)


def test_another_encoding_is_refused_by_its_name(tmp_path):
    with pytest.raises(UnreadableInput, match="is written in UTF-7; it must be UTF-8 or UTF-16"):
        of('<?xml version="1.0" encoding="UTF-7"?><a/>', tmp_path)
