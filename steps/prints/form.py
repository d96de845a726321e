"""The form that goes with the fit card: one sheet, filled in with a pencil."""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.platypus import Flowable, Spacer, Table

from steps.booklet.words import Words, later
from steps.card import N_PER_KG
from steps.model import Fit, Measures, Model
from steps.prints.drawn import ABOVE, CORNER, picture
from steps.prints.ladder import Ladder, LadderKind
from steps.prints.paper import MM, PADDING_MM, PrintPaper, shortened
from steps.settings import CARD_CLASSES, Settings

#: Height of a row to write in (mm): what lets all three ladders stand on one page.
ROW_MM = {"a4": 5.8, "a5": 5.8, "letter": 5.1}
LONGEST_TITLE = 50  # characters that fit one line
LONGEST_NAME = 34
FIRST_MM, WIDE_MM = 36.0, 180.0  # of the tables: first column, all columns
#: Pulls that the form has room for: the first one, which is left out, and five that count (proposal).
PULLS, PULLED_NUMBERS = 5, 3
#: Blanks with commas between in each list of numbers, as the settings file wants them.
BLANKS = 6
#: Height of the pictures of card and piece, and the width of each.
PICTURE_MM, PICTURES_MM = 40.0, (104.0, 70.0)

#: By the letter that the word in the settings file begins with.
CLASS_WORDS = {
    "T": later("T tight: takes more than hands to close"),
    "P": later("P press: holds by itself"),
    "S": later("S slide: closes easily, holds little"),
    "L": later("L loose: falls off"),
}
LETTERS: dict[Fit, str] = {"tight": "T", "press": "P", "slide": "S", "loose": "L"}
CARD_TITLES: dict[LadderKind, str] = {
    "stud": later("Studs: {carrier} in {holder}; the file's gap is {gap} mm per side"),
    "peg": later("Pegs: {carrier} in {holder}; the file's gap is {gap} mm per side"),
    "ball": later("Balls: {carrier} in {holder}; the file's gap is {gap} mm per side"),
}


def form_pdf(ladders: Sequence[Ladder], model: Model, measures: Measures, settings: Settings) -> bytes:
    """The form as PDF, in the language of the settings."""
    paper = PrintPaper.of(settings)
    words = paper.words
    name = shortened(settings.title or model.name, LONGEST_TITLE)
    title = words.say("Fit card: {title}, {scale}", title=name, scale=words.scale(model.scale))
    flow: list[Flowable] = [paper.title(title)]
    flow += [paper.line(f"{number}. {text}") for number, text in enumerate(_how(words), 1)]
    flow += [Spacer(1, 2 * MM), _head(paper)]
    for ladder in ladders:
        flow += [paper.strong(_title(ladder, measures, words)), _outcome(ladder, paper)]
    pulled = [ladder for ladder in ladders if ladder.kind != "ball"]
    if pulled:
        flow += [paper.strong(words.say("Pulls, kg")), _pulls(paper)]
    flow += [
        paper.strong(words.say("What to write in stepleaf.toml, beside the model")),
        _lines(ladders, paper),
    ]
    for ladder in ladders:
        flow += [Spacer(1, 2 * MM), _pictures(ladder, measures, paper, settings)]
    return paper.pdf(flow, title)


def _how(words: Words) -> list[str]:
    return [
        words.say(
            "Print card and piece in the material, layer height, wall count and orientation of the model."
        ),
        words.say(
            "Press the piece on each number by hand, pointing outwards, and circle what it does: {classes}.",
            classes="; ".join(words.say(each) for each in CLASS_WORDS.values()),
        ),
        words.say(
            "Where it holds: hook a luggage scale in the eye and pull slowly, straight up. Leave the first "
            "pull out, note five. The middle one × {factor} is the pull in N; after a month about half of it "
            "is left, and the plan reckons with that.",
            factor=words.number(N_PER_KG, 2),
        ),
        words.say("Do it again for each spool and nozzle."),
    ]


def _head(paper: PrintPaper) -> Table:
    say = paper.words.say
    row = [say("Printer"), "", say("Spool"), "", say("Date"), ""]
    return paper.grid([row], (20, 42, 18, 50, 18, 32), row_mm=ROW_MM[paper.size])


def _title(ladder: Ladder, measures: Measures, words: Words) -> str:
    carrier, holder = _shapes(ladder, measures, words)
    gap = words.number(ladder.file_gap_mm, 2)
    return words.say(CARD_TITLES[ladder.kind], carrier=carrier, holder=holder, gap=gap)


def _shapes(ladder: Ladder, measures: Measures, words: Words) -> tuple[str, str]:
    """What the shapes are called whose stud and whose socket a card tries."""
    carrier, holder = (
        f"{shortened(words.said(measures.by_shape[shape].name), LONGEST_NAME)} ({shape})"
        for shape in ladder.of
    )
    return carrier, holder


def _pictures(ladder: Ladder, measures: Measures, paper: PrintPaper, settings: Settings) -> Table:
    """What card and piece look like, each with the part of the model that it is made of."""
    carrier, holder = _shapes(ladder, measures, paper.words)
    card = paper.words.say("Card: {part}", part=carrier)
    piece = paper.words.say("Piece to try: {part}", part=holder)
    drawn = [
        picture(ladder.card, (PICTURES_MM[0], PICTURE_MM), ABOVE, settings),
        picture(ladder.piece, (PICTURES_MM[1], PICTURE_MM), CORNER, settings),
    ]
    return paper.grid([drawn, [card, piece]], [wide + 2 * PADDING_MM for wide in PICTURES_MM])


def _outcome(ladder: Ladder, paper: PrintPaper) -> Table:
    """A column per engraved number."""
    words = paper.words
    letters = " ".join(CLASS_WORDS)
    blanks = ["" for _ in ladder.gaps]
    rows = [
        [words.say("Number"), *(number for number, _ in ladder.gaps)],
        [
            words.say("Gap, mm; likely"),
            *(
                f"{signed(gap, words)} {LETTERS[fit]}"
                for (_, gap), fit in zip(ladder.gaps, ladder.expected, strict=True)
            ),
        ],
        [words.say("It goes"), *(letters for _ in ladder.gaps)],
        [words.say("Drawn across, mm"), *(words.number(wide, 2) for wide in ladder.widths_mm)],
        [words.say("Caliper X, mm"), *blanks],
        [words.say("Caliper Y, mm"), *blanks],
    ]
    width = (WIDE_MM - FIRST_MM) / len(ladder.gaps)
    return paper.grid(rows, (FIRST_MM, *(width for _ in ladder.gaps)), row_mm=ROW_MM[paper.size])


def signed(value: float, words: Words) -> str:
    """A gap with its sign: "+0.05", "−0.10", "0.00"."""
    text = words.number(abs(value), 2)
    return text if round(value, 2) == 0 else f"{'+' if value > 0 else '−'}{text}"


def _pulls(paper: PrintPaper) -> Table:
    words = paper.words
    counted = [words.number(number) for number in range(1, PULLS + 1)]
    header = [
        words.say("Number"),
        words.say("first (left out)"),
        *counted,
        words.say("middle × {factor} = N", factor=words.number(N_PER_KG, 2)),
    ]
    blank = ["" for _ in header]
    return paper.grid(
        [header, *[blank] * PULLED_NUMBERS], (18, 30, *[18] * PULLS, 42), row_mm=ROW_MM[paper.size]
    )


def _lines(ladders: Sequence[Ladder], paper: PrintPaper) -> Table:
    """The lines of the settings file, with room for the numbers."""
    words = paper.words
    tables = ", ".join(f"[fit.{ladder.kind}_card]" for ladder in ladders)
    rows = [[tables, words.say("one for each row of the card, with these lines in it")]]
    for each, letter in zip(CARD_CLASSES, CLASS_WORDS, strict=True):
        blanks = ", ".join("_" * BLANKS)
        rows.append([f"{each} = [ {blanks} ]", words.say("numbers circled {letter}", letter=letter)])
    rows.append(
        [
            f"pulls_kg = {{ _ = [ {'_, ' * (PULLS - 1)}_ ] }}",
            words.say("number = its five pulls; more numbers after a comma"),
        ]
    )
    rows.append(["[printer] boss_error_mm = _", words.say("caliper less drawn, mean of X and Y")])
    return paper.grid(rows, (86, 94), row_mm=ROW_MM[paper.size])
