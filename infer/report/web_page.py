"""A report as one HTML file: nothing is fetched, nothing runs, and it prints on A4 and Letter."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from html import escape

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

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, sans-serif; color: #111; background: #fff; max-width: 70rem; margin: 2rem auto;
  padding: 0 1rem; }
h1 { font-size: 1.8rem; line-height: 1.2; }
h2 { font-size: 1.3rem; border-bottom: 1px solid #888; margin-top: 2.5rem; }
h3 { font-size: 1.05rem; margin-top: 2rem; }
h2, h3 { break-after: avoid; }
.notice { font-size: 1.8rem; line-height: 1.2; font-weight: 800; border: 4px solid #111; padding: 0.5rem 0.8rem; }
.caution { border: 2px solid #111; border-left-width: 0.6rem; padding: 0.5rem 0.8rem; margin: 0.6rem 0; }
.wide { overflow-x: auto; margin: 1rem 0; }
table { border-collapse: collapse; font-size: 0.85rem; }
caption { text-align: left; font-weight: 600; padding: 0.3rem 0; }
th, td { padding: 0.2rem 0.6rem; text-align: left; vertical-align: top; border-bottom: 1px solid #bbb;
  overflow-wrap: break-word; }
.roomy table { font-size: 0.95rem; width: 100%; }
.roomy td { padding: 0.35rem 0.6rem; }
.roomy td:first-child:nth-last-child(2) { width: 30%; }
thead th { border-bottom: 2px solid #111; }
.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
thead .number { white-space: normal; }
figure { margin: 1.2rem 0; break-inside: avoid; }
figure svg { max-width: 100%; height: auto; }
figcaption { font-size: 0.85rem; }
nav ul { columns: 2; }
tr, .caution, li, .short { break-inside: avoid; }
thead { display: table-header-group; }
@page { margin: 18mm 15mm; }
@media print {
  body { font-size: 10pt; max-width: none; margin: 0; padding: 0; }
  table { font-size: 7.5pt; }
  .roomy table { font-size: 8pt; line-height: 1.25; }
  .roomy td { padding: 0.15rem 0.3rem; }
  h1 { font-size: 15pt; margin: 0 0 0.4rem; }
  h3 { margin-top: 0.8rem; }
  p { margin: 0.4rem 0; }
  .wide { margin: 0.5rem 0; }
  th, td { padding: 0.1rem 0.3rem; }
  td:not(.number) { overflow-wrap: anywhere; min-width: 3.2rem; }
  .wide { overflow: visible; }
  nav { display: none; }
}
"""

_SHORT = 12
"""Rows up to which a table is printed on one page."""


def web_page(title: str, blocks: Sequence[Block]) -> str:
    """The page as text; a browser is told to fetch and run nothing."""
    said = about(blocks)
    headings = [block for block in blocks if isinstance(block, Heading) and block.level == 2]
    contents = "".join(f'<li><a href="#{_anchor(one.text)}">{escape(one.text)}</a></li>' for one in headings)
    nav = f'<nav aria-label="{escape(said.contents)}"><ul>{contents}</ul></nav>' if headings else ""
    body = "\n".join(_laid_out(blocks))
    head, rest = body.split("<!--contents-->", 1) if "<!--contents-->" in body else ("", body)
    return (
        f'<!doctype html>\n<html lang="{escape(said.language)}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        'img-src data:">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        f"{head}{nav}{rest}\n</main>\n</body>\n</html>\n"
    )


def _laid_out(blocks: Iterable[Block]) -> Iterator[str]:
    placed = False
    for number, block in enumerate(blocks):
        if isinstance(block, Heading):
            if block.level == 2 and not placed:
                placed = True
                yield "<!--contents-->"
            anchor = f' id="{_anchor(block.text)}"' if block.level == 2 else ""
            yield f"<h{block.level}{anchor}>{escape(block.text)}</h{block.level}>"
        elif isinstance(block, Paragraph):
            kind = ' class="caution"' if block.caution else ""
            yield f"<p{kind}>{escape(block.text)}</p>"
        elif isinstance(block, Bullets):
            yield "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in block.items) + "</ul>"
        elif isinstance(block, DataTable):
            yield _table(block)
        elif isinstance(block, Picture):
            yield _figure(block, number)
        elif isinstance(block, Notice):
            yield f'<p class="notice">{escape(block.text)}</p>'
        else:
            assert isinstance(block, NewPage | About)


def _table(table: DataTable) -> str:
    number = [' class="number"' if i in table.numbers else "" for i in range(len(table.header))]
    head = "".join(f'<th scope="col"{number[i]}>{escape(text)}</th>' for i, text in enumerate(table.header))
    rows = "".join(
        "<tr>" + "".join(f"<td{number[i]}>{escape(text)}</td>" for i, text in enumerate(row)) + "</tr>"
        for row in table.rows
    )
    thead = f"<thead><tr>{head}</tr></thead>" if any(table.header) else ""
    kind = " ".join(["wide", *["roomy"] * table.roomy, *["short"] * (len(table.rows) <= _SHORT)])
    # What scrolls must be reachable by keys.
    return (
        f'<div class="{kind}" tabindex="0" role="region" aria-label="{escape(table.caption)}"><table>'
        f"<caption>{escape(table.caption)}</caption>"
        f"{thead}<tbody>{rows}</tbody></table></div>"
    )


def _figure(picture: Picture, number: int) -> str:
    drawing = picture.svg[picture.svg.index("<svg") :]
    # Identifiers must be unique in the page, and each drawing counts its own from the start.
    drawing = re.sub(r'\bid="([^"]+)"', rf'id="f{number}-\1"', drawing)
    drawing = re.sub(r'((?:xlink:)?href)="#([^"]+)"', rf'\1="#f{number}-\2"', drawing)
    drawing = re.sub(r"url\(#([^)]+)\)", rf"url(#f{number}-\1)", drawing)
    drawing = re.sub(r"<metadata>.*?</metadata>", "", drawing, flags=re.DOTALL)
    drawing = drawing.replace("<svg", f'<svg role="img" aria-label="{escape(picture.caption)}"', 1)
    return f"<figure>{drawing}<figcaption>{escape(picture.caption)}</figcaption></figure>"


def _anchor(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
