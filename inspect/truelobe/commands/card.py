"""`truelobe card`: the scale card as a sheet to print or as a picture."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from truelobe.card import card_pdf, card_png, load_layout
from truelobe.card.draw import save
from truelobe.units import inches


def add_card(subparsers: Any) -> None:
    """Register the job.

    Parameters
    ----------
    subparsers : argparse subparsers action
    """
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "card",
        help="make the scale card to print",
        description="Make the printed scale card that lies beside the plate: a sheet at true size (PDF), or the "
        "card alone, edge to edge (PNG).",
    )
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write a sheet at true size")
    parser.add_argument("--png", type=Path, metavar="FILE", help="write the card alone as a picture")
    parser.add_argument("--paper", choices=["a4", "letter"], default="letter", help="paper of the PDF (letter)")
    parser.add_argument("--dpi", type=float, default=300, help="resolution of the PNG, dots per inch (300)")
    parser.add_argument(
        "--print-number", type=int, default=0, metavar="N", help="0 to 9999, another one for every printout (0)"
    )
    parser.add_argument("--edition", metavar="CODE", help="another edition than the newest")
    parser.set_defaults(run=run_card, parser=parser)


def run_card(arguments: argparse.Namespace) -> int:
    """Write the files that were asked for and say how large the card is.

    Raises
    ------
    TruelobeError
        See `card_pdf`, `card_png` and `save`.
    """
    if not (arguments.pdf or arguments.png):
        arguments.parser.error("say where to write: --pdf FILE, --png FILE, or both")
    layout = load_layout(arguments.edition)
    if arguments.pdf:
        save(arguments.pdf, card_pdf(arguments.paper, arguments.print_number, layout))
        print(f"{arguments.pdf}: {arguments.paper} sheet. Print it at actual size (100 %).")
    if arguments.png:
        picture = card_png(arguments.dpi, arguments.print_number, layout)
        save(arguments.png, picture.png)
        width, height = picture.size_px
        print(
            f"{arguments.png}: {width} x {height} pixels at {picture.pixels_per_metre * 0.0254:.2f} dots per inch "
            f"({picture.pixels_per_metre} pixels per metre)."
        )
    print(f"Edition {layout.edition}, print {arguments.print_number:04d}.")
    print(f"Card: {layout.size_mm[0]:.1f} x {layout.size_mm[1]:.1f} mm.")
    for name, bar in (("across", layout.across), ("down", layout.down)):
        print(f"Line {name}: {bar.length_mm:.1f} mm ({inches(bar.length_mm):.3f} in) if printed at actual size.")
    return 0
