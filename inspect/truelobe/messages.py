"""What the tool says when something is wrong: what happened, and what to do next.

Every room raises one family of errors, `TruelobeError`; each carries a `Message` whose code a program can act
on and whose words a coach can act on. A message that does not stop the work (a *flag*) travels with the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "flag", "refusal"]


@dataclass(frozen=True)
class Message:
    """One thing the user should know.

    Attributes
    ----------
    code : str
        Stable, kebab-case: ``card-not-found``.
    text : str
        What happened and why it matters, in plain words.
    what_to_do : str
        The next step, as an instruction.
    severity : {"note", "flag", "refusal"}
        A note informs; a flag makes a result "flagged"; a refusal means nothing was measured.
    """

    code: str
    text: str
    what_to_do: str
    severity: Severity = "flag"

    def document(self) -> dict[str, str]:
        """Return the message as it stands in a measurement document."""
        return {"code": self.code, "text": self.text, "what_to_do": self.what_to_do}


class TruelobeError(Exception):
    """Something the user can act on. Never shown as a traceback."""

    def __init__(self, code: str, text: str, what_to_do: str) -> None:
        super().__init__(f"{text} {what_to_do}")
        self.message = Message(code, text, what_to_do, "refusal")

    def __reduce__(self) -> tuple[type[TruelobeError], tuple[str, str, str]]:
        """Rebuild from the three words, so that an error crosses a process border whole."""
        return type(self), (self.message.code, self.message.text, self.message.what_to_do)
