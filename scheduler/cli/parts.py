"""`rowwater parts`: tape, fittings and valves to buy for a garden that is not built yet."""

from __future__ import annotations

import click

from scheduler.cli import common
from scheduler.errors import BadInput

COLUMNS = ("part", "of", "count", "length_m", "rests_on")
SHORTEST_ROLL_M = 1.0
"""A shorter one is a unit mistyped."""


@click.command(name="parts")
@click.option("--slack", default="1 ft", show_default=True, help="of each tape, to fold its end")
@click.option("--waste", default="5%", show_default=True, help="share of tape lost in cutting")
@click.option("--roll", default="1000 ft", show_default=True, help="length of a roll of tape")
@click.option("--json", "as_json", is_flag=True, help="print as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print the list as CSV")
@common.place_options
@click.pass_context
def command(ctx: click.Context, slack: str, waste: str, roll: str, as_json: bool, as_csv: bool) -> None:
    """What to buy for the first build, with what each count rests on: each zone at its first planting.

    Valves and supply line are those of the sections that `rowwater check` proposes. Later plantings whose
    rows lie otherwise are named with what they ask for beyond it (`rowwater changeover`).
    """
    from scheduler.pages.first_build import Asked
    from scheduler.pages.parts import parts_page

    garden = common.garden()
    roll_m = common.not_below_zero("--roll", "length", roll, garden.display)
    if roll_m < SHORTEST_ROLL_M:
        raise BadInput(
            f'--roll: "{roll}" is no roll of tape', hint="the length on its label, such as 1000 ft"
        )
    asked = Asked(
        slack_m=common.not_below_zero("--slack", "length", slack, garden.display),
        waste=common.not_below_zero("--waste", "fraction", waste, garden.display),
        roll_m=roll_m,
    )
    page = parts_page(garden, asked)
    if as_json:
        common.print_json(page)
    elif as_csv:
        common.print_csv(page["parts"], COLUMNS)
    else:
        from scheduler.cli.text.parts import parts_text

        click.echo(parts_text(page, garden.display, common.terminal_width()))
    ctx.exit(3 if page["problems"] else 0)
