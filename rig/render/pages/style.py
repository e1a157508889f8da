"""The style sheet of pages: light and dark, telephone to wide screen, A4 paper."""

from __future__ import annotations

from rig.render.charts.styles import sheet

NARROW_PX = 640
"""Below this width tables become cards and pictures their narrow versions. A4 paper is wider."""

_PAGE = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;color-scheme:light dark}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,'DejaVu Sans',sans-serif}
main{max-width:1180px;margin:0 auto;padding:16px 16px 48px}
h1{font-size:1.6rem;line-height:1.25;margin:.4em 0 .6em}
h2{font-size:1.25rem;line-height:1.3;margin:2em 0 .5em;padding-top:.4em;border-top:2px solid var(--frame)}
h3{font-size:1.05rem;margin:1.5em 0 .4em}
h1,h2,h3,p,li,dd,dt,figcaption,caption{overflow-wrap:anywhere}
.scroll{overflow-x:auto}
td{overflow-wrap:break-word}
td.long{min-width:14em}
th,td.short{white-space:nowrap}
p,ul{max-width:78ch}
ul{padding-left:1.3em}
li{margin:.2em 0}
.quiet,figcaption,caption,footer{color:var(--quiet);font-size:.88rem}
.warning{border:2px solid var(--limit);border-radius:4px;padding:.6em .8em}
dl{display:grid;grid-template-columns:minmax(7.5em,max-content) 1fr;gap:.25em 1em;margin:1em 0}
dt{color:var(--quiet)}
dd{margin:0;max-width:84ch}
dl.answer{border-left:5px solid var(--limit);padding-left:1em}
dl.answer dd{font-weight:600}
table{border-collapse:collapse;width:100%;margin:1em 0;font-size:.9rem}
caption{text-align:left;padding:.2em 0}
th{text-align:left;font-weight:600;border-bottom:2px solid var(--frame);padding:.3em .8em .3em 0;
vertical-align:bottom}
td{border-bottom:1px solid var(--grid);padding:.3em .8em .3em 0;vertical-align:top}
th.right,td.right{text-align:right;font-variant-numeric:tabular-nums}
figure{margin:1.2em 0}
svg.pic{display:block;width:100%;height:auto}
svg.wide{max-width:1040px}
svg.narrow{display:none}
pre{white-space:pre-wrap;overflow-wrap:anywhere;border:1px solid var(--grid);padding:.7em;font-size:.8rem;
line-height:1.4}
nav ul{columns:2;max-width:60em;margin:0}nav{margin:1em 0}
a{color:var(--s1)}
footer{margin-top:3em;border-top:1px solid var(--grid);padding-top:.6em}
@media (max-width:NARROW_PX){
svg.wide{display:none}svg.narrow{display:block}
dl{grid-template-columns:1fr;gap:0}dd{margin:0 0 .6em}
nav ul{columns:1}
table,tbody,tr,td,caption{display:block}
thead{display:none}
tr{border:1px solid var(--grid);border-radius:4px;padding:.4em .6em;margin:.6em 0}
td,td.right,td.long,td.short{border:0;padding:.1em 0;text-align:left;min-width:0;overflow-wrap:anywhere;
white-space:normal}
td[data-t]::before{content:attr(data-t) ": ";color:var(--quiet)}
td:first-child{font-weight:600}
}
@media print{
@page{size:A4;margin:14mm}
.scroll{overflow:visible}td,th{white-space:normal;padding-right:.6em}td.long{min-width:0}
table{font-size:.8em}
html{color-scheme:light}
body{font-size:10pt}main{max-width:none;padding:0}
h2,h3{break-after:avoid}tr,dd,.warning{break-inside:avoid}thead{display:table-header-group}
figure{break-inside:avoid}svg.wide{max-height:222mm;width:auto;max-width:100%;margin:0 auto}
nav{display:none}a{color:inherit}
}
"""


def page_sheet() -> str:
    """Return the style sheet of a page with pictures."""
    return sheet(":root") + _PAGE.replace("NARROW_PX", f"{NARROW_PX}px")
