"""What the app shows of a sorted clutch, as HTML: plain functions of a report. Every text in it is escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping

from triage.app.literal import escape
from triage.app.style import class_name
from triage.proving.chances import percent
from triage.proving.trays import Tray
from triage.workflow.answers.report import ClutchReport, EggReport, ParentReport
from triage.workflow.answers.wording import (
    against_the_records,
    animal_text,
    headline,
    likely_sires,
    main_reason,
    rests_on_text,
    sex_mark,
    shortlist_text,
    shown_calls,
    sires_text,
    tray_counts,
)

CALLS_ON_A_CARD = 4
_EXPLANATIONS_ON_A_CARD = 3

MEANING: Mapping[Tray, str] = {
    Tray.LABEL: "the label is settled",
    Tray.LOOK_AGAIN: "a better photo or the first shed can tell",
    Tray.HOLD_BACK: "only breeding or a laboratory can tell, and it is worth it",
    Tray.CHECK_PARENTS: "the records do not explain what was seen",
}


def sign(tray: Tray) -> str:
    """Where the style sheet draws the tray's sign, so that colour never speaks alone."""
    return f'<span class="tr-sign {class_name("sign", tray)}" aria-hidden="true"></span>'


def tone(tray: Tray) -> str:
    return class_name("tone", tray)


def summary_html(report: ClutchReport) -> str:
    """The parents, how many hatchlings lie in each tray, and how to read the bars."""
    cross = report.cross
    word = "sire" if len(cross.sires) == 1 else "candidate sires"
    counts = "".join(
        f'<li class="{tone(tray)}">{sign(tray)}<b>{n}</b> <span>{escape(tray)}</span></li>' for tray, n in tray_counts(report)
    )
    return (
        f'<div class="tr"><dl class="tr-parents"><dt>dam</dt><dd>{escape(animal_text(cross, cross.dam))}</dd>'
        f"<dt>{word}</dt><dd>{escape(sires_text(cross))}</dd></dl>"
        f'<ul class="tr-counts" aria-label="Hatchlings by tray">{counts}</ul>'
        f'<p class="tr-key"><span>{bar(0.7, None)} everything considered</span>'
        f"<span>{bar(0.0, 0.4)} what the parents alone would say</span></p></div>"
    )


def tray_head_html(tray: Tray, n: int) -> str:
    """Heading of one tray."""
    return (
        f'<div class="tr"><div class="tr-head {tone(tray)}">{sign(tray)}<h2>{escape(tray.capitalize())} ({n})</h2>'
        f"<p>{escape(MEANING[tray])}</p></div></div>"
    )


def bar(probability: float, parents_only: float | None) -> str:
    """A bar for a probability with a tick where the parents alone would put it; numbers beside it say the same."""
    fill = f'<i style="width:{100 * probability:.1f}%"></i>'
    tick = "" if parents_only is None else f'<b style="left:{100 * parents_only:.1f}%"></b>'
    return f'<span class="tr-bar" aria-hidden="true">{fill}{tick}</span>'


def tile_html(egg: EggReport, photo: bytes | None, *, held: bool) -> str:
    """One hatchling on the light table: photo, headline, one bar, sire, one line of reason."""
    picture = _picture(photo, f"Photo of hatchling {egg.label}") if photo else '<p class="tr-none">no photo</p>'
    best = None if egg.reads_as or not egg.calls else egg.calls[0]
    chance = f"{bar(best.probability, best.parents_only)}<span>{percent(best.probability)}</span>" if best else ""
    mark = "<span>held back</span>" if held else ""
    return (
        f'<div class="tr tr-tile">{picture}<p class="tr-who"><strong>{escape(egg.label)}</strong><span>{sex_mark(egg.sex)}</span>'
        f'{mark}</p><p class="tr-call">{escape(headline(egg))}</p><p class="tr-one">{chance}</p><p class="tr-by">{_sires(egg)}</p>'
        f'<p class="tr-why">{escape(_sentence(main_reason(egg)))}</p></div>'
    )


def card_html(egg: EggReport, held_note: str = "") -> str:
    """One hatchling: call, bars, reasons, what to look for, and what is struck out."""
    return (
        f'<div class="tr"><p class="tr-who"><strong>{escape(egg.label)}</strong><span>{sex_mark(egg.sex)}</span>{_sires(egg)}</p>'
        f"{_call_line(egg)}{_calls(egg)}{_says(egg, held_note)}{_struck_out(egg)}</div>"
    )


def parents_html(parents: Iterable[ParentReport]) -> str:
    """What the clutch says of each parent."""
    lines = "".join(
        f"<li><b>{escape(p.name)}</b> <span class='tr-small'>{escape(p.role)}</span><br>"
        f"{'<br>'.join(escape(n) for n in p.news) or 'nothing new'}</li>"
        for p in parents
    )
    return f'<div class="tr"><ul class="tr-list">{lines}</ul></div>'


def list_html(lines: Iterable[str]) -> str:
    """Sentences, one under the other."""
    return f'<div class="tr"><ul class="tr-says">{"".join(f"<li>{escape(line)}</li>" for line in lines)}</ul></div>'


def _picture(data: bytes, alternative: str) -> str:
    return f'<img alt="{escape(alternative)}" src="data:image/jpeg;base64,{base64.b64encode(data).decode()}">'


def _sires(egg: EggReport) -> str:
    likely = likely_sires(egg.sires)
    return f"<span>by {escape(' or '.join(f'{name} ({percent(p)})' for name, p in likely))}</span>" if likely else ""


def _call_line(egg: EggReport) -> str:
    name = f" <small>{escape(egg.trade_name)}</small>" if egg.trade_name and not egg.reads_as else ""
    why = f'<p class="tr-held">{escape(_sentence(egg.reads_as.reason))}</p>' if egg.reads_as else ""
    return f'<p class="tr-call">{escape(headline(egg))}{name}</p>{why}'


def _calls(egg: EggReport) -> str:
    shown = shown_calls(egg, at_most=CALLS_ON_A_CARD)
    rows = "".join(
        f"<li><span>{escape(c.call.name)}</span>{bar(c.probability, c.parents_only)}"
        f'<span class="now">{percent(c.probability)}</span>'
        f'<span class="alone">parents alone {percent(c.parents_only)}</span></li>'
        for c in shown.calls
    )
    if shown.n_more:
        others = "1 other call" if shown.n_more == 1 else f"{shown.n_more} other calls"
        rows += f'<li class="rest">{others}, together {percent(shown.p_more)}</li>'
    return f'<ol class="tr-calls" aria-label="Calls, likeliest first">{rows}</ol>' if rows else ""


def _says(egg: EggReport, held_note: str) -> str:
    lines = [f'<li class="tr-held">{escape(held_note)}</li>'] if held_note else []
    lines += [f"<li>{escape(_sentence(reason))}</li>" for reason in egg.reasons]
    lines += [f"<li><em>Look for</em> {escape(hint)}</li>" for hint in egg.look_for]
    lines += [f"<li><em>Photo</em> {escape(remark)}</li>" for remark in egg.photo_remarks]
    if egg.shortlist:
        lines.append(f"<li><em>Photo and parents leave</em> {escape(shortlist_text(egg))}</li>")
    lines += [
        f"<li><em>{escape(_sentence(a.explanation))}</em>: {escape(against_the_records(a.bayes_factor))}</li>"
        for a in egg.alternatives[:_EXPLANATIONS_ON_A_CARD]
    ]
    lines += [f"<li><em>Caution</em> {escape(caution)}</li>" for caution in egg.cautions]
    if egg.rests_on:
        lines.append(f"<li>Rests on {escape(rests_on_text(egg))}</li>")
    if egg.moved_by:
        lines.append(f"<li>Moved most by {escape('; '.join(egg.moved_by))}</li>")
    if egg.sharing:
        lines.append(f"<li><em>Sharing</em> {escape(egg.sharing)}</li>")
    return f'<ul class="tr-says">{"".join(lines)}</ul>'


def _struck_out(egg: EggReport) -> str:
    if not egg.struck_out:
        return ""
    rows = "".join(f"<li><s>{escape(s.call)}</s> {escape(s.reason)}</li>" for s in egg.struck_out)
    return f'<details class="tr-out"><summary>Struck out: {len(egg.struck_out)}</summary><ul>{rows}</ul></details>'


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
