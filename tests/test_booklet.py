"""The PDF read back by other means: pypdf for structure, pypdfium2 for what is seen."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pytest

from renderer.picture import Picture
from steps.booklet import write_booklet
from steps.booklet.compose import compose
from steps.booklet.compose.joints import joint_groups, joint_notes
from steps.booklet.compose.matter import Matter
from steps.booklet.content import Marked
from steps.booklet.impose import imposition
from steps.booklet.pictures import PictureOrder
from steps.booklet.words import words_in
from steps.draw.kinds import kinds_in_step
from steps.model import Plan, Step
from steps.prints.labels import label_of
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan
from tests.test_settle_rehearse import plan_of

POINTS_PER_MM = 72 / 25.4
#: Published least sizes: large print 18 and clear print 12 (UKAAF G003), 10 (ISO/IEC Guide 37:2012), points
LEAST = {"child": 18, "helper": 12, "adult": 10}
A4 = (297.0, 210.0)  # ISO 216
FOOT_MM = 17.0  # below this stands the foot strip, which is not read to build


@lru_cache(maxsize=8)
def booklet(folder: Path, **options: object) -> Path:
    path = folder / ("-".join(f"{k}-{v}" for k, v in sorted(options.items())) + ".pdf")
    write_booklet(sample_plan(), path, Settings(**options), pictures=PlainPictures())
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("booklets")


def text_of(path: Path) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(path).pages]


WHO = {"en": "Child|Helper|Adult", "de": "Kind|Helfer|Erwachsener"}


def steps_in(text: str, language: str = "en") -> dict[int, str]:
    """What a page says of each of its steps, from the number in its strip to the next strip."""
    begins = rf"(?<![\w-])(\d+) (?:{WHO[language]})\b"
    return {int(found[1]): found[0] for found in re.finditer(rf"{begins}.*?(?={begins}|$)", words_of(text))}


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u00a0", " "))


def test_every_step_is_there_once_and_in_order(folder):
    path = booklet(folder, reader="helper")
    titles = [entry.title for entry in flat(pypdf.PdfReader(path).outline)]
    steps = [title for title in titles if title.startswith("Step ")]
    assert steps == [f"Step {step.number}" for step in sample_plan().order.steps]


def flat(outline: Sequence) -> Iterator:
    for entry in outline:
        if isinstance(entry, list):
            yield from flat(entry)
        else:
            yield entry


def test_bookmarks_lead_to_the_sheet_of_that_title(folder):
    reader = pypdf.PdfReader(booklet(folder, reader="helper"))
    texts = [words_of(page.extract_text()) for page in reader.pages]
    entries = list(flat(reader.outline))
    assert len(entries) > 10
    pages = [reader.get_destination_page_number(entry) for entry in entries]
    assert pages == sorted(pages)
    for entry, page in zip(entries, pages, strict=True):
        number = re.fullmatch(r"Step (\d+)", entry.title)
        said = rf"\b{number[1]} (?:Child|Helper|Adult)" if number else re.escape(entry.title)
        assert re.search(said, texts[page])


@pytest.mark.parametrize("options", [{"fold": True}, {"reader": "adult"}])
def test_pages_that_share_a_side_or_a_sheet_have_a_bookmark_each(folder, options):
    """The PDF library takes entries of one key for one entry: each must keep its own title."""
    reader = pypdf.PdfReader(booklet(folder, **options))
    entries = list(flat(reader.outline))
    titles = [entry.title for entry in entries if entry.title.startswith("Step ")]
    assert titles == [f"Step {step.number}" for step in sample_plan().order.steps]
    pages = [reader.get_destination_page_number(entry) for entry in entries]
    assert len(set(pages)) < len(pages)


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_every_font_is_embedded(folder, reader):
    fonts = {}
    for page in pypdf.PdfReader(booklet(folder, reader=reader)).pages:
        for font in page["/Resources"]["/Font"].values():
            fonts[font["/BaseFont"]] = font.get_object()
    assert len(fonts) == 2
    for name, font in fonts.items():
        assert "/FontFile2" in font["/FontDescriptor"], f"{name} is not embedded"


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_no_type_is_smaller_than_the_edition_allows(folder, reader):
    """The pages of the adult are set for the adult in every booklet."""
    count = 0
    for page in pypdf.PdfReader(booklet(folder, reader=reader)).pages:
        sizes, feet = [], []

        def visit(text, matrix, text_matrix, font, size, sizes=sizes, feet=feet):
            if text.strip():
                scale = np.hypot(text_matrix[0], text_matrix[1]) * np.hypot(matrix[0], matrix[1])
                height = matrix[5] + matrix[3] * text_matrix[5]
                (feet if height < FOOT_MM * POINTS_PER_MM else sizes).append(size * scale)

        text = page.extract_text(visitor_text=visit)
        count += len(sizes)
        who = "adult" if "For the adult" in text else reader
        own = [told for told in steps_in(text).values() if not re.match(r"\d+ Adult", told)]
        if reader == "child" and steps_in(text) and not own:
            who = "helper"  # all that is on the page is an adult's to do
        assert min(sizes) >= LEAST[who] - 0.01
        assert min(feet) >= LEAST["adult"] - 0.01
    assert count > 200


@pytest.mark.parametrize(
    "options", [{"reader": "child"}, {"reader": "adult", "paper": "letter"}, {"fold": True}]
)
def test_all_ink_is_inside_the_printable_sheet_and_no_page_is_blank(folder, options):
    """Home printers leave 5 mm and more blank (common practice, no source)."""
    document = pypdfium2.PdfDocument(booklet(folder, **options))
    scale = 1.0
    for page in document:
        pixels = np.asarray(page.render(scale=scale).to_pil().convert("L"))
        dark = np.argwhere(pixels < 128)
        edge = 4.0 * POINTS_PER_MM * scale
        assert len(dark) > 500, "a blank page"
        assert dark.min() >= edge
        assert dark[:, 0].max() <= pixels.shape[0] - edge
        assert dark[:, 1].max() <= pixels.shape[1] - edge


def test_counts_in_the_parts_list_equal_the_plan(folder):
    plan = sample_plan()
    pages = [words_of(text) for text in text_of(booklet(folder, reader="helper")) if "Parts list" in text]
    counts = [int(n) for n in re.findall(r"(\d+) × (?=block|slab)", " ".join(pages))]
    rows = {(part.shape, part.colour) for part in plan.model.parts}
    assert len(counts) == len(rows)
    assert sum(counts) == len(plan.model.parts)


def test_what_the_steps_take_adds_up_to_the_model(folder):
    """Every "Take" count, each step as often as its sub-assembly is built."""
    plan = sample_plan()
    taken = 0
    for text in text_of(booklet(folder, reader="helper")):
        for said in steps_in(text).values():
            if "built before" not in said:
                taken += sum(int(n) for n in re.findall(r"(\d+) ×(?= [a-z]\d? )", said))
    assert taken == len(plan.model.parts)


def test_the_glued_joint_is_an_adults_and_the_free_joint_is_never_glued(folder):
    texts = [words_of(text) for text in text_of(booklet(folder, reader="helper"))]
    glued = [text for text in texts if re.search(r"(?:drop|bead)\w* (?:on|round)", text)]
    assert glued
    assert all(re.search(r"\d Adult", text) for text in glued)
    assert any("it turns: no glue" in text for text in texts)


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_one_sheet_before_building_lists_what_every_step_glues(folder, reader):
    """Number of joints and length of bead of each step, to tick off; the adhesive's facts (30 min)."""
    plan = sample_plan()
    texts = [words_of(text) for text in text_of(booklet(folder, reader=reader))]
    sheets = [number for number, text in enumerate(texts) if "For the adult: the glue" in text]
    assert sheets and max(sheets) < min(number for number, text in enumerate(texts) if steps_in(text))
    sheet = " ".join(texts[number] for number in sheets)
    glued = [step for step in plan.work.steps if step.glues]
    # 4 drops of 0.05 mL as a bead 2 mm thick: 0.2 / (pi / 4 x 2^2) = 64 mm, in fives
    rows = re.findall(r"(\d+) (?:whole model )?(\d+) (\d+) Weigh down nothing ____", sheet)
    assert rows == [(str(step.number), str(len(step.glues)), "65") for step in glued]
    assert "Step Part Joints Bead, mm Hold" in sheet and sheet.count("whole model") == len(sheets)
    assert "Holds by itself after 30 min" in sheet


@pytest.mark.parametrize(
    ("language", "title"), [("en", "print again: what is lost"), ("de", "neu drucken: was")]
)
@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_the_glue_sheet_says_what_to_print_again(tmp_path, reader, language, title):
    """Read back: the labels of what is lost with each thing that was glued in wrongly."""
    plan = sample_plan()
    model = plan.model
    first, second, *_ = model.parts
    lost = {first.id: (first.id,), second.id: tuple(part.id for part in model.parts[1:9])}
    work = tuple(replace(one, again=lost) if one.glues else one for one in plan.work.steps)
    path = tmp_path / "a.pdf"
    changed = replace(plan, work=replace(plan.work, steps=work))
    write_booklet(changed, path, Settings(reader=reader, language=language), pictures=PlainPictures())
    sheet = next(text for text in map(words_of, text_of(path)) if title in text)
    count = Counter(label_of(model.part_by_id[part].shape) for part in lost[model.parts[1].id])
    named = [f"{n} × {label}" if n > 1 else label for label, n in sorted(count.items())]
    more = sum(n for _, n in sorted(count.items())[3:])
    told = [label_of(model.parts[0].shape) + ";", *named[:3]]
    assert all(words_of(each) in sheet for each in told)
    assert not more or f"+{more}" in sheet


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_a_step_that_glues_says_how_long_it_is_open_and_how_to_hold_it(folder, reader):
    """No page is turned to know what to do: amount, push, hold and wait stand on the step itself."""
    plan = sample_plan()
    said = {n: t for text in text_of(booklet(folder, reader=reader)) for n, t in steps_in(text).items()}
    for step in plan.work.steps:
        assert ("Weigh down." in said[step.number]) == bool(step.glues)
        assert ("65 mm of bead" in said[step.number]) == bool(step.glues)
        assert ("then 30 min" in said[step.number]) == (step.wait_min > 0)
        assert ("Push home within 5 min" in said[step.number]) == bool(step.glues)


def test_what_to_hold_is_said_by_its_letter_where_the_step_takes_it(tmp_path):
    """One of what each step takes and, from the second on, the very first part, which has no letter there."""
    plan = sample_plan()
    first = plan.order.steps[0].adds[0]
    taking = [step for step in plan.order.steps if step.adds]
    held = {step.number: tuple(dict.fromkeys((first, step.adds[-1]))) for step in taking}
    work = tuple(replace(each, hold=held.get(each.number, ())) for each in plan.work.steps)
    changed = replace(plan, work=replace(plan.work, steps=work))
    path = tmp_path / "a.pdf"
    write_booklet(changed, path, Settings(reader="helper"), pictures=PlainPictures())
    said = {n: t for text in text_of(path) for n, t in steps_in(text).items()}
    name = words_in("en").said(plan.measures.by_shape[plan.model.part_by_id[first].shape].name)
    for step in taking:
        kinds, own = kinds_in_step(plan, step), held[step.number]
        letters = [kind.letter for part in own for kind in kinds if (part,) in kind.groups]
        others = [name] if first not in step.adds else []
        assert f"Hold: {words_of('; '.join(dict.fromkeys([*letters, *others])))} " in said[step.number] + " "


def test_a_step_says_little(folder):
    """At most 35 words of at least two letters in the median, letters in circles and numbers left out."""
    texts = [said for text in text_of(booklet(folder, reader="helper")) for said in steps_in(text).values()]
    counts = [len(re.findall(r"[^\W\d_]{2,}", said.split("Model ")[0])) for said in texts]
    assert len(counts) == len(sample_plan().order.steps) and np.median(counts) <= 35


#: "each a1: 65 mm of bead round 4 studs", of any edition, by language.
LETTERS = r"((?:[a-z]+\d? \+ )*[a-z]+\d?)"
GLUED = {
    "en": rf"(?:each )?{LETTERS}: \d+ mm of bead (?:on|on and round|round) (\d+) (?:stud|peg)",
    "de": rf"(?:jedes )?{LETTERS}: \d+ mm Raupe (?:auf|auf und um|um) (\d+) (?:Noppe|Zapfen)",
}


def glued_in(rows: Sequence[int]):
    """The sample plan with the joints of some rows glued instead, all by an adult."""
    plan = sample_plan()
    names = [joint.id for joint in plan.joints.joints]
    glued = {names[row] for row in rows}
    marks = {name: "glue" if name in glued else "press" for name in names}
    gluing = replace(plan.gluing, marks=marks, drops=dict.fromkeys(glued, 2), faces={})
    work = tuple(
        replace(
            one,
            glues=tuple(name for name in step.closes if name in glued),
            by="adult",
            sitting=1 if glued & set(step.closes) else None,
            needs_cured=(),
            lags_min=(),
        )
        for one, step in zip(plan.work.steps, plan.order.steps, strict=True)
    )
    return replace(plan, gluing=gluing, work=replace(plan.work, steps=work))


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
@pytest.mark.parametrize("rows", [(0, 2), (1, 3, 5), (0, 4, 7, 9), range(13)])
def test_the_pages_say_for_every_part_what_the_plan_glues(tmp_path, reader, language, rows):
    """Read back: how many contacts each thing of a step gets glued, by the letter in its circle."""
    plan = glued_in([row for row in rows if row < len(sample_plan().joints.joints)])
    path = tmp_path / "a.pdf"
    write_booklet(plan, path, Settings(reader=reader, language=language), pictures=PlainPictures())
    texts = [words_of(text) for text in text_of(path)]
    word = {"en": "Step", "de": "Schritt"}[language]
    for step in plan.order.steps:
        kinds = kinds_in_step(plan, step)
        told_of = [steps_in(text, language) for text in texts]
        here = [said[step.number] for said in told_of if step.number in said]
        assert len(here) == 1
        here += [text for text in texts if re.match(rf"{word} {step.number}, ", text)]  # continued
        told = {}
        for text in here:
            told.update({letters: int(n) for letters, n in re.findall(GLUED[language], text)})
        wanted = {}
        for kind in kinds:
            for thing in kind.groups:
                count = glued_contacts(plan, step, thing, kinds)
                for letters, n in count.items():
                    assert wanted.setdefault(letters, n) == n, f"{letters} differ"
        assert {letters: n for letters, n in told.items() if letters in wanted} == wanted


@pytest.mark.parametrize("rows", [(0, 2), (1, 3, 5), (0, 4, 7, 9)])
def test_a_child_goes_on_with_what_was_glued_only_when_it_is_hard(rows):
    """Each step of a child says so of the glue put on its sub-assembly since a child last had it in hand."""
    plan = glued_in(rows)
    work = tuple(one if one.glues else replace(one, by="child") for one in plan.work.steps)
    plan = replace(plan, work=replace(plan.work, steps=work))
    wet: dict[str, list[int]] = {}
    wanted = {}
    for one, step in zip(work, plan.order.steps, strict=True):
        mine = wet.setdefault(step.assembly, [])
        if one.glues:
            mine.append(step.number)
        elif mine:
            wanted[step.number] = {*mine}
            mine.clear()
    assert wanted
    told = {}
    for sheet in compose(plan, Settings(reader="child"), words_in("en")).sheets:
        for block in sheet.words if sheet.kind == "step" else ():
            if isinstance(block, Marked) and block.mark == "wait" and "hard" in block.words:
                told[int(sheet.strip.number)] = {int(n) for n in re.findall(r"\d+", block.words)}
    assert told == wanted


def glued_contacts(plan, step, thing, kinds):
    """Contacts of one thing that are glued in a step, by the letters that its joints are told under."""
    letter = {part: kind.letter for kind in kinds for part in kind.parts}
    found: dict[str, int] = {}
    for joint in (plan.joints.by_id[name] for name in step.closes if plan.gluing.marks[name] == "glue"):
        if {joint.a, joint.b} & set(thing):
            letters = sorted(letter[part] for part in (joint.a, joint.b) if part in letter)
            found[" + ".join(letters)] = found.get(" + ".join(letters), 0) + joint.contacts
    return found


@pytest.mark.parametrize(("axis", "said"), [((0, 0, 1), "Weigh down."), ((1, 0, 0), "Clamp or tape.")])
def test_joints_that_close_sideways_are_clamped(tmp_path, axis, said):
    plan = sample_plan()
    joints = tuple(replace(joint, axis=axis) for joint in plan.joints.joints)
    turned = replace(plan, joints=replace(plan.joints, joints=joints))
    write_booklet(turned, tmp_path / "a.pdf", Settings(), pictures=PlainPictures())
    assert said in words_of(" ".join(text_of(tmp_path / "a.pdf")))


def test_an_adult_edition_prints_the_numbers_and_the_others_do_not(folder):
    numbers = re.compile(r"gap \d\.\d\d mm a side; holds 1\.2 N; carries 0\.4 N")
    assert numbers.search(words_of(" ".join(text_of(booklet(folder, reader="adult")))))
    for reader in ("child", "helper"):
        pages = [text for text in text_of(booklet(folder, reader=reader)) if "For the adult" not in text]
        assert not re.search(r"\d N\b|mm a side", words_of(" ".join(pages)))


#: What no page of a child's booklet may say, but for the adult's own pages: codes, measures of chemistry, an
#: adult's tools and jobs.
NOT_FOR_A_CHILD = re.compile(
    r"\bH\d{3}\b|\bEUH|GHS|\bppm\b|\bml\b|\bkg\b|cyanoacrylate|epoxy|scrape|knife|glove|goggle|isopropyl|clamp",
    re.IGNORECASE,
)


@pytest.mark.parametrize("family", ["cyanoacrylate", "epoxy", "solvent"])
def test_a_childs_pages_are_free_of_chemistry_and_of_an_adults_jobs(tmp_path, family):
    plan = sample_plan()
    heavy = {key: replace(one, printed_g=800.0) for key, one in plan.measures.by_shape.items()}
    plan = replace(
        plan,
        measures=replace(plan.measures, by_shape=heavy),
        gluing=replace(plan.gluing, adhesive=replace(plan.gluing.adhesive, family=family)),
    )
    write_booklet(plan, tmp_path / "a.pdf", Settings(reader="child"), pictures=PlainPictures())
    pages = [words_of(text) for text in text_of(tmp_path / "a.pdf")]
    adult = [text for text in pages if "Part For the adult" in text]
    assert len(adult) >= 4 and all(NOT_FOR_A_CHILD.search(text) for text in adult[:2])
    for text in pages:
        if text not in adult:
            assert not NOT_FOR_A_CHILD.search(text), NOT_FOR_A_CHILD.search(text)


def test_care_tells_the_tip_angle_and_what_heat_the_plastic_bears(folder):
    """Against the angle from the centre of mass to the nearest edge of the foot, computed here."""
    plan = sample_plan()
    parts = plan.model.parts
    centres = np.array(
        [part.pose[:3, :3] @ plan.measures.by_shape[part.shape].centroid + part.pose[:3, 3] for part in parts]
    )
    mass = np.array([plan.measures.by_shape[part.shape].printed_g for part in parts])
    centre = mass @ centres / mass.sum()
    low = plan.model.part_bounds[:, 0, 2].min()
    feet = plan.model.part_bounds[plan.model.part_bounds[:, 0, 2] < low + 0.1][:, :, :2].reshape(-1, 2)
    reach = np.minimum(centre[:2] - feet.min(axis=0), feet.max(axis=0) - centre[:2]).min()
    angle = np.degrees(np.arctan2(reach, centre[2] - low))
    text = words_of(" ".join(text_of(booklet(folder, reader="helper"))))
    told = re.search(r"It falls over (?:only )?when tilted by (?:more than )?(\d+)°", text)
    assert told and int(told[1]) == pytest.approx(angle, abs=1.0)
    assert "PLA softens at about" in text


def test_same_input_same_bytes(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        write_booklet(sample_plan(), tmp_path / name, Settings(), pictures=PlainPictures())
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_the_file_says_what_it_is(folder):
    reader = pypdf.PdfReader(booklet(folder, reader="helper", language="de"))
    assert reader.metadata.title == "Beacon"
    assert reader.root_object["/Lang"] == "de"
    assert str(reader.root_object["/ViewerPreferences"]["/DisplayDocTitle"]).strip("/").lower() == "true"
    assert reader.page_labels[0] == "1"
    assert reader.page_labels[-1] == str(len(reader.pages))


def leaves(element) -> Iterator:
    """Elements of a structure tree that hold content of their own, in reading order."""
    kids = element["/K"]
    if isinstance(kids, int):
        yield element
        return
    for kid in kids:
        yield from leaves(kid.get_object())


def groups(element, tag: str) -> Iterator:
    """Groups of a kind, outermost first."""
    if element["/S"] == tag:
        yield element
    if not isinstance(element["/K"], int):
        for kid in element["/K"]:
            yield from groups(kid.get_object(), tag)


@pytest.mark.parametrize("options", [{"reader": "helper"}, {"reader": "adult"}, {"fold": True}])
def test_every_picture_has_words_and_all_content_is_tagged(folder, options):
    reader = pypdf.PdfReader(booklet(folder, **options))
    root = reader.root_object
    assert root["/MarkInfo"]["/Marked"]
    figures, parents = [], root["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    sections = root["/StructTreeRoot"]["/K"]["/K"]
    assert len(sections) == len(reader.pages)
    for index, page in enumerate(reader.pages):
        assert page["/StructParents"] == index
        marked = page.get_contents().get_data().count(b" BDC")
        elements = [each.get_object() for each in parents[2 * index + 1]]
        found = list(leaves(sections[index].get_object()))
        assert marked == len(elements) == len(found)
        assert [each["/K"] for each in elements] == list(range(marked))
        figures += [each for each in elements if each["/S"] == "/Figure"]
    pictures = PlainPictures()
    write_booklet(sample_plan(), folder / "asked.pdf", Settings(**options), pictures=pictures)
    assert len(figures) >= len([wish for wish in pictures.asked if wish.kind != "turn"]) - len(reader.pages)
    assert all(len(figure["/Alt"]) > 3 for figure in figures)


def test_lists_and_tables_are_tagged_as_such(folder):
    """ISO 32000-1, 14.8.4.3: L > LI > LBody; Table > TR > TH or TD, a header with its scope."""
    whole = pypdf.PdfReader(booklet(folder, reader="helper")).root_object["/StructTreeRoot"]["/K"]
    lists, tables = list(groups(whole, "/L")), list(groups(whole, "/Table"))
    assert len(lists) > 20 and len(tables) >= 3
    for each in lists:
        for item in each["/K"]:
            assert item["/S"] == "/LI"
            assert {kid["/S"] for kid in item["/K"]} <= {"/LBody", "/Figure"}
    for table in tables:
        rows = [[cell.get_object() for cell in row["/K"]] for row in table["/K"]]
        assert all(row["/S"] == "/TR" for row in table["/K"])
        assert len({len(row) for row in rows}) == 1
        heads = [cell for row in rows for cell in row if cell["/S"] == "/TH"]
        scopes = {str(cell["/A"]["/Scope"]) for cell in heads}
        if scopes == {"/Column"}:
            assert heads == rows[0]
        else:
            assert scopes == {"/Row"} and heads == [row[0] for row in rows]


@pytest.mark.parametrize("name", ["Beacon", "<b>&amp;</b> \x00\x1f", "שלום 💡"])
def test_the_file_describes_itself_in_xmp(tmp_path, name):
    """ISO 16684-1, read by pypdf's own XML reader; control characters are forbidden in XML."""
    plan = replace(sample_plan(), model=replace(sample_plan().model, name=name))
    write_booklet(plan, tmp_path / "a.pdf", Settings(language="de"), pictures=PlainPictures())
    xmp = pypdf.PdfReader(tmp_path / "a.pdf").xmp_metadata
    assert xmp.dc_title == {"x-default": re.sub("[\x00\x1f]", "", name)}
    assert xmp.dc_language == ["de"]
    assert xmp.dc_description == {"x-default": "Bauheft"}


@pytest.mark.parametrize(("pages", "sheets"), [(4, 1), (8, 2), (12, 3), (13, 4)])
def test_imposition_reads_in_order_when_folded(pages, sheets):
    """Folded sheets laid in each other: leafing through meets 1, 2, 3, ... and then the blanks."""
    sides = imposition(list(range(1, pages + 1)))
    assert len(sides) == 2 * sheets
    leaves = []  # of each sheet: its first and its last leaf, each (recto, verso)
    for sheet in range(sheets):
        front, back = sides[2 * sheet], sides[2 * sheet + 1]
        leaves.append(((front[1], back[0]), (back[1], front[0])))
    first = [page for leaf, _ in leaves for page in leaf]
    last = [page for _, leaf in reversed(leaves) for page in leaf]
    assert [page for page in first + last if page is not None] == list(range(1, pages + 1))
    blanks = [page is None for page in first + last]
    assert blanks == sorted(blanks), "blank pages stand at the end"


def test_a_folded_booklet_has_two_half_pages_a_side(folder):
    single = len(pypdf.PdfReader(booklet(folder, fold=True)).pages)
    reader = pypdf.PdfReader(booklet(folder, fold=True))
    for page in reader.pages:
        width, height = (float(each) / POINTS_PER_MM for each in page.mediabox[2:])
        assert (width, height) == pytest.approx(A4, abs=0.1)
    assert single % 2 == 0
    first, last = words_of(reader.pages[0].extract_text()), words_of(reader.pages[-1].extract_text())
    assert "1 of " in first
    total = int(re.search(r"1 of (\d+)", first)[1])
    padded = -(-total // 4) * 4
    assert padded // 2 == single
    assert f"{padded // 2} of {total}" in last
    assert f"{padded // 2 + 1} of {total}" in last


def test_mono_has_no_colour(folder):
    document = pypdfium2.PdfDocument(booklet(folder, mono=True, reader="helper"))
    for page in document:
        pixels = np.asarray(page.render(scale=0.6).to_pil().convert("RGB")).astype(int)
        assert np.abs(pixels - pixels[:, :, :1]).max() <= 2


@pytest.mark.parametrize("mono", [False, True])
def test_the_parts_list_is_the_key_to_the_hatching_where_there_is_one(folder, mono):
    (page,) = [words_of(text) for text in text_of(booklet(folder, mono=mono)) if "Parts list" in text]
    assert ("a grey and a hatching of its own: this list is their key" in page) == mono


@pytest.mark.parametrize("paper", ["a4", "letter", "a5"])
def test_paper_sizes(folder, paper):
    """ISO 216; ANSI/ASME Y14.1 size A."""
    sizes = {"a4": (297, 210), "letter": (279.4, 215.9), "a5": (210, 148)}
    page = pypdf.PdfReader(booklet(folder, paper=paper)).pages[0]
    assert [float(each) / POINTS_PER_MM for each in page.mediabox[2:]] == pytest.approx(
        sizes[paper], abs=0.05
    )


@dataclass
class Failing(PlainPictures):
    """Breaks off in the middle, as a renderer whose worker's pipe broke would."""

    def drawn(self, orders: Sequence[PictureOrder]) -> Iterator[Picture | None]:
        yield from (self.draw(order.wish, order.width_mm, order.height_mm) for order in orders[:5])
        raise BrokenPipeError(32, "Broken pipe")


def test_an_old_booklet_stays_when_a_new_one_fails(tmp_path):
    path = tmp_path / "booklet.pdf"
    path.write_bytes(b"the old one")
    with pytest.raises(BrokenPipeError):  # of drawing: no error of writing
        write_booklet(sample_plan(), path, Settings(), pictures=Failing())
    assert path.read_bytes() == b"the old one"
    assert [each.name for each in tmp_path.iterdir()] == ["booklet.pdf"]


@pytest.mark.parametrize("name", ["<b>&amp;</b>", "💡 tug", "שלום", "x" * 300, "a/b\\c:d", "CON"])
def test_odd_titles_make_a_readable_booklet(tmp_path, name):
    path = tmp_path / "odd.pdf"
    plan = replace(sample_plan(), model=replace(sample_plan().model, name=name))
    write_booklet(plan, path, Settings(reader="adult"), pictures=PlainPictures())
    assert pypdf.PdfReader(path).metadata.title == name
    if name.isascii() and len(name) < 40:
        assert name in text_of(path)[0]


@pytest.mark.parametrize(
    ("language", "no_glue", "take_off"),
    [
        ("en", "without glue", "Glue, put back"),
        ("de", "ohne Kleber", "Kleben, aufsetzen"),
    ],
)
def test_what_is_closed_dry_and_opened_again_is_told_at_its_steps(tmp_path, language, no_glue, take_off):
    """Read back: a child's dry step says so and nothing of drops; the adult's says what comes off first, what
    is glued and with how much."""
    plan = plan_of("cantilevers", 1)
    path = tmp_path / "a.pdf"
    settings = Settings(scale=4.0, reader="child", language=language)
    write_booklet(plan, path, settings, pictures=PlainPictures())
    said = {n: t for text in text_of(path) for n, t in steps_in(text, language).items()}
    assert sorted(said) == [step.number for step in plan.order.steps]
    opened = {number for step in plan.order.steps for number in step.reopens}
    first = {min(step.reopens) for step in plan.order.steps if step.reopens}
    for step in plan.order.steps:
        assert (no_glue in said[step.number]) == bool(step.dry)
        assert (take_off in said[step.number]) == bool(step.reopens)
        glues = plan.work.step_by_number[step.number].glues
        assert bool(re.search(r"\d (?:drop|Tropfen)", said[step.number])) == bool(glues)
    comes_off = {"en": r"take off again what steps? (\d+)", "de": r"Schritte? (\d+)(?: (?:bis|und) \d+)? auf"}
    told = [int(n) for text in said.values() for n in re.findall(comes_off[language], text)]
    runs = [step for step in plan.order.steps if step.reopens and not _previous(plan, step).reopens]
    assert told == [min(step.reopens) for step in runs] and set(told) <= first <= opened
    matter = Matter(plan, settings, words_in(language))
    by_number = {step.number: step for step in plan.order.steps}
    pressed_again = 0
    for step in plan.order.steps:  # what is put back is pressed home again too, and the page says on how many
        groups = joint_groups(matter, step, kinds_in_step(plan, step))
        closed = [name for number in step.reopens for name in by_number[number].closes]
        pressed_again += len(closed)
        told_of = sorted(joint.id for group in groups for joint in group.joints)
        assert told_of == sorted((*step.closes, *step.dry, *closed))
        deeds = joint_notes(matter, step, kinds_in_step(plan, step))
        assert all(words_of(note.words).replace("\xad", "") in said[step.number] for note in deeds)
    assert pressed_again
    cover = words_of(text_of(path)[0])
    own = round(plan.work.facts["child_share"] * len(plan.model.parts))
    assert re.search(rf"\b{own} (?:of|von) {len(plan.model.parts)}\b", cover)


def _previous(plan: Plan, step: Step) -> Step:
    found = plan.sequence.by_number[step.number].previous
    assert found is not None
    return found
