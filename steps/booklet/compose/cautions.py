"""The cautions that the plan calls for."""

from __future__ import annotations

from steps.booklet.compose.matter import Matter
from steps.booklet.content import Block, Heading, Notice, SignalWord
from steps.booklet.words import later

SIGNAL_WORDS: dict[SignalWord, str] = {
    "DANGER": later("DANGER"),
    "WARNING": later("WARNING"),
    "CAUTION": later("CAUTION"),
    "NOTICE": later("NOTICE"),
}

SMALL_PARTS = (
    later("Small printed parts and broken-off pieces can choke a child under 3 years. Keep them away."),
    later("A printed model is not a tested toy."),
)
#: For any adhesive: ECHA dossier (cyanoacrylate first aid), supplier practice; the rest from memory.
ADHESIVE = (
    later("Read the supplier's safety data sheet first; it and your local rules come before this booklet."),
    later("Only an adult glues. Children stay away until the glue is hard."),
    later("Open a window. Wear goggles and gloves that the data sheet names, never cotton ones."),
    later("Glue on skin: soak in warm soapy water, peel or roll apart with a blunt edge, never pull."),
    later("Glue in the eye: rinse with warm water, do not force the lids, get medical help."),
    later("Keep glue away from joints that must move."),
)


def notice(
    matter: Matter, signal: SignalWord, title: str, lines: tuple[str, ...], signs: tuple[str, ...] = ()
) -> Notice:
    """A notice in the booklet's language."""
    say = matter.words.say
    return Notice(signal, say(SIGNAL_WORDS[signal]), say(title), tuple(say(line) for line in lines), signs)


def caution_blocks(matter: Matter) -> list[Block]:
    """Cautions, the gravest first."""
    blocks: list[Block] = [Heading(matter.words.say("Cautions"))]
    blocks.append(notice(matter, "WARNING", later("Small parts"), SMALL_PARTS))
    if matter.glued:
        blocks.append(
            notice(matter, "WARNING", later("Adhesive"), ADHESIVE, ("M002", "M004", "M009", "air", "M011"))
        )
    return blocks
