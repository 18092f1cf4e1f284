"""The page's drawings as pictures of their own: the same SVG, with its styles inside it."""

from __future__ import annotations

import re

INK, SOFT, HAIR, ACCENT = "#1b1f22", "#565d63", "#c3c8c8", "#0b4a56"

WIDTH = 700.0
"""Width at which strokes have the thickness that the page gives them, in px."""

_SVG = re.compile(r"<svg\b[^>]*\bviewBox=\"([^\"]+)\"[^>]*>.*?</svg>", re.DOTALL)

_CHART = f"""
text{{font-family:'DejaVu Sans';font-size:12px;fill:{SOFT}}}
.below{{text-anchor:middle}} .beside{{text-anchor:end}}
.hair,.spread{{stroke:{HAIR}}} .level{{stroke:{SOFT};stroke-dasharray:6 3}} .mark{{stroke:{ACCENT}}}
.frame{{fill:none;stroke:{SOFT}}} .main,.thin,.dashed,.dotted{{fill:none;stroke:{INK};stroke-width:1.5}}
.thin{{stroke:{SOFT};stroke-width:0.7}} .dashed{{stroke-width:1;stroke-dasharray:5 3}}
.dotted{{stroke-width:1.2;stroke-dasharray:1.5 2.5}} .band{{fill:{ACCENT};fill-opacity:0.2}}
.dot{{fill:{INK}}} .box{{fill:none;stroke:{INK}}}
"""


def _overlay(px: float) -> str:
    """Styles of lines over a photo; `px` is how many of the drawing's units one px on the page is."""
    return f"""
path,circle,line{{fill:none}} .solid,.dot{{fill:{ACCENT}}}
.casing{{stroke:#00222b;stroke-width:{3.5 * px:.3f};stroke-opacity:0.75}}
.line{{stroke:#35e4ff;stroke-width:{1.7 * px:.3f}}}
.line.red{{stroke:#ff8d7e}} .line.blue{{stroke:#8fb8ff}}
.bar-casing{{stroke:#00222b;stroke-width:{7 * px:.3f}}} .bar{{stroke:#fff;stroke-width:{4 * px:.3f}}}
text{{font-family:'DejaVu Sans';font-weight:bold;fill:#fff;stroke:#00222b;stroke-width:0.12em;
paint-order:stroke;text-anchor:middle;dominant-baseline:central}}
"""


def drawings_of(html: str) -> list[bytes]:
    """Every drawing with a viewBox in a piece of the page, each an SVG file that needs nothing else.

    Strips that are stretched to the page's width are left to the page: they have no shape of their own.
    """
    found = []
    for match in _SVG.finditer(html):
        whole, box = match[0], match[1]
        if 'preserveAspectRatio="none" role' in whole[: whole.index(">")]:
            continue
        width = float(box.split()[2])
        styles = _overlay(width / WIDTH) if "<image" in whole else _CHART
        opened = whole.index(">") + 1
        head = whole[:opened].replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
        found.append(f"{head}<style>{styles}</style>{whole[opened:]}".encode())
    return found
