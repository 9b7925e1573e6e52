"""The results of "Train the eye": one student in plain words and one picture; the team for the coach."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import streamlit as st

from truelobe.judging.roster import Student
from truelobe.pages import style
from truelobe.pages.options import OKABE_ITO
from truelobe.practice.blocks import Blocks, Kind
from truelobe.practice.summary import Summary, summarise


def show_student(blocks: Blocks, student: str, nickname: str) -> None:
    """Draw what one student's answers say."""
    found = summarise(blocks.of(student))
    st.subheader(nickname)
    style.show_html("".join(f'<p class="tl-lead">{style.text(line)}</p>' for line in found.words))
    if found.percent:
        st.altair_chart(_plot(found), width="stretch")
        st.caption("Each dot is one picture: above the line you said too much, below it too little.")
    show_over_time(found)
    if found.groups:
        rows = "".join(
            f"<tr><td>{style.text(g.name)}</td><td>{g.count}</td><td>{g.mean_error:.0f}</td><td>{g.lean:+.0f}</td></tr>"
            for g in found.groups
        )
        head = "<tr><th>Color</th><th>Pictures</th><th>Off by</th><th>Lean</th></tr>"
        style.show_html(f'<div class="tl-scroll"><table class="tl-table">{head}{rows}</table></div>')
        st.caption("In percentage points. Lean: plus is too much.")
    with st.expander("For the coach"):
        _figures(found)


def _plot(found: Summary) -> alt.LayerChart | alt.FacetChart:
    dots = [{"truth": t, "off": a - t} for t, a in found.percent]
    reach = max(12.0, max(abs(d["off"]) for d in dots) * 1.1)
    across = alt.X("truth:Q", title="True percent", scale=alt.Scale(domain=[0, 100]))
    up = alt.Y("off:Q", title="Too little - too much (points)", scale=alt.Scale(domain=[-reach, reach]))
    layers = [
        _chart([{"off": 0.0}]).mark_rule(color="#5B6770").encode(y="off:Q"),
        _chart(dots).mark_circle(size=70, opacity=0.65, color=OKABE_ITO[0]).encode(x=across, y=up),
    ]
    if found.limits is not None:
        low, high = found.limits.limits
        named = [("your lean", found.limits.bias), ("most answers", low), ("most answers", high)]
        lines = [{"off": at, "name": name, "truth": 100.0} for name, at in named if abs(at) <= reach]
        layers.append(_chart(lines).mark_rule(color=OKABE_ITO[5], strokeDash=[6, 4]).encode(y="off:Q"))
        words = _chart(lines).mark_text(align="right", dy=-8, color=OKABE_ITO[5], fontSize=13)
        layers.append(words.encode(x="truth:Q", y="off:Q", text="name:N"))
    return alt.layer(*layers).properties(height=320)


def show_over_time(found: Summary) -> None:
    """Draw how far off each ten pictures were, oldest first; tests apart from practice."""
    if not found.over_time:
        return
    steps = [
        {
            "n": n,
            "error": step.mean_error,
            "what": "practice" if step.role == "practice" else "test",
            "name": {"practice": "", "before": "before", "after": "after"}[step.role] if step.number == 1 else "",
        }
        for n, step in enumerate(found.over_time, start=1)
    ]
    across = alt.X("n:Q", title="Tens of pictures, oldest first", axis=alt.Axis(tickMinStep=1, format="d"))
    up = alt.Y("error:Q", title="Off by (points)", scale=alt.Scale(domainMin=0))
    shape = alt.Shape(
        "what:N", scale=alt.Scale(domain=["practice", "test"], range=["circle", "square"]), legend=None
    )
    colour = alt.Color(
        "what:N", scale=alt.Scale(domain=["practice", "test"], range=[OKABE_ITO[0], OKABE_ITO[5]]), legend=None
    )
    marks = _chart(steps).mark_point(size=90, filled=True, opacity=0.8)
    words = _chart(steps).mark_text(dy=-12, color=OKABE_ITO[5], fontSize=13)
    drawn = alt.layer(
        marks.encode(x=across, y=up, shape=shape, color=colour), words.encode(x=across, y=up, text="name:N")
    )
    st.altair_chart(drawn.properties(height=220), width="stretch")
    st.caption(
        "Squares are tests, dots practice. Practice goes where the eye errs, so its pictures get harder: only "
        "tests before and after can be compared."
    )


def _chart(values: list[dict[str, Any]]) -> alt.Chart:
    return alt.Chart(alt.Data(values=values))  # type: ignore[no-untyped-call]


def _figures(found: Summary) -> None:
    lines = []
    if found.fit is not None:
        for name, e in (
            ("Bias", found.fit.bias),
            ("Small patches, more", found.fit.small),
            ("Spread", found.fit.spread),
        ):
            if e is not None:
                lines.append((name, f"{e.value:.1f} points (95 %: {e.low:.1f} to {e.high:.1f})"))
    if found.agreement is not None:
        a = found.agreement
        lines.append(("Lin's concordance", f"{a.value:.3f} = r {a.precision:.3f} x Cb {a.accuracy:.3f}"))
    if found.limits is not None:
        low, high = found.limits.limits
        lines.append(("Limits of agreement", f"{low:.1f} to {high:.1f} points (Bland & Altman)"))
    if found.threshold is not None:
        t = found.threshold
        lines.append(("Own threshold", f"{t.at.value:.1f} % (95 %: {t.at.low:.1f} to {t.at.high:.1f})"))
        lapse = f"{100 * t.lapse.value:.0f} % (95 %: {100 * t.lapse.low:.0f} to {100 * t.lapse.high:.0f})"
        lines.append(("Lapse rate", f"{lapse}, width {t.width:.1f} points, {t.count} calls"))
    change = found.change
    if change.pairs:
        lines.append(
            ("Before and after", f"{change.before:.1f} and {change.after:.1f} points, {change.pairs} pairs")
        )
    rows = "".join(f"<tr><th scope='row'>{style.text(n)}</th><td>{style.text(v)}</td></tr>" for n, v in lines)
    style.show_html(f'<table class="tl-table">{rows}</table>' if rows else "<p>Nothing to show yet.</p>")


def show_team(blocks: Blocks, students: Sequence[Student]) -> None:
    """Draw who needs what, with one click to the drill that fits."""
    style.lead("Who needs what.")
    for student in students:
        answers = blocks.of(student.uid)
        found = summarise(answers)
        with st.container(border=True):
            style.show_html(
                f"<h3>{style.text(student.nickname)}</h3><p>{style.text(found.need.words)}.</p>"
                f'<p class="tl-small tl-quiet">{len(answers)} answers. {style.text(found.words[0])}</p>'
            )
            if found.over_time:
                with st.expander("Over time"):
                    show_over_time(found)
            if st.button("Open the drill that fits", key=f"fit-{student.uid}", width="stretch"):
                kind: Kind = found.need.kind  # type: ignore[assignment]
                block = blocks.open(student.uid, kind, "practice", found.need.focus)
                st.query_params.from_dict({"part": "Drill", "student": student.uid, "block": block.uid})
                st.rerun()
