"""How the parts of pictures look, by day and by night. One table for SVG and PNG.

Series colours by night and day come from the palette of Okabe and Ito ("Color Universal Design", 2008),
which people with colour-blindness can tell apart; beside the colour each series has its own dashes.
"""

from __future__ import annotations

from dataclasses import dataclass

SERIES = 6
"""Number of series with distinct styles in one panel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawingStyle:
    """Names of colours (keys of ``COLOURS``), width in pixels, dashes in pixels, opacity of the filling.

    size: of text, in pixels; 0 for what is not text.
    """

    stroke: str = ""
    fill: str = ""
    width: float = 1.0
    dashes: tuple[float, ...] = ()
    opacity: float = 1.0
    size: float = 0.0
    bold: bool = False


COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#15181c"),
    "ink": ("#1b1f24", "#e7e9ec"),
    "quiet": ("#5c6570", "#a3abb5"),
    "grid": ("#e2e5e9", "#2c3138"),
    "frame": ("#8b939c", "#6b747e"),
    "limit": ("#b3261e", "#ff8f85"),
    "early": ("#855600", "#e8b64c"),
    "bad": ("#a3158a", "#ff8be6"),
    "other": ("#9aa2ab", "#5f6872"),
    "mark": ("#1b1f24", "#e7e9ec"),
    "s1": ("#0072b2", "#56b4e9"),
    "s2": ("#d55e00", "#f0915a"),
    "s3": ("#00815e", "#2fc79a"),
    "s4": ("#a8568a", "#dd94bd"),
    "s5": ("#8a6a00", "#f0d060"),
    "s6": ("#4d4d4d", "#c8c8c8"),
}
"""Name to colour by day and by night."""

_DASHES = ((), (7.0, 3.0), (2.0, 2.0), (9.0, 3.0, 2.0, 3.0), (4.0, 4.0), (12.0, 4.0))

LOOKS: dict[str, DrawingStyle] = {
    "paper": DrawingStyle(fill="paper"),
    "grid": DrawingStyle(stroke="grid"),
    "frame": DrawingStyle(stroke="frame"),
    "limit": DrawingStyle(stroke="limit", width=1.2, dashes=(6.0, 3.0)),
    "beyond": DrawingStyle(fill="limit", opacity=0.07),
    "early": DrawingStyle(stroke="early", dashes=(2.0, 3.0)),
    "nearly": DrawingStyle(fill="early", opacity=0.07),
    "bad": DrawingStyle(stroke="bad", fill="bad"),
    "gap": DrawingStyle(fill="quiet", opacity=0.18),
    "gapline": DrawingStyle(stroke="quiet", dashes=(1.0, 3.0)),
    "session": DrawingStyle(stroke="quiet", dashes=(1.0, 3.0)),
    "phase0": DrawingStyle(fill="s1", opacity=0.22),
    "phase1": DrawingStyle(fill="s1", opacity=0.10),
    "phaseline": DrawingStyle(stroke="s1", width=0.8, dashes=(8.0, 3.0, 1.0, 3.0)),
    "reference": DrawingStyle(stroke="mark", dashes=(4.0, 3.0)),
    "crossing": DrawingStyle(fill="limit", opacity=0.22),
    "best": DrawingStyle(stroke="limit", width=1.4),
    "interval": DrawingStyle(stroke="mark", fill="limit", width=1.0, opacity=0.55),
    "open": DrawingStyle(stroke="mark", dashes=(3.0, 3.0)),
    "onset": DrawingStyle(stroke="s1", fill="paper", width=1.6),
    "other": DrawingStyle(stroke="other", width=0.8, fill="other", opacity=0.25),
    "text": DrawingStyle(fill="ink", size=12.0),
    "strong": DrawingStyle(fill="ink", size=12.0, bold=True),
    "quiet": DrawingStyle(fill="quiet", size=11.0),
    "limitword": DrawingStyle(fill="limit", size=11.0),
    "earlyword": DrawingStyle(fill="early", size=11.0),
} | {
    f"s{k + 1}": DrawingStyle(
        stroke=f"s{k + 1}", fill=f"s{k + 1}", width=1.4, opacity=0.45, dashes=_DASHES[k]
    )
    for k in range(SERIES)
}


def variables(night: bool) -> str:
    """Return the colours as CSS custom properties."""
    return "".join(f"--{name}:{pair[night]};" for name, pair in COLOURS.items())


def rules() -> str:
    """Return the CSS rules of all looks. Classes begin with ``p-``."""
    halo = "paint-order:stroke;stroke:var(--paper);stroke-width:3px;stroke-linejoin:round"
    text = [f".p-t{{font-family:system-ui,'DejaVu Sans',sans-serif;{halo}}}"]
    for name, look in LOOKS.items():
        body = ""
        if look.size:
            weight = ";font-weight:600" if look.bold else ""
            body = f"fill:var(--{look.fill});font-size:{look.size:g}px{weight}"
        else:
            body = f"fill:var(--{look.fill})" if look.fill else "fill:none"
            if look.fill and look.opacity < 1:
                body += f";fill-opacity:{look.opacity:g}"
            if look.stroke:
                body += f";stroke:var(--{look.stroke});stroke-width:{look.width:g}"
                if look.dashes:
                    body += f";stroke-dasharray:{' '.join(f'{one:g}' for one in look.dashes)}"
        text.append(f".p-{name}{{{body}}}")
    text.append(".p-l{fill:none;stroke-linejoin:round}.p-a{stroke-dasharray:none}")
    return "".join(text)


def sheet(selector: str) -> str:
    """Return the style sheet; ``selector`` carries the colours. Printed pages use the light ones."""
    return (
        f"{selector}{{{variables(night=False)}}}"
        f"@media screen and (prefers-color-scheme:dark){{{selector}{{{variables(night=True)}}}}}" + rules()
    )
