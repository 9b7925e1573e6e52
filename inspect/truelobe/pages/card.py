"""Page "Card and calibration": print the scale card, keep its measured lines, see the color references."""

from __future__ import annotations

from functools import partial

import streamlit as st

from truelobe.card import PAPER_MM, Paper, card_pdf, card_png, load_layout
from truelobe.colour import Reference, References, load_references
from truelobe.colour.references import references_from_document
from truelobe.grading.cautions import foot_line
from truelobe.messages import TruelobeError
from truelobe.pages import prints_form, style
from truelobe.pages.desk import desk
from truelobe.store import Print, Store

_PAPER_WORDS: dict[Paper, str] = {"letter": "US Letter", "a4": "A4"}
_PNG_DPI = 300


def show() -> None:
    """Draw the page."""
    st.title("Card and calibration")
    style.lead(
        "Print the scale card and measure its two long lines once: every length read from a photo rests on them."
    )
    try:
        store = desk().store
        _print_it(store)
        _measure_it(store)
        _references(store)
    except TruelobeError as error:
        style.say(error.message)
    style.foot(foot_line())


def _print_it(store: Store) -> None:
    st.subheader("1. Print the card")
    layout = load_layout()
    with st.container(key="print-sheet"):
        st.image(_preview(layout.edition), width="stretch", alt="The scale card")
        with st.container():
            number = st.number_input(
                "Print number: another one for every printout",
                min_value=0,
                max_value=9999,
                value=_next_number(store),
                step=1,
                key="print-number",
            )
            paper = st.segmented_control(
                "Paper", list(PAPER_MM), default="letter", format_func=lambda name: _PAPER_WORDS[name], key="paper"
            )
            chosen: Paper = paper or "letter"
            st.download_button(
                f"Card to print, {_PAPER_WORDS[chosen]} (PDF)",
                partial(card_pdf, chosen, int(number)),
                f"scale-card-{int(number):04d}-{chosen}.pdf",
                "application/pdf",
                type="primary",
                on_click="ignore",
            )
            st.download_button(
                f"Card alone, {_PNG_DPI} dots per inch (PNG)",
                lambda: card_png(_PNG_DPI, int(number)).png,
                f"scale-card-{int(number):04d}.png",
                "image/png",
                on_click="ignore",
            )
            style.show_html(
                '<p class="tl-small">Print at <strong>actual size (100 %)</strong>, in color. '
                "“Fit to page” makes it 3 to 6 % too small. Glue it to something stiff and flat.</p>"
            )


@st.cache_data(show_spinner=False)
def _preview(edition: str) -> bytes:
    return card_png(90, 0, load_layout(edition)).png


def _next_number(store: Store) -> int:
    return min(9999, max((made.number for made in store.prints.all()), default=0) + 1)


def _measure_it(store: Store) -> None:
    st.subheader("2. Measure its two long lines")
    prints_form.bars_form(store)
    for made in store.prints.all():
        with st.container(horizontal=True, vertical_alignment="center"):
            words = f"<strong>Print {made.number:04d}</strong>: {style.text(prints_form.said(made))}"
            style.show_html(f"<p>{words}</p>")
            if st.button("Forget", key=f"forget-{made.number}"):
                store.settings.put("forgotten_print", [made.number, made.edition, *_lengths(made)])
                store.prints.remove(made.number)
                st.rerun()
    forgotten = store.settings.get("forgotten_print")
    if forgotten and st.button(f"Undo: keep print {forgotten[0]:04d}", key="unforget"):
        store.prints.put(Print(*forgotten))
        store.settings.put("forgotten_print", None)
        st.rerun()


def _lengths(made: Print) -> tuple[float, float, float]:
    return made.across_mm, made.down_mm, made.u_mm


def _references(store: Store) -> None:
    """Show what "fully colored" means for each color of pepper, and where it is from."""
    st.subheader("What counts as fully colored")
    kept = store.references.get("team")
    references = load_references() if kept is None else references_from_document(kept.body)
    style.show_html(_swatches_html(references))
    with st.expander("The numbers, and where they come from"):
        style.show_html(_references_html(references))


def _swatch(reference: Reference) -> str:
    lightness, a, b = reference.lab
    return f'<span class="tl-swatch" style="background: lab({lightness:.1f}% {a:.1f} {b:.1f})"></span>'


def _swatches_html(references: References) -> str:
    """Show the colors themselves: what a coach compares a pepper with."""
    shown = "  ".join(
        f'<span class="tl-named">{_swatch(pair.ripe)}{style.text(name)}</span>'
        for name, pair in references.colours.items()
    )
    return f"<p>{shown}</p>{_other_ends_html(references)}"


def _other_ends_html(references: References) -> str:
    """Say what counts as not fully colored, colors of one meaning together."""
    names: dict[str, list[str]] = {}
    for name, pair in references.colours.items():
        names.setdefault(pair.unripe_means, []).append(name)
    return "".join(
        f"<p>Not fully colored on {style.text(', '.join(alike))}: {style.text(meaning)}.</p>"
        for meaning, alike in names.items()
    )


def _references_html(references: References) -> str:
    lines = ""
    for name, pair in references.colours.items():
        lightness, a, b = pair.ripe.lab
        lines += (
            f'<tr><th scope="row">{style.text(name)}</th>'
            f"<td>{_swatch(pair.ripe)}L* {lightness:.0f}, a* {a:.0f}, b* {b:.0f}</td>"
            f"<td>{style.text(pair.ripe.source)}</td></tr>"
        )
    return (
        '<div class="tl-scroll" tabindex="0" role="region" aria-label="Color references"><table class="tl-table">'
        '<thead><tr><th scope="col">Color</th><th scope="col">Fully colored</th><th scope="col">From</th></tr>'
        f"</thead><tbody>{lines}</tbody></table></div>"
    )
