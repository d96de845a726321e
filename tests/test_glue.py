"""Which joints are glued, with what, when and by whom."""

from __future__ import annotations

import re
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from steps.errors import WrongSettings
from steps.glue import choose_glue
from steps.glue.adhesive import doubts, judge, rank
from steps.glue.doses import bond_volume, doses, glued_strength
from steps.glue.families import family
from steps.glue.hazards import complete
from steps.model import Assembly, Attach, Joints, Move, Order, Step
from steps.settings import GlueSettings, Settings
from steps.settle import settle
from steps.settle.schedule import Activity, Curing, Scheduler, critical_path
from tests.joint_cases import joints_of, lid, placed, plate, shift
from tests.stacks import STUD_HEIGHT, STUD_RADIUS, Cell, Stack, stack

UP = np.array([0.0, 0.0, 1.0])
#: Only picked up by its body: the other cases switched off.
PICKED_UP = {"base": 0.0, "tilt": 0.0, "knock": 0.0, "turn": 0.0}


def column(levels=4, **kwargs):
    return stack([Cell(0, 0, level, 2, 2) for level in range(levels)], **kwargs)


def one_by_one(built: Stack) -> Order:
    """Parts in their order, one a step."""
    placed: set[str] = set()
    steps = []
    for number, part in enumerate(built.model.parts, start=1):
        placed.add(part.id)
        closes = tuple(
            joint.id
            for joint in built.joints.joints
            if {joint.a, joint.b} <= placed and part.id in (joint.a, joint.b)
        )
        steps.append(Step(number, "A1", (part.id,), {part.id: Move([(0, 0, -1)])}, (), closes, UP))
    names = tuple(part.id for part in built.model.parts)
    return Order((Assembly("A1", "all of it", (names,)),), tuple(steps))


def glue(built: Stack, **options):
    return choose_glue(built.model, built.measures, built.joints, one_by_one(built), Settings(**options))


def test_what_holds_is_not_glued():
    found = glue(column(hold_per_stud=10.0))
    assert set(found.marks.values()) == {"press"}
    assert found.adhesive.family == "none"


def test_loose_column_is_glued_where_it_hangs():
    found = glue(column(hold_per_stud=0.0, gap=0.4))
    assert set(found.marks.values()) == {"glue"}
    assert found.facts["glued"] == 3 and found.facts["effort"] == pytest.approx(found.facts["least_effort"])
    assert found.lumps == 1
    assert found.adhesive.family != "none"
    assert complete(family(found.adhesive.family), "pla")
    assert found.adhesive.volume_ml > 0
    # picked up by its second block: the lowest, of 4 g, hangs on it
    still = glue(column(hold_per_stud=0.0, gap=0.4), glue=GlueSettings(cases=PICKED_UP))
    assert max(still.loads_n.values()) == pytest.approx(4 * 9.80665e-3, rel=1e-3)


def test_moving_joints_are_never_glued():
    found = glue(column(hold_per_stud=0.0, gap=0.4, moves=(1,)))
    assert found.marks["J2"] == "free"
    forced = glue(column(hold_per_stud=0.0, gap=0.4, moves=(1,)), glue=GlueSettings(glue=(("P2", "P3"),)))
    assert forced.marks["J2"] == "free"
    assert "glue-refused" in {problem.code for problem in forced.problems}


def test_wishes_force_forbid_and_keep_removable():
    built = column(hold_per_stud=10.0)
    assert glue(built, glue=GlueSettings(glue=(("cell 1", "cell 2"),))).marks["J1"] == "glue"
    loose = column(hold_per_stud=0.0, gap=0.4)
    kept = glue(loose, glue=GlueSettings(removable=("cell 4",)))
    assert kept.marks["J3"] == "free"
    assert "comes-off" in {problem.code for problem in kept.problems}
    never = glue(loose, glue=GlueSettings(never=(("cell 1", "cell 2"),)))
    assert never.marks["J1"] == "press"


def test_no_adhesive_names_what_falls_off():
    found = glue(column(hold_per_stud=0.0, gap=0.4), adhesive="none")
    assert "glue" not in found.marks.values()
    (problem,) = [one for one in found.problems if one.code == "falls-off"]
    assert "J1 (P1 and P2)" in problem.text


def test_impossible_safety_names_the_joint():
    found = glue(
        column(hold_per_stud=0.0, gap=0.4, gram_per_cell=40.0), glue=GlueSettings(safety=5e4, cases=PICKED_UP)
    )
    (problem, *_) = [one for one in found.problems if one.code == "cannot-hold"]
    # picked up by its second block, the lowest hangs on it
    assert "picked up by P2" in problem.text
    assert "J1 (P1 and P2) gives way first" in problem.text
    assert "More studs" in problem.text
    assert problem.parts == ("P1", "P2")


def test_what_would_help_is_told_by_number():
    built = column(levels=2, hold_per_stud=0.0, gap=0.4, gram_per_cell=40.0)
    strength = found_strength(built)
    # 160 g hang on the bond: asked for a quarter more than it holds
    safety = 1.25 * strength / (0.160 * 9.80665)
    found = glue(built, glue=GlueSettings(safety=safety, cases=PICKED_UP))
    text = next(one.text for one in found.problems if one.code == "cannot-hold")
    assert "1.25 times what it holds" in text
    assert "about 5 for 4" in text
    assert f"A safety factor of {safety / 1.25:.2g} would be met" in text


def test_a_joint_that_may_not_be_glued_is_named_with_the_wish_that_forbids_it():
    loose = column(hold_per_stud=0.0, gap=0.4, fits={(0, 1): "slide"}, gram_per_cell=40.0)
    some = replace(loose.joints.joints[0], hold_n=0.5, hold_low_n=0.5)
    built = Stack(loose.model, loose.measures, Joints((some, *loose.joints.joints[1:])))
    found = glue(built, glue=GlueSettings(never=(("P1", "P2"),), cases=PICKED_UP))
    text = next(one.text for one in found.problems if one.code == "cannot-hold")
    assert "J1 (P1 and P2) gives way first" in text and "listed under glue.never" in text
    assert found.marks["J1"] == "press"


def found_strength(built: Stack) -> float:
    """What the only joint holds when glued, N, by the adhesive that is chosen."""
    joint = built.joints.joints[0]
    chosen = family(glue(built, glue=GlueSettings(safety=1.0, cases=PICKED_UP)).adhesive.family)
    return glued_strength(joint, chosen, doses([joint], [(joint.id,)], chosen, 21.0)[joint.id])


def test_how_many_joints_need_glue_is_said():
    (said,) = [one.text for one in glue(column(hold_per_stud=10.0)).problems if one.code == "glue-count"]
    assert said.startswith("None of 3 joints needs glue.")
    forced = GlueSettings(glue=(("P1", "P2"),))
    found = glue(column(hold_per_stud=10.0), glue=forced)
    (said,) = [one.text for one in found.problems if one.code == "glue-count"]
    assert said.startswith("1 of 3 joints needs glue; gluing all would take 3 times as much.")
    assert f"{found.facts['cases']:.0f} load cases" in said


def test_unknown_family_and_plastic_list_the_known_ones():
    with pytest.raises(WrongSettings, match=r"cyanoacrylate.*epoxy"):
        glue(column(), adhesive="sealing wax")
    with pytest.raises(WrongSettings, match="never used"):
        glue(column(), adhesive="dichloromethane")


def test_an_unfit_adhesive_is_used_with_a_warning():
    # PMC8069302: PVA holds printed ABS to wood with 0.05 MPa; it needs a porous side
    found = glue(column(hold_per_stud=0.0, gap=0.4), adhesive="pva")
    assert found.adhesive.family == "pva"
    assert "adhesive-unfit" in {problem.code for problem in found.problems}


@pytest.mark.parametrize("plastic", ["pla", "petg", "abs", "asa", "tpu", "nylon"])
def test_nothing_refused_is_ever_recommended(plastic):
    built = column(hold_per_stud=0.0, gap=0.4)
    found = glue(built, material=plastic, reader="adult")
    if found.adhesive.family != "none":
        used = family(found.adhesive.family)
        assert complete(used, plastic)
        assert used.bond(plastic).rating >= 2
        assert used.name not in ("pva", "silicone", "light-cured", "polyurethane", "hot-melt")
    ranked = rank(built.joints.joints, Settings(material=plastic))
    never = ("silicone", "light-cured", "pva", "polyurethane", "hot-melt")
    assert all(one.unfit for one in ranked if one.family.name in never)


def test_thin_glue_beside_a_moving_joint_is_warned_of():
    found = glue(column(hold_per_stud=0.0, gap=0.0, moves=(1,)), adhesive="cyanoacrylate")
    (told,) = [one for one in found.problems if one.code == "adhesive-wicks"]
    assert told.joints == ("J1", "J3")


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_a_grave_family_is_chosen_by_itself_for_adults_only(reader):
    # faces 0.3 mm apart: beyond instant glue's 0.2 (Goss 2010); epoxy and acrylic bear H314, H317, H225
    built = column(hold_per_stud=0.0, gap=0.3)
    apart = replace_gaps(built, 0.3)
    found = glue(apart, reader=reader)
    if reader == "adult":
        assert found.adhesive.family in ("epoxy", "acrylic")
        return
    assert found.adhesive.family == "none" and "glue" not in found.marks.values()
    (told,) = [one for one in found.problems if one.code == "adhesive-barred"]
    assert set(told.joints) == {"J1", "J2", "J3"} and "J1, J2, J3" in told.text
    word = re.search(r"`--adhesive (\w+)`", told.text)
    asked = glue(apart, reader=reader, adhesive=word[1])
    assert asked.lumps == 1 and set(asked.marks.values()) == {"glue"}


def replace_gaps(built: Stack, gap: float) -> Stack:
    """The stack with all its faces a gap apart."""
    joints = tuple(
        replace(joint, touches=tuple(replace(touch, bond_gap_mm=gap) for touch in joint.touches))
        for joint in built.joints.joints
    )
    return Stack(built.model, built.measures, Joints(joints))


def test_hot_melt_is_never_used_under_load_without_saying_so():
    built = column(hold_per_stud=0.0, gap=0.4)
    ranked = rank(built.joints.joints, Settings(reader="adult"))
    assert next(one for one in ranked if one.family.name == "hot-melt").unfit
    found = glue(built, adhesive="hot-melt")
    told = " ".join(one.text for one in found.problems if one.code == "adhesive-unfit")
    assert "creeps under load" in told


def test_a_family_with_no_face_in_its_best_gap_is_told():
    found = glue(replace_gaps(column(hold_per_stud=0.0, gap=0.15), 0.15), adhesive="cyanoacrylate")
    told = [one.text for one in found.problems if one.code == "adhesive-no-best-gap"]
    assert told == ["No face lies within the 0 to 0.05 mm at which instant glue (cyanoacrylate) holds best."]


def test_volume_is_area_times_thickness_and_waste():
    # by hand: V = A t (1 + waste), t the film or the gap if wider; waste 0.4
    joint = column(gap=0.4).joints.joints[0]
    epoxy = family("epoxy")
    studs = 4 * 2 * np.pi * STUD_RADIUS * STUD_HEIGHT
    assert bond_volume(joint, epoxy) == pytest.approx((400.0 * 0.2 + studs * 0.4) * 1.4 / 1000)
    # cyanoacrylate does not bridge 0.4 mm: only the faces count (Goss 2010: limit 0.2 mm)
    assert bond_volume(joint, family("cyanoacrylate")) == pytest.approx(400.0 * 0.05 * 1.4 / 1000)


# ------------------------------------------------------------------------------ the least set


def test_critical_path_of_a_textbook_network():
    """Independent means: networkx's longest path. Activities A 3, B 4, C 2 after A, D 5 after A and B,
    E 1 after C and D, F 2 after D; D waits 2 for B (a common classroom network, no source)."""
    activities = [
        Activity("A", 3, {}),
        Activity("B", 4, {}),
        Activity("C", 2, {"A": 0}),
        Activity("D", 5, {"A": 0, "B": 2}),
        Activity("E", 1, {"C": 0, "D": 0}),
        Activity("F", 2, {"D": 0}),
    ]
    graph = nx.DiGraph()
    for one in activities:
        graph.add_edge("start", one.name, weight=one.minutes)
        for before, lag in one.after.items():
            graph.add_edge(before, one.name, weight=one.minutes + lag)
    length, chain = critical_path(activities)
    assert length == nx.dag_longest_path_length(graph) == 13
    assert chain == ("B", "D", "F")
    with pytest.raises(ValueError, match="A, B"):
        critical_path([Activity("A", 1, {"B": 0}), Activity("B", 1, {"A": 0})])


def towers() -> tuple[Stack, Order]:
    """A base, and a tower of two blocks built apart and then attached."""
    built = stack([Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2), Cell(2, 0, 1, 2, 2)])
    down = Move([(0, 0, -1)])
    steps = (
        Step(1, "A2", ("P2", "P3"), {"P2": down, "P3": down}, (), ("J3",), UP),
        Step(2, "A1", ("P1", "P4"), {"P1": down, "P4": down}, (), ("J2",), UP),
        Step(3, "A1", (), {}, (Attach("A2", 0, down),), ("J1",), UP),
    )
    order = Order(
        (Assembly("A2", "tower", (("P2", "P3"),)), Assembly("A1", "all", (("P1", "P2", "P3", "P4"),))), steps
    )
    return built, order


def strong(*glued: str) -> Curing:
    """Joints that hold by themselves after 20 minutes and then bear 1 kN, their full strength after a day."""
    return Curing(dict.fromkeys(glued, 1000.0), {}, 20.0, 1440.0)


def test_what_bears_too_little_when_it_first_holds_waits_for_its_full_strength():
    """Step 3 carries the tower, 8 cells of 700 g: at J3 no more than its lighter part, 4 cells, 27.5 N,
    since the finished model asks nothing of it; with the factor 1.5 it must bear 41.2 N."""
    _, order = towers()
    cells = [Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2), Cell(2, 0, 1, 2, 2)]
    built = stack(cells, gram_per_cell=700.0)
    for early, lag in ((41.1, 1440.0), (41.3, 20.0)):
        curing = Curing({"J3": early}, {}, 20.0, 1440.0)
        found = Scheduler(built.model, built.measures, built.joints, order, Settings(), curing).run()
        assert [step.needs_cured for step in found.steps] == [(), (), ("J3",)]
        assert found.steps[2].lags_min == (lag,)
        assert found.steps[0].wait_min == lag
        assert found.waiting_min == pytest.approx(lag - 1.5)


@pytest.mark.parametrize(
    ("up", "early", "lag"),
    [((1, 0, 0), False, 1440.0), ((1, 0, 0), True, 20.0), ((0, 0, 1), False, 20.0)],
    ids=["too much when turned", "borne when turned", "not turned"],
)
def test_what_is_turned_into_its_place_waits_for_what_that_asks(
    up: tuple[int, int, int], early: bool, lag: float
) -> None:
    """The tower is built lying or upright; at J3 a turn asks for 200 N, 300 N with the factor 1.5, and it
    bears 250 N before it is hard. Seen to bear the turn all the same, it only has to hold by itself."""
    built, order = towers()
    lying = replace(order, steps=(replace(order.steps[0], up=np.array(up, dtype=float)), *order.steps[1:]))
    turns = frozenset({(3, "A2")}) if early else frozenset()
    curing = Curing({"J3": 250.0}, {"turn": {"J3": 200.0}}, 20.0, 1440.0, turns)
    found = Scheduler(built.model, built.measures, built.joints, lying, Settings(), curing).run()
    assert (found.steps[2].needs_cured, found.steps[2].lags_min) == (("J3",), (lag,))


def test_other_work_goes_on_while_a_joint_cures():
    built, order = towers()
    assert {joint.id: {joint.a, joint.b} for joint in built.joints.joints}["J3"] == {"P2", "P3"}
    found = Scheduler(built.model, built.measures, built.joints, order, Settings(), strong("J3")).run()
    # step 1 takes 2 x 0.75 + 1 = 2.5 min; step 2, 1.5 min, needs no glue; step 3 carries the tower: 20 min
    assert [step.needs_cured for step in found.steps] == [(), (), ("J3",)]
    assert found.waiting_min == pytest.approx(20 - 1.5)
    assert found.waiting_each_min == 20.0
    assert [step.wait_min for step in found.steps] == [20.0, 0.0, 0.0]
    assert found.sittings == 1


def test_a_new_sitting_begins_when_glue_must_have_cured():
    built, order = towers()
    found = Scheduler(built.model, built.measures, built.joints, order, Settings(), strong("J1", "J3")).run()
    assert [step.sitting for step in found.steps] == [1, None, 2]
    assert found.sittings == 2


def test_a_step_with_glue_is_an_adults():
    built, order = towers()
    found = Scheduler(built.model, built.measures, built.joints, order, Settings(), strong("J3")).run()
    assert [step.by == "adult" for step in found.steps] == [True, False, False]


def test_two_people_carry_what_is_heavy():
    built, order = towers()
    heavy = stack(
        [Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2), Cell(2, 0, 1, 2, 2)],
        gram_per_cell=700.0,
    )
    # the tower weighs 8 x 700 g = 5.6 kg, over 4.5 kg (EN 71-1, stability of floor toys, from memory)
    found = Scheduler(heavy.model, heavy.measures, heavy.joints, order, Settings(), strong()).run()
    assert [step.people for step in found.steps] == [1, 1, 2]
    light = Scheduler(built.model, built.measures, built.joints, order, Settings(), strong()).run()
    assert [step.people for step in light.steps] == [1, 1, 1]


def test_same_input_same_choice():
    one, two = (glue(column(hold_per_stud=0.0, gap=0.4)) for _ in range(2))
    assert one.marks == two.marks and one.facts == two.facts and one.problems == two.problems


def test_a_face_too_large_for_the_open_time_asks_for_a_slower_glue():
    """Instant glue: 4 drops in 12 s cover 456 mm2 of 6400; by a quarter of 3 MPa that bears 342 N. The block
    on top weighs 640 g x 9.81 = 6.3 N; a factor of 100 asks for 628 N."""
    built = stack([Cell(0, 0, 0, 8, 8), Cell(0, 0, 1, 8, 8)], hold_per_stud=0.0, gap=0.4, gram_per_cell=10.0)
    wish = GlueSettings(safety=100.0, cases=PICKED_UP)
    alone = glue(built, glue=wish, reader="child")
    (told,) = [one for one in alone.problems if one.code == "too-much-at-once"]
    assert told.joints == ("J1",) and "--adhesive" in told.text and alone.adhesive.family == "cyanoacrylate"
    grown = glue(built, glue=wish, reader="adult")
    assert family(grown.adhesive.family).open_s > family("cyanoacrylate").open_s
    assert not {"too-much-at-once", "cannot-hold"} & {one.code for one in grown.problems}


def test_a_turn_that_no_glue_bears_is_told_at_its_step():
    """The column is laid over before its last block comes: with a factor of 50,000 no bond bears it."""
    built = column(hold_per_stud=0.0, gap=0.4, gram_per_cell=40.0)
    order = one_by_one(built)
    over = replace(order.steps[-1], up=np.array([1.0, 0.0, 0.0]))
    turned = replace(order, steps=(*order.steps[:-1], over))
    wish = Settings(
        glue=GlueSettings(safety=5e4, cases={**PICKED_UP, "turn": 1.0, "body": 0.0, "shelf": 0.0})
    )
    found = choose_glue(built.model, built.measures, built.joints, turned, wish)
    told = [one for one in found.problems if one.code == "cannot-hold"]
    assert [one.step for one in told] == [4]
    assert "turned before step 4" in told[0].text and "Hold every part by hand" in told[0].text
    work = settle(built.model, built.measures, built.joints, turned, found, wish)
    assert work.step_by_number[4].by == "adult"


@pytest.mark.parametrize(("safety", "soon"), [(5.0, True), (50.0, False)])
def test_a_turn_waits_for_hard_glue_only_where_the_build_would_not_hold_sooner(safety: float, soon: bool):
    """The column laid over before its last block comes: instant glue bears 0.1 MPa when it first holds and a
    quarter of 3 MPa, 7.5 times as much, when it is hard."""
    built = column(hold_per_stud=0.0, gap=0.4, gram_per_cell=40.0)
    order = one_by_one(built)
    over = replace(order.steps[-1], up=np.array([1.0, 0.0, 0.0]))
    turned = replace(order, steps=(*order.steps[:-1], over))
    cases = {**PICKED_UP, "turn": 1.0, "body": 0.0, "shelf": 0.0}
    wish = Settings(glue=GlueSettings(safety=safety, cases=cases))
    found = choose_glue(built.model, built.measures, built.joints, turned, wish)
    assert not {"cannot-hold", "not-worked-out"} & {one.code for one in found.problems}
    assert found.turns_early == ({(4, "")} if soon else frozenset())
    work = settle(built.model, built.measures, built.joints, turned, found, wish).step_by_number[4]
    times = found.adhesive
    assert work.needs_cured and max(work.lags_min) == (times.fixture_min if soon else times.cure_min)


@pytest.mark.parametrize(
    ("gap", "shim"), [(0.34, "about 0.3 mm thick"), (0.52, "about 0.5 mm thick"), (0.2, "")]
)
def test_a_gap_too_wide_for_the_glue_at_the_studs_is_told_with_a_shim_that_would_close_it(
    gap: float, shim: str
) -> None:
    """Instant glue bridges 0.2 mm and is best under 0.05 (Goss 2010): what is left of the gap is bridged."""
    (joint,) = joints_of(placed([(plate(2, 1), np.eye(4)), (lid(2, 1), shift(0, 0, 4))])).joints
    touches = tuple(
        replace(touch, area_mm2=1.0) if touch.kind == "rest" else replace(touch, bond_gap_mm=0.3)
        for touch in joint.touches
    )
    wide = replace(joint, touches=touches, gap_mm=gap)
    choice = judge(family("cyanoacrylate"), [wide], Settings())
    (told,) = [each.text for each in doubts(choice, (), [wide], 23.0) if each.code == "adhesive-gap"]
    assert (shim in told) if shim else ("a shim" not in told)
