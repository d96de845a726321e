"""Where a STEP file is damaged is told by its line."""

from __future__ import annotations

import pytest

from steps.intake.step_syntax import damage_in

SOUND = """ISO-10303-21;
HEADER;
FILE_NAME('a; #9 of ''b''',$);
ENDSEC;
DATA;
/* a comment; of two
   lines */
#1=CARTESIAN_POINT('it''s; here',(0.,-1.5E-3,+2));
#2 = ( NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.)
  LENGTH_UNIT() );
#3=MEASURE(LENGTH_MEASURE(1.E-07),#2,(),"0F",(#1,(#1,$)));
ENDSEC;
END-ISO-10303-21;
"""


def test_what_is_sound_has_no_damage() -> None:
    assert damage_in(SOUND.encode()) == ""
    assert damage_in(b"") == ""


@pytest.mark.parametrize(
    ("was", "now", "told"),
    [
        ("(0.,-1.5E-3,+2)", "(0.,-1.5E-3,+2", "line 8 is not written"),
        ("(0.,-1.5E-3,+2)", "(0.,,2)", "line 8 is not written"),
        ("(0.,-1.5E-3,+2)", "(0.,x 2)", "line 8 is not written"),
        ("(0.,-1.5E-3,+2)", "(0.,\xff2)", "line 8 is not written"),
        ("#1=CART", "#-1=CART", "line 8 is not written as the standard for it asks"),
        ("#1=CARTESIAN_POINT", "#1=", "line 8 is not written"),
        (";\n#2", "\n#2", "line 8 is not written"),
        ("it''s", "it's", "line 8 is not written"),
        ("NAMED_UNIT(*)", "NAMED_UNIT", "line 9 is not written"),
        ("#2,()", "#7,()", "line 11 names #7, which is not in the file"),
        ("#2 =", "#1 =", "line 9 gives the number #1 a second time"),
    ],
)
def test_the_first_damage_is_told_by_its_line(was: str, now: str, told: str) -> None:
    assert SOUND.count(was) == 1
    assert told in damage_in(SOUND.replace(was, now).encode("latin-1"))
