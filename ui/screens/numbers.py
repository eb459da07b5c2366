"""The measures as tables, in the same words as the report."""

from __future__ import annotations

from html import escape
from typing import Any

from shared.analysis import Analysis
from ui import look
from ui.report import AreaBlock
from ui.screens.style import svg_img

LEGEND = (
    "On the strips the hatched band is the target, the diamond your value, the line its 95 % interval: the true "
    "value lies within it about 19 times in 20. n counts the steps or strides behind a number."
)


def legend_html() -> str:
    """What the signs mean."""
    signs = " · ".join(f"{look.VERDICT_SIGN[v]} {look.VERDICT_WORD[v]}" for v in look.VERDICT_SIGN)
    return f'<p class="small quiet">{signs}. {LEGEND}</p>'


def block_html(block: AreaBlock) -> str:
    """One body area: its measures with value, interval, target and verdict."""
    out = ""
    if block.rows:
        body = "".join(_row_html(row) for row in block.rows)
        out += (
            '<table class="measures"><thead><tr><th scope="col">Measure</th><th scope="col">Side</th>'
            '<th scope="col">Value and 95 % interval</th><th scope="col">Target</th><th scope="col">Verdict</th>'
            f"</tr></thead><tbody>{body}</tbody></table>"
        )
    if block.missing:
        items = "".join(
            f"<li><strong>{escape(why)}</strong>: {escape(names)}</li>" for why, names, _ in block.missing
        )
        opened = "" if block.rows else " open"
        out += f'<details{opened}><summary>Not measurable from this clip</summary><ul class="small">{items}</ul></details>'
    return out


def _row_html(row: Any) -> str:
    frame = "" if row.frame is None else f", frame {row.frame}"
    target = '<span class="quiet">no target</span>'
    if row.target:
        strip = (
            svg_img(row.strip, f"{row.value}, interval {row.interval}, target {row.target}", "strip")
            if row.strip
            else ""
        )
        target = f'{strip}{escape(row.target)}<details class="quiet"><summary>source</summary>{escape(row.source)}</details>'
    verdict = ""
    if row.verdict:
        ink = look.VERDICT_INK[row.verdict]
        verdict = f'<span class="word" style="color:{ink}">{row.sign} {escape(row.word)}</span>'
    return (
        f'<tr><td><strong>{escape(row.name)}</strong><br><span class="quiet small">{escape(row.plain)}</span></td>'
        f'<td class="small">{escape(row.side)} <br><span class="quiet">n = {row.n}{frame}</span></td>'
        f'<td class="num"><span class="value">{escape(row.value)}</span> <br><span class="small">{escape(row.interval)}</span></td>'
        f'<td class="small">{target}</td><td>{verdict}</td></tr>'
    )


def symmetry_html(rows: list[dict[str, str]]) -> str:
    """Left against right."""
    body = "".join(
        f"<tr><td>{escape(r['name'])}</td><td class='num'>{escape(r['value'])}</td>"
        f"<td class='num'>{escape(r['interval'])}</td><td>{r['sign']} {escape(r['word'])}</td></tr>"
        for r in rows
    )
    return (
        '<table class="stack"><thead><tr><th scope="col">Measure</th><th scope="col">Left − right</th>'
        f'<th scope="col">95 % interval</th><th scope="col">Verdict</th></tr></thead><tbody>{body}</tbody></table>'
    )


def facts_html(facts: list[tuple[str, str]]) -> str:
    """Label and value pairs."""
    return (
        '<dl class="facts">'
        + "".join(f"<dt>{escape(label)}</dt><dd>{escape(value)}</dd>" for label, value in facts)
        + "</dl>"
    )


def provenance_html(analysis: Analysis, made: dict[str, Any]) -> str:
    """What is needed to make the result again."""
    settings = "".join(f"<li>{escape(str(k))}: {escape(str(v))}</li>" for k, v in made["settings"])
    return (
        "<details><summary>To make this result again</summary>"
        f'<p class="small">Laneside {escape(made["version"])}, {escape(made["created"])}, pose weights '
        f"{escape(made['model'])}.<br>Clip SHA-256 {escape(analysis.clip.sha256[:16])}…</p>"
        f'<ul class="small">{settings}</ul></details>'
    )
