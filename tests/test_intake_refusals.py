"""What the 3MF library says of a file is said in our words; the clauses themselves: test_intake_clauses."""

from __future__ import annotations

import lib3mf
import pytest

from steps.intake.refusals import meant_by
from tests.fuzzing import JARGON


@pytest.mark.parametrize(
    ("sentence", "meant"),
    [
        ("Could not get XML Namespace", "a prefix is used for which no namespace is declared"),
        ("Could not get XML Namespace for a metadatum.", "the name of one of its metadata has a prefix"),
        ("Invalid model node index", r"a triangle names a vertex that is not there"),
        ("Could not find Object associated to Component", "a component names an object that is not there"),
        ("Could not find Object associated to the Build item ", "an item of its build names an object"),
        ("Could not retrieve OPC Part name", "the files of its package do not name each other"),
        ("Invalid XML Depth", "not written as XML asks"),
        ("Duplicate Volumetric Background", "its volumetric data"),
        ("Something that no version has said yet", "where cannot be told"),
        ("", "where cannot be told"),
    ],
)
def test_a_sentence_of_the_library_is_said_in_our_words(sentence, meant):
    for told in (meant_by(lib3mf.ELib3MFException(5, sentence)), meant_by(sentence)):
        assert meant in told
        assert not JARGON.search(told)


def test_a_name_that_is_no_text():
    assert (
        meant_by(UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"))
        == "a name in it is no text"
    )
