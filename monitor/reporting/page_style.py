"""How the page of a batch looks, on a screen and on paper.

Colours of states after IEC 60073; each also has its word.
"""

STYLE = """
:root { --ink: #14181b; --quiet: #4a5359; --rule: #d5dadd; }
:root { --hold: #b0001d; --warning: #7a5c00; --cut: #2b6ca3; }
* { box-sizing: border-box; }
body { margin: 0; color: var(--ink); background: #fff; }
body { font: 15px/1.45 system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
main { max-width: 900px; margin: 0 auto; padding: 12px 16px 40px; }
h1 { font-size: 1.6rem; margin: .6em 0 .2em; }
h2 { font-size: 1.2rem; margin: 1.5em 0 .4em; border-bottom: 1px solid var(--rule); }
h3 { font-size: 1rem; margin: .6em 0 .2em; }
p { margin: .3em 0; }
.synthetic { background: #14181b; color: #fff; padding: 6px 12px; text-align: center; }
.told { font-size: 1.1rem; font-weight: 600; }
.quiet, footer { color: var(--quiet); font-size: .9rem; }
table { border-collapse: collapse; }
th { text-align: left; font-weight: 600; }
th, td { padding: 3px 12px 3px 0; vertical-align: top; }
.numbers th, .numbers td { text-align: right; border-bottom: 1px solid var(--rule); }
.numbers td { font-variant-numeric: tabular-nums; white-space: nowrap; }
.wide { overflow-x: auto; }
article { border-left: 5px solid var(--rule); padding: 2px 0 2px 12px; margin: 10px 0; break-inside: avoid; }
article.hold { border-color: var(--hold); }
article.warning { border-color: #ffd21f; }
pre { white-space: pre-wrap; font: .85rem/1.4 ui-monospace, "DejaVu Sans Mono", monospace; margin: 0; }
audio { width: 100%; height: 36px; }
footer { margin-top: 30px; }

svg { display: block; width: 100%; height: auto; break-inside: avoid; }
svg text { font-size: 12px; fill: var(--quiet); }
svg path { fill: none; }
.grid { stroke: var(--rule); }
.axis { stroke: var(--quiet); }
.curve { stroke: var(--ink); stroke-width: 1.6; }
.second { stroke: var(--cut); stroke-width: 1.4; }
.faint { stroke: #9fb2c2; stroke-width: .7; opacity: .6; }
.dots { stroke-width: 5; stroke-linecap: round; }
path.warning { stroke: #c79a00; stroke-dasharray: 6 4; }
svg text.warning { fill: var(--warning); }
path.hold { stroke: var(--hold); }
svg text.hold { fill: var(--hold); }
path.now { stroke: var(--ink); }
path.onset { stroke: var(--quiet); stroke-dasharray: 3 3; }
path.climb { stroke: #b4157f; stroke-dasharray: 2 3; }
svg text.climb { fill: #b4157f; }
rect.blank { fill: #e9eef1; }

@page { size: A4; margin: 12mm; }
@media print {
  html, body { font-size: 10.5px; }
  main { max-width: none; padding: 0; }
  h2 { margin-top: .8em; break-after: avoid; }
  audio, .noprint, details { display: none; }
  .page2 { break-before: page; }
  .synthetic { border: 2px solid #14181b; color: #14181b; background: none; }
  th, td { padding-top: 1px; padding-bottom: 1px; }
  article svg { max-height: 26mm; width: auto; max-width: 100%; }
  section > svg { max-height: 46mm; width: auto; max-width: 100%; }
}
"""
