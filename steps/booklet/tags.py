"""Tags for a PDF: reading order, headings, and words for every picture (ISO 32000-1, 14.7 and 14.8).

Each stretch of page content gets a tag and a number; at the end they are gathered in a structure tree.
Tables and lists are tagged as paragraphs row by row: reportlab knows nothing of tags, and this stays small.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFString
from reportlab.pdfgen.canvas import Canvas

from steps.booklet.boxes import Role

#: Standard structure types (ISO 32000-1, 14.8.4) of the roles of a cell.
TAG_OF: dict[Role, str] = {
    "heading": "H2",
    "text": "P",
    "figure": "P",
    "list": "P",
    "table": "P",
    "notice": "Note",
    "title block": "P",
    "decoration": "P",
}


@dataclass(frozen=True)
class Element:
    """One stretch of content: its tag, its number on the page, what it shows if it is a picture."""

    tag: str
    number: int
    alt: str


@dataclass
class Tags:
    """Collects the tagged content of one document."""

    canvas: Canvas
    pages: list[list[Element]] = field(default_factory=list)

    def new_page(self) -> None:
        self.pages.append([])

    @contextmanager
    def element(self, tag: str, alt: str = "") -> Iterator[None]:
        """Content painted inside belongs to one element of the page."""
        elements = self.pages[-1]
        number = len(elements)
        elements.append(Element(tag, number, alt))
        self.canvas._code.append(f"/{tag} <</MCID {number}>> BDC")
        yield
        self.canvas._code.append("EMC")

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Content painted inside is decoration: frame, rules."""
        self.canvas._code.append("/Artifact BMC")
        yield
        self.canvas._code.append("EMC")

    def mark_page(self) -> None:
        """Tie the page just shown to the tree."""
        page = self.canvas._doc.Pages.pages[-1]
        page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
        page.StructParents = len(self.pages) - 1
        page.Tabs = PDFName("S")

    def finish(self) -> None:
        """Write the structure tree: a document of sections, one a page."""
        doc = self.canvas._doc
        root = PDFDictionary({"Type": PDFName("StructTreeRoot")})
        root_ref = doc.Reference(root)
        whole = PDFDictionary({"Type": PDFName("StructElem"), "S": PDFName("Document"), "P": root_ref})
        whole_ref = doc.Reference(whole)
        sections, parents = [], []
        for index, elements in enumerate(self.pages):
            section, refs = self._section(index, elements, whole_ref)
            sections.append(section)
            parents += [index, doc.Reference(PDFArray(refs))]
        whole.dict["K"] = PDFArray(sections)
        root.dict["K"] = whole_ref
        root.dict["ParentTree"] = doc.Reference(PDFDictionary({"Nums": PDFArray(parents)}))
        root.dict["ParentTreeNextKey"] = len(self.pages)
        doc.Catalog.StructTreeRoot = root
        doc.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})

    def _section(self, index: int, elements: list[Element], parent: object) -> tuple[object, list[object]]:
        doc = self.canvas._doc
        page = doc.Reference(doc.Pages.pages[index])
        section = PDFDictionary({"Type": PDFName("StructElem"), "S": PDFName("Sect"), "P": parent})
        section_ref = doc.Reference(section)
        refs = []
        for element in elements:
            entry = {
                "Type": PDFName("StructElem"),
                "S": PDFName(element.tag),
                "P": section_ref,
                "Pg": page,
                "K": element.number,
            }
            if element.alt:
                entry["Alt"] = PDFString(element.alt)
            refs.append(doc.Reference(PDFDictionary(entry)))
        section.dict["K"] = PDFArray(refs)
        return section_ref, refs
