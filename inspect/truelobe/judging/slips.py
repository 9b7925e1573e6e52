"""The slips with each student's word, to print and cut apart."""

from __future__ import annotations

import io
from collections.abc import Mapping

from reportlab.lib.pagesizes import letter
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas

_ACROSS, _DOWN = 2, 7


def slips_pdf(words: Mapping[str, str]) -> bytes:
    """Return a PDF on letter paper, fourteen slips a page, black alone.

    Parameters
    ----------
    words : mapping of str to str
        Nickname to word.
    """
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=letter)
    canvas.setTitle("Slips")
    wide, high = (letter[0] - inch) / _ACROSS, (letter[1] - inch) / _DOWN
    for n, (nickname, word) in enumerate(words.items()):
        place = n % (_ACROSS * _DOWN)
        if n and place == 0:
            canvas.showPage()
        left = inch / 2 + (place % _ACROSS) * wide
        top = letter[1] - inch / 2 - (place // _ACROSS) * high
        canvas.setDash(3, 3)
        canvas.rect(left, top - high, wide, high)
        canvas.setFont("Helvetica", 12)
        canvas.drawString(left + 14, top - 26, _printable(nickname))
        canvas.setFont("Helvetica-Bold", 24)
        canvas.drawString(left + 14, top - 60, word)
        canvas.setFont("Helvetica", 9)
        canvas.drawString(left + 14, top - 80, "Your own word. Keep it to yourself.")
    canvas.save()
    return buffer.getvalue()


def _printable(nickname: str) -> str:
    """Return what the built-in font can print; other letters become question marks."""
    return nickname.encode("cp1252", "replace").decode("cp1252")
