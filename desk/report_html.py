"""A report as one HTML file that loads nothing: drawings as SVG, every text escaped."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

from desk.drawing_svg import as_svg
from desk.report_outcomes import Row
from desk.report_sheet import CAUTIONS, Sheet
from measurement.gauges import CAUTION

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
STYLE = """
body{font:14px/1.4 "DejaVu Sans",Verdana,"Liberation Sans",Arial,sans-serif;color:#10202c;background:#fff;
margin:24px auto;max-width:980px;padding:0 16px;font-variant-numeric:tabular-nums}
h1{font-size:20px;margin:0}h2{font-size:15px;margin:18px 0 4px;border-bottom:1px solid #bec3c6}
section{break-before:page;padding-top:12px;border-top:3px solid #10202c;margin-top:36px}
.band{border:2px solid #961e14;padding:6px 10px;margin:8px 0}.band b{color:#961e14;margin-right:12px}
.band.ok{border-width:1px;border-color:#1e5f37}.band.ok b{color:#1e5f37}
table{border-collapse:collapse;width:100%}th{font-weight:normal;color:#5f6469;text-align:left;font-size:12px}
td,th{padding:1px 10px 1px 0;vertical-align:top}td.n,th.n{text-align:right;white-space:nowrap}
td.w{white-space:nowrap;font-weight:bold}
.bad{color:#961e14}.good{color:#1e5f37}.small{font-size:12px;color:#444b50}svg,img{max-width:100%;height:auto}
svg{width:620px}
@media print{body{margin:0;max-width:none}}
"""


def as_html(sheets: Sequence[Sheet], *, title: str, made: str, pictures: Sequence[bytes] = ()) -> bytes:
    """Return the report as UTF-8 bytes; ``pictures`` are PNGs at its end."""
    parts = [
        '<!doctype html><html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body><main>",
        f"<h1>Weld report</h1><p>{escape(title)}<br><span class=small>{escape(made)}</span></p>",
    ]
    if len(sheets) > 1:
        rows = [(s.name, s.heading, _word(s), s.state) for s in sheets]
        parts.append(_table("Welds", ("record or picture", "weld", "", "state"), rows))
    parts += [_section(sheet) for sheet in sheets]
    for data in pictures:
        parts.append(f'<img alt="Drawing of the seam" src="data:image/png;base64,{base64.b64encode(data).decode()}">')
    parts.append(f"<p class=small>{escape(CAUTIONS)}</p></main></body></html>\n")
    return "\n".join(parts).encode("utf-8")


def _word(sheet: Sheet) -> str:
    return "CONFIRMED" if sheet.confirmed else "NOT CONFIRMED"


def _section(sheet: Sheet) -> str:
    band = "band ok" if sheet.confirmed else "band"
    parts = [
        f"<section><h1>{escape(sheet.name)} · {escape(sheet.heading)}</h1>",
        f'<p class="{band}"><b>{_word(sheet)}</b>{escape(sheet.state)}</p>',
    ]
    if sheet.drawing is not None:
        parts.append(as_svg(sheet.drawing).decode("utf-8"))
    elif sheet.no_drawing:
        parts.append(f"<p class=small>{escape(sheet.no_drawing)}</p>")
    identification = list(sheet.identification)
    if sheet.missing:
        identification.append(("still missing for a macro report", ", ".join(sheet.missing)))
    parts.append(_table("Identification", (), identification))
    parts.append(_table(sheet.values_title, ("quantity", "value", "", "unit", ""), sheet.values, numbers=(1, 2)))
    parts += [_small(f"{label}: not measurable: {reason}") for label, reason in sheet.absent]
    if sheet.outcome_notes and not sheet.outcomes:
        parts.append("<h2>Limits and outcomes</h2>")
        parts += [_small(note) for note in sheet.outcome_notes]
    elif sheet.outcomes:
        heads = ("outcome", "limit", sheet.outcome_value, "allowed", "P", "source")
        parts.append(_table("Limits and outcomes", heads, sheet.outcomes, word=0))
        parts += [_small(note) for note in sheet.outcome_notes]
    if sheet.gauges:
        columns = ("gauge", "quantity", "reads", "measured", "why they differ")
        parts.append(_table("What a hand gauge would read here (modelled)", columns, sheet.gauges))
        parts.append(_small(CAUTION))
    if sheet.indications:
        parts.append(_table("Indications in the weld metal", ("kind", "size", "below the surface"), sheet.indications))
    if sheet.flags:
        parts.append(f"<h2>{escape(sheet.flags_title)}</h2>")
        parts += [_small(flag) for flag in sheet.flags]
    if sheet.history:
        parts.append(_table("What was done", ("when", "who", "what"), sheet.history))
    parts.append(_small(sheet.hash_text))
    return "\n".join(parts) + "</section>"


def _small(text: str) -> str:
    return f"<p class=small>{escape(text)}</p>"


def _table(
    title: str, heads: Row, rows: Sequence[Row], *, numbers: tuple[int, ...] = (), word: int | None = None
) -> str:
    parts = [f"<h2>{escape(title)}</h2><table>"]
    if heads:
        cells = (
            f'<th scope=col class="{"n" if k in numbers else ""}">{escape(head)}</th>' for k, head in enumerate(heads)
        )
        parts.append("<thead><tr>" + "".join(cells) + "</tr></thead>")
    parts.append("<tbody>")
    for row in rows:
        filled = []
        for index, text in enumerate(row):
            kind = "n" if index in numbers else "w" if index == word else ""
            if index == word:
                kind += " bad" if "does not" in text else " good" if text.endswith("meets") else ""
            filled.append(f'<td class="{kind}">{escape(text)}</td>')
        parts.append("<tr>" + "".join(filled) + "</tr>")
    return "".join(parts) + "</tbody></table>"
