"""A checkup as a piece of a web page, for notebooks: own plain look, light and dark, nothing loaded from elsewhere."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from workbench.checkup.text import summary

if TYPE_CHECKING:
    from workbench.operations.findings import Findings

__all__ = ["page"]

# Notebook themes set `color-scheme` or a body attribute; `light-dark()` follows the first, and both get readable
# colors by drawing rules and marks from the text color itself.
_STYLE = """
.wb-checkup{max-width:60em;line-height:1.45;color:inherit}
.wb-checkup table{border-collapse:collapse;margin:.4em 0 1em}
.wb-checkup th,.wb-checkup td{text-align:left;vertical-align:top;padding:.2em .9em .2em 0;background:none;
border-bottom:1px solid color-mix(in srgb,currentColor 22%,transparent)}
.wb-checkup th{font-weight:600;white-space:nowrap}
.wb-checkup ul{list-style:none;margin:0;padding:0}
.wb-checkup li{margin:0 0 .8em;padding-left:.8em;border-left:4px solid color-mix(in srgb,currentColor 25%,transparent)}
.wb-checkup li.advice{border-left-color:#b7791f}
.wb-checkup li.warning{border-left-color:#c0392b}
.wb-checkup code{font-size:.9em}
"""
_WORDS = {"warning": "Matters most", "advice": "Worth doing", "note": "Good to know"}


def page(c: Findings) -> str:
    """The checkup as an HTML fragment; every text is escaped.

    Parameters
    ----------
    c : Findings

    Returns
    -------
    str
        HTML.
    """
    rows = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td>{escape(value)}</td></tr>' for name, value in summary(c)
    )
    remarks = "".join(f"<p>Note: {escape(r)}</p>" for r in c.source.remarks)
    items = []
    for a in c.advice:
        step = f" (step <code>{escape(a.step['do'])}</code>)" if a.step else ""
        items.append(
            f'<li class="{a.severity}"><strong>{escape(a.about)}</strong>, {_WORDS[a.severity].lower()}{step}<br>'
            f"{escape(a.says)}<br><em>To do:</em> {escape(a.do)}</li>"
        )
    advice = f"<ul>{''.join(items)}</ul>" if items else "<p>Nothing stands out: this stack is ready for a recipe.</p>"
    return (
        f'<div class="wb-checkup"><style>{_STYLE}</style><h3>{escape(c.file)}</h3>'
        f"<table>{rows}</table>{remarks}{advice}</div>"
    )
