"""`rowwater study`: variants of the garden x years."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import click

from scheduler.cli import common
from scheduler.cli.plot import plot_option, write_plot
from scheduler.errors import BadGarden, BadInput, CouldNot

if TYPE_CHECKING:
    from scheduler.model import Display, WeatherDays
    from scheduler.shapes.study import StudyBadGarden, StudyGarden, StudyPage, StudySample, StudySeason
    from scheduler.study.kept import Kept
    from scheduler.study.plan import Wish
    from scheduler.study.seasons import Record
    from scheduler.study.study import Answer, Carry, Study

EXIT_LOOK = 3
TOGETHER = {"none": 8, "forecast": 1, "perfect": 1}
"""Seasons within the supply in one piece of work: so few that little is lost where it breaks off."""
FEW_PIECES = 8
EXTRA = "pip install 'rowwater[study]' brings it"
MANY = 240
"""Seasons without limits, which are walked together."""


@click.command(name="study")
@click.argument("file", required=False, metavar="[STUDY.YAML]", type=click.Path(path_type=Path))
@click.option(
    "--vary",
    multiple=True,
    metavar="KEY=A,B,C",
    help="a key of garden.yaml and its values; several: all pairs",
)
@click.option(
    "--weather", metavar="FILE", type=click.Path(path_type=Path),
    help="daily weather CSV of the years (default: what is on record)",
)  # fmt: skip
@click.option("--years", metavar="1995-2024", help="which years, or how many of the latest (default: all)")
@click.option("--foresight", type=click.Choice(["none", "forecast", "perfect"]), help="default: none")
@click.option(
    "--forecast", metavar="FILE", type=click.Path(path_type=Path), help="forecast CSV, as of `season`"
)
@click.option("--unlimited", is_flag=True, help="leave hours, days, caps and the supply's flow aside")
@click.option("--sample", metavar="N", type=click.IntRange(1), help="so many of all combinations")
@click.option("--seed", metavar="S", type=click.IntRange(0, 2**31 - 1), help="of the sample (default: 1)")
@click.option(
    "--gaps", metavar="SHARE", default="10%", show_default=True,
    help="leave out a year with more of its days without temperatures, rain or forecast",
)  # fmt: skip
@click.option(
    "--gardens", metavar="DIR", type=click.Path(path_type=Path),
    help="each garden.yaml one folder below DIR; FILE of --weather beside it, if it is there",
)  # fmt: skip
@click.option(
    "--keep", metavar="FILE", type=click.Path(path_type=Path),
    help="where finished seasons are kept (default: study.db in the data folder)",
)  # fmt: skip
@click.option(
    "--workers", metavar="N", type=click.IntRange(0),
    help="processes of this machine (default: one a processor; 0: none but this one)",
)  # fmt: skip
@click.option("--cluster", metavar="ADDRESS", help="a Dask scheduler whose workers carry the seasons")
@click.option("--dry-run", is_flag=True, help="say how many seasons it is, and about how long it takes")
@click.option("--json", "as_json", is_flag=True, help="print the answer as JSON")
@click.option("--csv", "as_csv", is_flag=True, help="print a row for each variant and year")
@click.option(
    "--parquet", metavar="FILE", type=click.Path(path_type=Path), help="write the same rows as Parquet"
)
@plot_option("the years of each variant, and a map where two keys are varied")
@common.place_options
@click.pass_context
def command(
    ctx: click.Context,
    file: Path | None,
    vary: tuple[str, ...],
    weather: Path | None,
    years: str | None,
    foresight: str | None,
    forecast: Path | None,
    unlimited: bool,
    sample: int | None,
    seed: int | None,
    gaps: str,
    gardens: Path | None,
    keep: Path | None,
    workers: int | None,
    cluster: str | None,
    dry_run: bool,
    as_json: bool,
    as_csv: bool,
    parquet: Path | None,
    plot: Path | None,
) -> None:
    """What variants of the garden come to in many years: which supply, hours, days or trigger are enough.

    --vary supply.flow=3,4,5gpm --vary "supply.days=all,[mon, thu]": every combination is a variant, and the
    garden as it is comes first. Each season is that of `rowwater season`, its plantings laid into that year.
    What is finished is kept: the same command goes on where it was broken off.
    Exit status 3 where variants, years or gardens had to be left out.
    """
    wish = _wish(file, vary, years, foresight, forecast, unlimited, sample, seed, gaps)
    from scheduler.study.statistics import can_resample

    if workers is not None and cluster is not None:
        raise BadInput("--workers and --cluster: one of them carries the seasons")
    asked = _Asked(
        wish, weather, forecast, gardens, keep or common.data_folder() / "study.db", workers, cluster
    )
    if not dry_run:
        _write_rows(asked, parquet, as_csv=as_csv)
    page = asked.dry_run() if dry_run else asked.answer()
    if not can_resample() and any(len(garden["variants"]) > 1 for garden in page["gardens"]):
        click.echo(f"rowwater: without scipy nothing is said of differences - {EXTRA}", err=True)
    if weather is None:
        _hint_at_history(page)
    if as_json:
        common.print_json(page)
    elif dry_run or not as_csv:
        from scheduler.cli.text.study import study_text

        click.echo(study_text(page, asked.display, common.terminal_width()))
    if plot and not dry_run:
        from scheduler.drawings.study import study as drawn

        write_plot(plot, drawn("study", page, asked.display))
    ctx.exit(EXIT_LOOK if _look(page) else 0)


def _wish(
    file: Path | None,
    vary: Sequence[str],
    years: str | None,
    foresight: str | None,
    forecast: Path | None,
    unlimited: bool,
    sample: int | None,
    seed: int | None,
    gaps: str,
) -> Wish:
    """What stands on the command line before what stands in the file."""
    from scheduler.study.file import Asked, read
    from scheduler.study.plan import Wish
    from scheduler.study.seasons import How
    from scheduler.study.variants import each_once, typed

    there = read(file) if file else Asked((), ())
    axes = (*there.axes, *(typed(option, n) for n, option in enumerate(vary, 1)))
    each_once(axes)
    mode = there.foresight or "none" if foresight is None else foresight
    if (mode == "forecast") != (forecast is not None):
        raise BadInput("--foresight forecast and --forecast FILE go together", hint=common.FORECAST_HINT)
    if unlimited and mode != "none":
        raise BadInput("--unlimited goes with --foresight none only")
    return Wish(
        axes=axes,
        named=there.variants,
        years=there.years if years is None else years,
        how=How(mode, unlimited),  # type: ignore[arg-type]  # click and the file's block let no other word in
        most_gaps=common.quantity("fraction", gaps, "metric", option="--gaps"),
        sample=there.sample if sample is None else sample,
        seed=next(one for one in (seed, there.seed, 1) if one is not None),
    )


class _Asked:
    """Gardens to study, one after another, and who carries their seasons."""

    def __init__(
        self,
        wish: Wish,
        weather: Path | None,
        forecast: Path | None,
        folder: Path | None,
        keep: Path,
        workers: int | None,
        cluster: str | None,
    ) -> None:
        self._wish, self._weather, self._forecast, self._keep = wish, weather, forecast, keep
        self._workers, self._cluster = workers, cluster
        self._carry: Carry | None = None
        self._common: Record | None = None  # of gardens without a weather file of their own
        self._many = folder is not None
        self._files = [common.config_path()] if folder is None else _gardens_below(folder)
        if self._many and weather is None:
            raise BadInput("--gardens goes with --weather FILE")
        self.display: Display = "metric"
        self._bad: list[StudyBadGarden] = []
        self._gardens: list[StudyGarden] | None = None

    @property
    def _together(self) -> int:
        """Seasons in one piece of work."""
        how = self._wish.how
        return MANY if how.unlimited else TOGETHER[how.mode]

    def run(self) -> Iterator[Iterator[StudySeason]]:
        """Runs what is left to run; a garden's seasons, one garden after another."""
        from scheduler.pages.study import garden_page, season_rows
        from scheduler.study.kept import opened

        self._gardens = []
        with opened(self._keep) as kept, ExitStack() as stack:
            kept.drop_of_others()
            for path, study in self._studies():
                answer = self._carried_out(study, kept, self._carrier(study, stack))
                self._gardens.append(garden_page(study, answer, kept, path, self._wish.seed))
                yield season_rows(study, answer, kept)

    def answer(self) -> StudyPage:
        """Of what was run, or is now."""
        from scheduler.pages.study import study_page

        if self._gardens is None:
            for _ in self.run():
                pass
        return study_page(self._wish.how, self._wish.axes, self._gardens or (), self._bad, self._sample())

    def _carried_out(self, study: Study, kept: Kept, carry: Carry) -> Answer:
        from scheduler.study.cluster import BrokenOff
        from scheduler.study.study import carried_out

        with _progress(study.seasons) as done:
            try:
                return carried_out(study, kept, carry, together=self._together, done=done)
            except KeyboardInterrupt:
                raise CouldNot("stopped; finished seasons are kept", hint=f"go on with: {_again()}") from None
            except BrokenOff as error:
                before = f"{error.hint}; " if error.hint else ""
                raise CouldNot(
                    f"{error.text}; finished seasons are kept", hint=f"{before}go on with: {_again()}"
                ) from None

    def _carrier(self, study: Study, stack: ExitStack) -> Carry:
        """Who carries the seasons: this process where they are few, or nobody else is there."""
        from scheduler.study import cluster
        from scheduler.study.study import one_by_one

        if self._carry is None:
            if self._workers == 0 or (self._workers is None and not self._cluster and self._are_few(study)):
                return one_by_one
            if not cluster.is_there():
                if self._cluster:
                    raise CouldNot("--cluster needs Dask", hint=EXTRA)
                click.echo(f"rowwater: without Dask one season after another is run - {EXTRA}", err=True)
                self._carry = one_by_one
            elif self._cluster:
                self._carry = stack.enter_context(cluster.elsewhere(self._cluster, _tell))
            else:
                self._carry = stack.enter_context(cluster.local(self._workers or os.cpu_count() or 1, _tell))
        return self._carry

    def _are_few(self, study: Study) -> bool:
        """So few that they are done before other processes have begun."""
        return not self._many and study.seasons < FEW_PIECES * self._together

    def dry_run(self) -> StudyPage:
        from scheduler.pages.study import study_page
        from scheduler.study import cluster
        from scheduler.study.plan import seconds_a_season

        seasons, each, workers = 0, 0.0, 1
        for _, study in self._studies():
            seasons += study.seasons
            each = each or seconds_a_season(study, self._together)
            if cluster.is_there() and not self._are_few(study):
                workers = (os.cpu_count() or 1) if self._workers is None else max(self._workers, 1)
        page = study_page(self._wish.how, self._wish.axes, [], self._bad, self._sample())
        page["dry_run"] = {
            "seasons": seasons, "seconds_a_season": round(each, 6), "workers": workers,
            "seconds": round(seasons * each / workers, 3),
        }  # fmt: skip
        return page

    def _studies(self) -> Iterator[tuple[Path, Study]]:
        """Each garden's; of several the bad ones are put aside."""
        from scheduler.study.plan import study_of

        for path in self._files:
            try:
                study = study_of(path, self._wish, self._record(path))
            except BadInput as error:
                if not self._many:
                    raise
                complaints = error.complaints if isinstance(error, BadGarden) else error.text.splitlines()
                where = f"{path.parent.name}/"
                self._bad.append({"file": str(path), "complaints": [_located(where, c) for c in complaints]})
            else:
                self.display = study.garden.display
                yield path, study

    def _record(self, path: Path) -> Record:
        from scheduler.study.seasons import Record
        from scheduler.weather.files import daily, forecast

        if self._weather is None:
            return Record(_on_record())
        beside = path.parent / self._weather.name
        own = self._many and beside.exists()
        if self._common is None or own:
            issues = forecast.read(self._forecast) if self._forecast else None
            found = Record(daily.read(beside if own else self._weather), issues)
            if own:
                return found
            self._common = found
        return self._common

    def _sample(self) -> StudySample | None:
        from scheduler.study.variants import size

        wish, combinations = self._wish, size(self._wish.axes)
        if wish.sample is None:
            return None
        if combinations <= wish.sample:
            click.echo(f"rowwater: --sample {wish.sample}: all {combinations} combinations are run", err=True)
            return None
        return {"count": wish.sample, "combinations": combinations, "seed": wish.seed}


def _located(where: str, complaint: str) -> str:
    """A complaint about a file of this name in one of many folders."""
    return where + complaint if complaint.startswith(("garden.yaml", "crops.yaml")) else complaint


def _gardens_below(folder: Path) -> list[Path]:
    found = sorted(folder.glob("*/garden.yaml"))
    if not found:
        raise BadInput(f"--gardens {folder}: no garden.yaml one folder below it")
    return found


def _on_record() -> WeatherDays:
    """What sources and gauge said of all days before today."""
    from scheduler.clock import site_now
    from scheduler.planning.weather import on_record

    garden = common.garden()
    now = site_now(garden.location.timezone)
    with common.store(now) as store:
        found = on_record(garden, store, now.date())
    if found is None:
        raise BadInput(
            "no weather is on record",
            hint="`rowwater history --years 30` fetches past years; --weather FILE names a file of them",
        )
    return found


def _hint_at_history(page: StudyPage) -> None:
    """Where past years are not on record, how they get there."""
    from scheduler.clock import site_now

    left = [one["year"] for garden in page["gardens"] for one in garden["left_out"]]
    count = site_now(common.garden().location.timezone).year - min(left, default=9999)
    if count > 0:
        click.echo(f"rowwater: `rowwater history --years {count}` fetches what the record lacks", err=True)


def _tell(text: str) -> None:
    click.echo(f"rowwater: {text}", err=True)


@contextmanager
def _progress(seasons: int) -> Iterator[Callable[[int], None]]:
    """A bar where a person looks on."""
    if not (sys.stderr.isatty() and seasons > 1):
        yield lambda _: None
        return
    with click.progressbar(length=seasons, label="seasons", file=sys.stderr) as bar:
        yield bar.update


def _again() -> str:
    return shlex.join(["rowwater", *sys.argv[1:]])


def _write_rows(asked: _Asked, parquet: Path | None, *, as_csv: bool) -> None:
    """Runs the study where its rows are wanted."""
    from scheduler.shapes.study import StudySeason
    from scheduler.study import parquet as parquet_file

    if not (parquet or as_csv):
        return
    if parquet:
        parquet_file.check()
    rows: Iterator[StudySeason] = chain.from_iterable(asked.run())
    rows = parquet_file.through(parquet, rows) if parquet else rows
    if as_csv:
        common.print_csv(rows, list(StudySeason.__annotations__))
    else:
        for _ in rows:
            pass


def _look(page: StudyPage) -> bool:
    """Whether anything had to be left out."""
    gardens = page["gardens"]
    left = any(garden["left_out"] or garden["impossible"] for garden in gardens)
    return bool(page["bad_gardens"]) or left or any(v["not_run"] for g in gardens for v in g["variants"])
