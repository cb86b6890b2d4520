"""The look of the trays: one style sheet that follows the light or dark theme the browser asks for."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import quote

from triage.proving.trays import Tray

#: Light and dark tone of each tray; a tone only repeats what the tray's name and sign say.
TONES: Mapping[Tray, tuple[str, str]] = {
    Tray.LABEL: ("#2b6350", "#7fcbad"),
    Tray.LOOK_AGAIN: ("#2f5c86", "#8fbce6"),
    Tray.HOLD_BACK: ("#7a5612", "#e0bb6a"),
    Tray.CHECK_PARENTS: ("#9a3a2c", "#f09a88"),
}

#: One line drawing for each tray on a ground of 24 by 24; Streamlit takes drawings out of HTML, but not out of styles.
_SIGNS: Mapping[Tray, str] = {
    Tray.LABEL: "<path d='M3 12 11 4h9v9l-8 8z'/><path d='M15.5 8.5h.01'/>",
    Tray.LOOK_AGAIN: "<path d='M2 12s4-7 10-7 10 7 10 7-4 7-10 7S2 12 2 12z'/><circle cx='12' cy='12' r='3'/>",
    Tray.HOLD_BACK: "<path d='M4 9h16v11H4z'/><path d='M2 5h20v4H2z'/><path d='M10 13h4'/>",
    Tray.CHECK_PARENTS: "<circle cx='6' cy='6' r='3'/><circle cx='18' cy='6' r='3'/><path d='M6 9v4h12V9M12 13v3M12 20h.01'/>",
}
_DRAWING = (
    "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 24 24' fill='none' stroke='black' stroke-width='1.9' "
    "stroke-linejoin='round' stroke-linecap='round'>{}</svg>"
)

_SHEET = """
.tr { --line: color-mix(in srgb, currentColor 22%, transparent); --soft: color-mix(in srgb, currentColor 72%, transparent);
  line-height: 1.45; overflow-wrap: anywhere; }
.tr p, .tr ul, .tr ol { margin: 0; padding: 0; }
.tr ul, .tr ol { list-style: none; }
.tr .tr-parents { font-size: 1.05rem; margin: 0 0 .6rem 0; padding: 0; }
.tr .tr-parents dt, .tr .tr-parents dd { padding: 0; margin-left: 0; }
.tr-parents dt { font-size: .8rem; color: var(--soft); }
.tr-parents dd { margin: 0 0 .35rem 0; }
.tr-counts { display: grid; grid-template-columns: repeat(4, 1fr); border: 1px solid var(--line); border-radius: .35rem; }
.tr-counts li { padding: .6rem .9rem; border-left: 1px solid var(--line); display: flex; align-items: center; gap: .6rem; }
.tr-counts li:first-child { border-left: 0; }
.tr-counts b { font-size: 1.7rem; font-weight: 650; line-height: 1; font-variant-numeric: tabular-nums; }
.tr .tr-key { font-size: .85rem; color: var(--soft); display: flex; flex-wrap: wrap; gap: .3rem 1.2rem; margin-top: .6rem; }
.tr .tr-key span { display: inline-flex; align-items: center; gap: .5rem; }
.tr-sign { display: inline-block; width: 1.35rem; height: 1.35rem; flex: none; background: currentColor; }
.tr-head { display: flex; align-items: baseline; gap: .7rem; border-bottom: 2px solid currentColor; padding-bottom: .3rem;
  margin-top: 1.1rem; flex-wrap: wrap; }
.tr-head h2 { font-size: 1.25rem; font-weight: 650; margin: 0; padding: 0; color: inherit; }
.tr-head .tr-sign { align-self: center; }
.tr-head p { font-size: .9rem; color: light-dark(#4d5752, #b3bbb5); }
.tr-tile { display: grid; gap: .15rem; align-content: start; padding-bottom: .4rem; }
.tr-tile img, .tr-none { width: 100%; aspect-ratio: 1; object-fit: cover; border-radius: .3rem; border: 1px solid var(--line); }
.tr-tile .tr-none { display: grid; place-items: center; color: var(--soft); margin: 0;
  background: color-mix(in srgb, currentColor 6%, transparent); }
.tr-tile .tr-call { font-size: 1.08rem; }
.tr-one { display: grid; grid-template-columns: 1fr auto; gap: .6rem; align-items: center; font-variant-numeric: tabular-nums; }
.tr-by { font-size: .85rem; color: var(--soft); }
.tr-why { font-size: .85rem; display: -webkit-box; -webkit-box-orient: vertical; -webkit-line-clamp: 2; overflow: hidden; }
@media (min-width: 900px) {
  [data-testid="stLayoutWrapper"]:has(> [class*="st-key-tile-"]), [class*="st-key-tile-"] { width: 15.4rem !important; flex-basis: 15.4rem !important; }
}
[data-testid="stMainBlockContainer"] { padding-top: 4.2rem; }
.tr-who { display: flex; flex-wrap: wrap; gap: .1rem .8rem; align-items: baseline; font-size: .9rem; }
.tr-who span { color: var(--soft); }
.tr-who strong { font-size: 1.05rem; font-weight: 650; }
.tr-call { font-size: 1.2rem; font-weight: 600; line-height: 1.25; }
.tr-call small { font-size: .9rem; font-weight: 400; color: var(--soft); }
.tr-calls { margin: .45rem 0 .5rem 0 !important; display: grid; gap: .3rem; font-size: .92rem; }
.tr-calls li { display: grid; grid-template-columns: minmax(0, 1fr) 7.2rem 4.6rem; gap: .1rem .7rem; align-items: center; }
.tr-calls .now { font-variant-numeric: tabular-nums; text-align: right; white-space: nowrap; }
.tr-calls .alone { grid-column: 2 / 4; font-size: .78rem; color: var(--soft); margin-top: -.2rem; }
.tr-calls .rest { display: block; color: var(--soft); }
.tr-bar { position: relative; display: block; height: .6rem; border-radius: .15rem;
  background: color-mix(in srgb, currentColor 13%, transparent); }
.tr-bar i { position: absolute; inset: 0 auto 0 0; border-radius: .15rem; background: #559a80; }
.tr-bar b { position: absolute; top: -.2rem; bottom: -.2rem; width: 2px; margin-left: -1px;
  background: currentColor; }
.tr .tr-key .tr-bar { display: block; width: 3.4rem; }
.tr-says { display: grid; gap: .3rem; font-size: .92rem; }
.tr-says li { padding-left: .8rem; position: relative; }
.tr-says li::before { content: "\\2013"; position: absolute; left: 0; color: var(--soft); }
.tr-says em { font-style: normal; font-weight: 600; }
.tr-out { font-size: .9rem; margin-top: .5rem; }
.tr-out summary { cursor: pointer; color: var(--soft); padding: .15rem 0; }
.tr-out li { margin: .25rem 0; }
.tr-out s { font-weight: 600; text-decoration-thickness: 1.5px; }
.tr-held { font-weight: 600; }
.tr-list { display: grid; gap: .55rem; }
.tr-list b { font-weight: 650; }
.tr-small { font-size: .85rem; color: var(--soft); }
@media (max-width: 640px) {
  .tr-counts { grid-template-columns: 1fr 1fr; }
  .tr-counts li { padding: .45rem .6rem; }
  .tr-counts li:nth-child(odd) { border-left: 0; }
  .tr-counts li:nth-child(n+3) { border-top: 1px solid var(--line); }
  .tr-calls li { grid-template-columns: minmax(0, 1fr) 4.6rem; }
  .tr-calls .tr-bar { grid-column: 1 / 3; }
  .tr-calls .now { grid-row: 1; grid-column: 2; }
  .tr-calls .alone { grid-column: 1 / 3; margin-top: 0; }
}
"""


def class_name(kind: str, tray: Tray) -> str:
    """Name of a tray's class: ``tr-tone-look-again``."""
    return f"tr-{kind}-{tray.name.lower().replace('_', '-')}"


def style_html() -> str:
    """The style sheet as one ``style`` element."""
    return f"<style>{_SHEET}{''.join(_tray_style(tray) for tray in Tray)}</style>"


def _tray_style(tray: Tray) -> str:
    light, dark = TONES[tray]
    drawing = f'url("data:image/svg+xml,{quote(_DRAWING.format(_SIGNS[tray]))}") center / contain no-repeat'
    return (
        f".{class_name('tone', tray)} {{ color: light-dark({light}, {dark}); }}\n"
        f".{class_name('sign', tray)} {{ -webkit-mask: {drawing}; mask: {drawing}; }}\n"
    )
