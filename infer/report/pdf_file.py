"""A report as PDF, by ReportLab (BSD licence): A4 pages whose margins leave room for Letter, or Letter pages."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from html import escape
from pathlib import Path
from typing import Any, Literal

from raysplay.infer.report.document import (
    About,
    Block,
    Bullets,
    DataTable,
    Heading,
    NewPage,
    Notice,
    Paragraph,
    Picture,
    about,
)

Paper = Literal["A4", "Letter"]

_FONT, _BOLD = "RaysplayText", "RaysplayBold"
_MARGIN_MM = 20.0
"""Letter is 17.6 mm shorter than A4: printed in its middle, at full size, a page loses 8.8 mm at top and foot."""


def pdf_file(title: str, blocks: Sequence[Block], paper: Paper = "A4") -> bytes:
    """The file's bytes; the same blocks give the same bytes."""
    from reportlab import rl_config
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    rl_config.useA85 = 0  # text of bytes is for old mail programs, and slow

    _fonts()
    stream = io.BytesIO()
    said = about(blocks)
    size = LETTER if paper == "Letter" else A4
    document = SimpleDocTemplate(
        stream,
        pagesize=size,
        leftMargin=_MARGIN_MM * mm,
        rightMargin=_MARGIN_MM * mm,
        topMargin=_MARGIN_MM * mm,
        bottomMargin=_MARGIN_MM * mm,
        title=title,
        author=said.author,
        lang=said.language,
        invariant=1,
        initialFontName=_FONT,  # else every page names a font that no file of ours holds
    )
    width = size[0] - 2 * _MARGIN_MM * mm

    def foot(canvas: Any, page: Any) -> None:
        canvas.saveState()
        canvas.setFont(_FONT, 7)
        canvas.drawString(_MARGIN_MM * mm, 14 * mm, title)
        canvas.drawRightString(size[0] - _MARGIN_MM * mm, 14 * mm, f"{said.page} {page.page}")
        canvas.restoreState()

    document.build([*_flow(blocks, width)], onFirstPage=foot, onLaterPages=foot)
    return stream.getvalue()


@lru_cache(maxsize=1)
def _fonts() -> None:
    """DejaVu Sans as matplotlib brings it: the fonts that every PDF viewer has hold no letters beyond Latin."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont(_FONT, folder / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont(_BOLD, folder / "DejaVuSans-Bold.ttf"))


def _flow(blocks: Iterable[Block], width: float) -> Iterator[Any]:
    from reportlab.lib.units import mm
    from reportlab.platypus import Image, PageBreak, Spacer
    from reportlab.platypus import Paragraph as Text

    styles = _styles()
    for block in blocks:
        if isinstance(block, Heading):
            yield Text(escape(block.text), styles[f"heading {block.level}"])
        elif isinstance(block, Paragraph):
            yield Text(escape(block.text), styles["caution" if block.caution else "text"])
        elif isinstance(block, Bullets):
            for item in block.items:
                yield Text(escape(item), styles["item"], bulletText="\u2022")
        elif isinstance(block, DataTable):
            yield Text(escape(block.caption), styles["caption"])
            yield _table(block, width)
            yield Spacer(1, 3 * mm)
        elif isinstance(block, Picture):
            wide = min(width, block.width * mm)
            image = Image(io.BytesIO(block.png), wide, wide * block.height / block.width)
            image.keepWithNext = 1  # a group of its own would leave the heading above it on the page before
            yield image
            yield Text(escape(block.caption), styles["small"])
        elif isinstance(block, Notice):
            yield Text(escape(block.text), styles["notice"])
        elif isinstance(block, NewPage):
            yield PageBreak()
        else:
            assert isinstance(block, About)


@lru_cache(maxsize=1)
def _styles() -> dict[str, Any]:
    from reportlab.lib.colors import black
    from reportlab.lib.styles import ParagraphStyle

    text = ParagraphStyle("text", fontName=_FONT, fontSize=9, leading=12.5, spaceAfter=5, splitLongWords=1)

    def like(name: str, **changes: Any) -> Any:
        return ParagraphStyle(name, parent=text, **changes)

    return {
        "text": text,
        "small": like("small", fontSize=7.5, leading=9.5),
        "item": like("item", leftIndent=10, bulletIndent=1, bulletFontName=_FONT, spaceAfter=2),
        "caution": like("caution", borderColor=black, borderWidth=1, borderPadding=4, spaceBefore=6, spaceAfter=9),
        "notice": like(
            "notice",
            fontName=_BOLD,
            fontSize=16,
            leading=20,
            borderColor=black,
            borderWidth=2,
            borderPadding=5,
            spaceBefore=9,
            spaceAfter=12,
        ),
        "heading 1": like("heading 1", fontName=_BOLD, fontSize=16, leading=20, spaceAfter=8),
        "heading 2": like("heading 2", fontName=_BOLD, fontSize=12, leading=15, spaceBefore=12, keepWithNext=1),
        "heading 3": like("heading 3", fontName=_BOLD, fontSize=10, leading=13, spaceBefore=8, keepWithNext=1),
        "caption": like("caption", fontName=_BOLD, fontSize=8, leading=10, spaceBefore=4, spaceAfter=2, keepWithNext=1),
        "cell": like("cell", fontSize=6.5, leading=8, spaceAfter=0),
        "number": like("number", fontSize=6.5, leading=8, spaceAfter=0, alignment=2),
        "head": like("head", fontName=_BOLD, fontSize=6.5, leading=8, spaceAfter=0),
        "head number": like("head number", fontName=_BOLD, fontSize=6.5, leading=8, spaceAfter=0, alignment=2),
        "roomy": like("roomy", fontSize=8, leading=10, spaceAfter=0),
        "roomy head": like("roomy head", fontName=_BOLD, fontSize=8, leading=10, spaceAfter=0),
    }


def _table(table: DataTable, width: float) -> Any:
    from reportlab.lib.colors import black, grey
    from reportlab.pdfbase.pdfmetrics import stringWidth
    from reportlab.platypus import Paragraph as Text
    from reportlab.platypus import Table, TableStyle

    styles = _styles()
    weights = table.weights or [_weight(table, i) for i in range(len(table.header))]
    widths = [width * weight / sum(weights) for weight in weights]

    size, leading = (8, 10) if table.roomy else (6.5, 8)
    plain, head = ("roomy", "roomy head") if table.roomy else ("cell", "head")

    def cell(text: str, column: int) -> Any:
        # A text that fits on its line needs no paragraph, which takes twenty times as long.
        if stringWidth(text, _FONT, size) <= widths[column] - 4.5:
            return text
        return Text(escape(text), styles["number" if column in table.numbers else plain])

    headed = any(table.header)
    rows = []
    if headed:
        rows.append(
            [Text(escape(t), styles["head number" if i in table.numbers else head]) for i, t in enumerate(table.header)]
        )
    for row in table.rows:
        rows.append([cell(text, i) for i, text in enumerate(row)])
    style = [
        ("FONT", (0, 0), (-1, -1), _FONT, size, leading),
        *(("ALIGN", (i, 0), (i, -1), "RIGHT") for i in table.numbers),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, grey),
        *([("LINEBELOW", (0, 0), (-1, 0), 0.8, black)] if headed else []),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 2 if table.roomy else 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5 if table.roomy else 1.5),
    ]
    return Table(rows, colWidths=widths, repeatRows=1 if headed else 0, style=TableStyle(style), hAlign="LEFT")


def _weight(table: DataTable, column: int) -> float:
    """Width by the longest text of a column, within bounds."""
    longest = max((len(row[column]) for row in (table.header, *table.rows)), default=1)
    return float(min(max(longest, 5), 40))
