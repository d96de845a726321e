"""TOML of anybody's: read, or refused in words."""

from __future__ import annotations

import tomllib

import pytest

from steps.errors import UnreadableInput
from steps.toml_file import read_toml

DEEP = {
    "lists": "scale = " + "[" * 20_000 + "]" * 20_000,
    "dotted key": ".".join(["a"] * 20_000) + " = 1",
    "dotted key within": "x = {" + ".".join(["a"] * 20_000) + " = 1}",
    "quoted dotted key": " . ".join(['"a b"'] * 20_000) + " = 1",
    "table": "[" + ".".join(["a"] * 20_000) + "]",
    "inline tables": "x = " + "{a = " * 5_000 + "1" + "}" * 5_000,
}


def refused(tmp_path, text: str | bytes) -> str:
    path = tmp_path / "build.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with pytest.raises(UnreadableInput) as caught:
        read_toml(path, UnreadableInput)
    assert "build.toml" in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("text", DEEP.values(), ids=DEEP)
def test_nesting_without_end(text, tmp_path):
    assert "deeper than any setting" in refused(tmp_path, text)


def test_what_cannot_be_read_is_said_in_words(tmp_path):
    assert "line 2" in refused(tmp_path, "a = 1\n= 3")
    assert "byte 6 is no UTF-8" in refused(tmp_path, b"a = '\xff'")
    assert "number or date" in refused(tmp_path, "a = " + "9" * 6000)
    assert "number or date" in refused(tmp_path, "a = 0x" + "f" * 6000)
    assert "KiB" in refused(tmp_path, "#" * (1024 * 1024 + 1))


@pytest.mark.parametrize(
    "text",
    [
        'map = """\nP.P.P.P.P.P.P.P.P.P.P.P.P.P.P.P.P.P.P.P\n"""\n',
        "note = 'a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t'\n",
        'note = "a.b.c.d.\\"e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t"  # a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t\n',
        "[fit.stud_card]\npress = [3, 4]\n",
    ],
)
def test_dots_in_texts_maps_and_comments_are_no_nesting(text, tmp_path):
    (tmp_path / "a.toml").write_text(text)
    assert read_toml(tmp_path / "a.toml", UnreadableInput) == (text, tomllib.loads(text))


@pytest.mark.parametrize(
    "text", ["a" * 1_000_000, '"\\' * 500_000, '"""' * 300_000 + "x", "a " * 500_000, "a." * 15 + "a" * 10**6]
)
def test_the_largest_file_is_looked_over_once(text, tmp_path):
    """Were it looked over from each of its letters, this would not come to an end."""
    assert "not valid TOML" in refused(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "place", "told"),
    [
        ("a = 1\nb = ", "at the end (line 2)", "no value"),
        ("a = tru", "line 1, column 5", "true or false"),
        ('a = "x', "at the end (line 1)", "not closed"),
        ("a = 'x\ny'", "line 1, column 7", "not closed"),
        ("a = [1, 2\n\n", "at the end (line 1)", "end it with ]"),
        ("a = {b = 1", "at the end (line 1)", "end it with }"),
        ("[order\na = 1", "line 1, column 7", "heading"),
        ("[[a]\n", "line 1, column 4", "heading"),
        ("a b = 1", "line 1, column 3", "needs quotes"),
        ("a = {b = 1,}", "line 1, column 12", "= belong here"),
        ("a = 1,5", "line 1, column 6", "decimals as 1.5"),
        ("[a]\n[a]", "line 2, column 3", "set before"),
        ("a = 1\na = 2", "at the end (line 2)", "set before"),
        ("a = {b = 1, b = 2}", "line 1, column 18", "set before"),
        ('a = "\\q"', "line 1, column 8", "single quotes"),
        ('a = "\\ud800"', "line 1, column 12", "single quotes"),
        ("# \x01", "line 1, column 3", "cannot be seen"),
        ("= 1", "line 1, column 1", "scale = 4"),
        ("a = 1979-13-01", "line 1, column 9", "in quotes"),
    ],
)
def test_what_is_no_toml_is_told_with_its_place_and_what_to_do(text, place, told, tmp_path):
    said = refused(tmp_path, text)
    assert f"not valid TOML: {place}: " in said and told in said
    assert not any(word in said for word in ("statement", "array", "Unescaped", "('a',)", "key/value"))
