"""`rowwater page pair`, `rowwater page phones`: a code for one phone more, those paired, taking one off."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.page.place import of_garden
from scheduler.web.phones import CODE_LASTS, RIGHTS, May, Phones
from scheduler.web.settings import Settings

if TYPE_CHECKING:
    from scheduler.shapes.phones import PhonesPage


@click.command(name="pair")
@click.option(
    "--may",
    type=click.Choice(RIGHTS),
    default="note",
    show_default=True,
    help="look: see; note: also answer, note, hold, stop; water: also open valves",
)
@click.option("--name", metavar="NAME", help="what the phone is called in lists and in the log")
@common.place_options
def pair(may: May, name: str | None) -> None:
    """A code by which one phone is paired: shown here alone, good for ten minutes, and once."""
    _say_code(of_garden(common.config_path()), may, name and " ".join(name.split())[:40])


@click.command(name="phones")
@click.option("--remove", "number", type=int, metavar="N", help="take phone N off, at once")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@common.place_options
def phones(number: int | None, as_json: bool) -> None:
    """The paired phones, and what each may do."""
    known = Phones(of_garden(common.config_path()).folder)
    if number is not None:
        gone = known.remove(number)
        click.echo(f"phone {gone.number} ({gone.name}) is taken off", err=as_json)
    if as_json:
        common.print_json(_page(known))
    elif number is None:
        from scheduler.cli.text.phones import phones_text

        click.echo(phones_text(_page(known), common.terminal_width()))


def say_how_to_begin(settings: Settings) -> None:
    """The address of a page that a person has started, and a code."""
    click.echo(f"The page of {settings.garden}: {settings.url}")
    if settings.address[0] in ("127.0.0.1", "::1"):
        click.echo("This computer alone reaches it; for phones: page.listen in garden.yaml.")
    _say_code(settings, "look" if settings.example_of else "note", None)
    click.echo("Ctrl-C ends it.")


def _say_code(settings: Settings, may: May, name: str | None) -> None:
    from scheduler.clock import site_now

    code = Phones(settings.folder).new_code(may, name, site_now(settings.timezone))
    minutes = CODE_LASTS.total_seconds() / 60
    click.echo(f"Pairing code: {code[:4]} {code[4:]}")
    click.echo(f"(one phone, may {may}; {minutes:.0f} min) or open")
    url = f"{settings.url}/pair?code={code}"
    click.echo(url)
    _draw(url)


def _draw(url: str) -> None:
    """As a QR code, where the output has the letters for it."""
    import io

    import segno

    drawn = io.StringIO()
    segno.make(url, error="l", micro=False).terminal(drawn, border=2, compact=True)
    try:
        drawn.getvalue().encode(sys.stdout.encoding or "ascii")
    except (UnicodeError, LookupError):
        return
    click.echo(drawn.getvalue().rstrip("\n"))


def _page(known: Phones) -> PhonesPage:
    return {
        "phones": [
            {
                "number": one.number,
                "name": one.name,
                "may": one.may,
                "paired": one.paired.isoformat(timespec="seconds"),
                "seen": one.seen.isoformat(timespec="seconds"),
            }
            for one in known.listed()
        ]
    }
