"""What all texts share: lines of the terminal's width, and how a plan's age is told."""

from __future__ import annotations

from datetime import date


def wrap(text: str, width: int, indent: int, *, first: int = 0, cut: bool = True) -> list[str]:
    """Lines of at most `width`, all but the first indented by `indent`.

    first: indent of the first line.  cut: a word that is longer than a line is broken.
    """
    import textwrap  # the morning summary mostly needs it, `rowwater --help` does not

    return textwrap.wrap(
        text,
        width,
        initial_indent=" " * first,
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
        break_long_words=cut,
    )


def age(made_for: date, today: date) -> str | None:
    """ "2 days old", "for a day to come"; None for today's."""
    days = (today - made_for).days
    if not days:
        return None
    return f"{days} day{'s' if days > 1 else ''} old" if days > 0 else "for a day to come"


def mark(level: str) -> str:
    """Before a notice: "! " where it needs the grower's eye."""
    return "" if level == "info" else "! "
