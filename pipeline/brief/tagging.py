"""Structure tags, so that a screen reader finds headings, tables and picture descriptions.

Follows ISO 32000-1:2008, 14.7 and 14.8: every drawn thing is either marked content of a structure
element or an artifact.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import pikepdf
from reportlab.pdfgen.canvas import Canvas

__all__ = ["Mark", "Path", "TaggedCanvas", "add_structure"]

Path = tuple[tuple[str, object], ...]
"""Structure elements from the outermost in, as (role, key); equal paths are one element."""


@dataclass(frozen=True)
class Mark:
    """One stretch of marked content: its page and number there, and the element it belongs to."""

    page: int
    number: int
    path: Path
    alternative: str | None = None


class TaggedCanvas(Canvas):
    """A canvas that keeps the marks made on it in the list that it is given."""

    def __init__(self, *args, marks: list[Mark], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self._marks = marks
        self._open = False

    @contextmanager
    def element(self, path: Path, *, alternative: str | None = None) -> Iterator[None]:
        """Mark what is drawn inside as content of the element of this path."""
        page = self.getPageNumber() - 1
        number = sum(mark.page == page for mark in self._marks)
        self._marks.append(Mark(page, number, path, alternative))
        with self._marked(f"/{path[-1][0]} <</MCID {number}>> BDC"):
            yield

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """Mark what is drawn inside as decoration, which a screen reader passes over."""
        with self._marked("/Artifact BMC"):
            yield

    @contextmanager
    def _marked(self, opening: str) -> Iterator[None]:
        if self._open:
            raise RuntimeError("marked content cannot be nested")
        self._open = True
        self._code.append(opening)
        try:
            yield
        finally:
            self._code.append("EMC")
            self._open = False


@dataclass
class _Node:
    role: str
    kids: list = field(default_factory=list)
    alternative: str | None = None


def add_structure(pdf: pikepdf.Pdf, marks: list[Mark]) -> None:
    """Write the structure tree of the marks into a document that they were made in."""
    root = _tree(marks)
    owners: dict[tuple[int, int], pikepdf.Object] = {}
    tree = pdf.make_indirect(pikepdf.Dictionary(Type=pikepdf.Name.StructTreeRoot))
    tree.K = _write(pdf, root, parent=tree, owners=owners)
    numbers = pikepdf.Array()
    for index, page in enumerate(pdf.pages):
        count = sum(mark.page == index for mark in marks)
        here = pikepdf.Array([owners[index, number] for number in range(count)])
        numbers.extend([index, pdf.make_indirect(here)])
        page.obj.StructParents = index
        page.obj.Tabs = pikepdf.Name.S
    tree.ParentTree = pdf.make_indirect(pikepdf.Dictionary(Nums=numbers))
    tree.ParentTreeNextKey = len(pdf.pages)
    pdf.Root.StructTreeRoot = tree
    pdf.Root.MarkInfo = pikepdf.Dictionary(Marked=True)


def _tree(marks: list[Mark]) -> _Node:
    root = _Node("Document")
    nodes: dict[Path, _Node] = {(): root}
    for mark in marks:
        for depth in range(1, len(mark.path) + 1):
            path = mark.path[:depth]
            if path not in nodes:
                nodes[path] = _Node(path[-1][0])
                nodes[path[:-1]].kids.append(nodes[path])
        node = nodes[mark.path]
        node.kids.append((mark.page, mark.number))
        node.alternative = mark.alternative
    return root


def _write(
    pdf: pikepdf.Pdf, node: _Node, *, parent: pikepdf.Object, owners: dict
) -> pikepdf.Object:
    element = pdf.make_indirect(
        pikepdf.Dictionary(Type=pikepdf.Name.StructElem, S=pikepdf.Name(f"/{node.role}"), P=parent)
    )
    if node.alternative is not None:
        element.Alt = pikepdf.String(node.alternative)
    if node.role == "TH":
        element.A = pikepdf.Dictionary(O=pikepdf.Name.Table, Scope=pikepdf.Name.Column)
    kids = pikepdf.Array()
    for kid in node.kids:
        if isinstance(kid, _Node):
            kids.append(_write(pdf, kid, parent=element, owners=owners))
        else:
            page, number = kid
            owners[kid] = element
            kids.append(
                pikepdf.Dictionary(Type=pikepdf.Name.MCR, Pg=pdf.pages[page].obj, MCID=number)
            )
    element.K = kids
    return element
