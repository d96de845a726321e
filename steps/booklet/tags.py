"""Tags for a PDF: reading order, headings, lists, tables, and words for every picture (ISO 32000-1, 14.7 and
14.8); and the file's description of itself as XMP.

Each stretch of page content gets a tag and a number; groups of them (lists, rows, tables) nest; at the end
all are gathered in a structure tree. reportlab knows nothing of tags.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFStream, PDFString
from reportlab.pdfgen.canvas import Canvas

from steps.booklet.boxes import Role

#: Standard structure types (ISO 32000-1, 14.8.4) of the roles of a cell.
TAG_OF: dict[Role, str] = {
    "heading": "H2",
    "text": "P",
    "figure": "P",
    "list": "LBody",
    "table": "P",
    "notice": "Note",
    "title block": "P",
    "decoration": "P",
}


@dataclass
class Element:
    """A stretch of content with its number on the page, or a group of elements."""

    tag: str
    number: int | None = None  #: None: a group
    alt: str = ""  #: what it shows, of a picture
    scope: str = ""  #: of a table's header: "Column" or "Row"
    kids: list[Element] = field(default_factory=list)


@dataclass
class Tags:
    """Collects the tagged content of one document."""

    canvas: Canvas
    pages: list[Element] = field(default_factory=list)
    _open: list[Element] = field(default_factory=list)
    _count: int = 0

    def new_page(self) -> None:
        self.pages.append(Element("Sect"))
        self._open, self._count = [self.pages[-1]], 0

    @contextmanager
    def group(self, tag: str) -> Iterator[None]:
        """Elements made inside belong to one group: a list, an item of it, a table, a row."""
        element = Element(tag)
        self._open[-1].kids.append(element)
        self._open.append(element)
        yield
        self._open.pop()

    @contextmanager
    def element(self, tag: str, alt: str = "", scope: str = "") -> Iterator[None]:
        """Content painted inside belongs to one element of the page."""
        self._open[-1].kids.append(Element(tag, self._count, alt, scope))
        self.canvas._code.append(f"/{tag} <</MCID {self._count}>> BDC")
        self._count += 1
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
        for index, section in enumerate(self.pages):
            numbered: dict[int, object] = {}
            page = doc.Reference(doc.Pages.pages[index])
            sections.append(self._written(section, whole_ref, page, numbered))
            parents += [index, doc.Reference(PDFArray([numbered[n] for n in sorted(numbered)]))]
        whole.dict["K"] = PDFArray(sections)
        root.dict["K"] = whole_ref
        root.dict["ParentTree"] = doc.Reference(PDFDictionary({"Nums": PDFArray(parents)}))
        root.dict["ParentTreeNextKey"] = len(self.pages)
        doc.Catalog.StructTreeRoot = root
        doc.Catalog.MarkInfo = PDFDictionary({"Marked": "true"})

    def _written(self, element: Element, parent: object, page: object, numbered: dict[int, object]) -> object:
        """An element and all in it, as a reference; ``numbered``: elements by the number of their content."""
        doc = self.canvas._doc
        entry = PDFDictionary({"Type": PDFName("StructElem"), "S": PDFName(element.tag), "P": parent})
        reference = doc.Reference(entry)
        if element.alt:
            entry.dict["Alt"] = PDFString(element.alt)
        if element.scope:
            entry.dict["A"] = PDFDictionary({"O": PDFName("Table"), "Scope": PDFName(element.scope)})
        if element.number is None:
            kids = [self._written(kid, reference, page, numbered) for kid in element.kids]
            entry.dict["K"] = PDFArray(kids)
        else:
            entry.dict["Pg"], entry.dict["K"] = page, element.number
            numbered[element.number] = reference
        return reference


XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<dc:format>application/pdf</dc:format>
<dc:identifier>{identifier}</dc:identifier>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{subject}</rdf:li></rdf:Alt></dc:description>
<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
<xmp:CreatorTool>{creator}</xmp:CreatorTool>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>"""


def add_xmp(canvas: Canvas, **values: str) -> None:
    """The file's description of itself in XML (XMP, ISO 16684-1), beside the older information dictionary:
    ``title``, ``subject``, ``language``, ``creator`` and ``identifier``."""
    text = XMP.format(**{key: escape(_allowed(value)) for key, value in values.items()})
    kind = PDFDictionary({"Type": PDFName("Metadata"), "Subtype": PDFName("XML")})
    # not compressed, so that programs which know nothing of PDF find it (ISO 32000-1, 14.3.2)
    canvas._doc.Catalog.Metadata = PDFStream(kind, text.encode("utf-8"), filters=None)


def _allowed(text: str) -> str:
    """Without the characters that XML 1.0 forbids."""
    return re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text)
