"""Text for scdoc, which makes manual pages: see scdoc(5)."""

import re
from textwrap import dedent
from typing import NamedTuple

from probe import __version__


class Page(NamedTuple):
    """One page: its name and section, and its text without the first line."""

    name: str
    section: int
    text: str

    @property
    def source(self) -> str:
        """The whole page."""
        return f'{self.name}({self.section}) "linkprobe {__version__}" "linkprobe"\n\n{self.text}'


def escaped(text: str) -> str:
    """Plain words: scdoc takes * and _ for marks."""
    return re.sub(r"([\\*_`|<>\[\]#~])", r"\\\1", text)


def reflowed(text: str) -> str:
    """A docstring's paragraphs, each as one line."""
    paragraphs = re.split(r"\n\s*\n", dedent(text).strip())
    return "\n\n".join(escaped(" ".join(part.split())).replace("\\`", "") for part in paragraphs)


def literal(text: str) -> str:
    """Text shown as it is."""
    return f"```\n{text.rstrip()}\n```\n"


def told(term: str, text: str) -> str:
    """A term, and under it what it means."""
    return f"{term}\n\t{text}\n\n"
