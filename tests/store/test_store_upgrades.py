"""An older database comes to the newest revision with every row, and a copy is kept."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from store.samples import DAY, NOW, keep_a_season, names, tables_of, water

from scheduler.errors import CouldNot
from scheduler.store import migrate
from scheduler.store.opening import HEAD, SHIPPED, TABLES, Setup
from scheduler.store.store import Store
from scheduler.store.tables import metadata

LATER = """
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("ALTER TABLE applied ADD COLUMN seen_by TEXT")
    op.execute("CREATE TABLE meters (id INTEGER PRIMARY KEY) STRICT")
"""


@pytest.fixture
def later(tmp_path: Path) -> Setup:
    """The shipped revisions and one more."""
    scripts = tmp_path / "100% later" / "migrations"
    shutil.copytree(SHIPPED.scripts, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "0004_later.py").write_text(LATER)
    return Setup(scripts, "0004")


def test_an_older_database_is_copied_then_upgraded(path: Path, later: Setup) -> None:
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        before = store.applied(DAY - timedelta(days=60), DAY)
    with Store.open(path, now=NOW, setup=later) as store:
        assert not store.replaced
        assert len(store.notices) == 1
        assert "rowwater.db.before-0004" in store.notices[0]
        assert store.applied(DAY - timedelta(days=60), DAY) == before
        assert store.first_day == DAY - timedelta(days=50)
        store.add_applied(water("beans"))
    assert "meters" in tables_of(path)
    with closing(sqlite3.connect(path)) as plain:
        with pytest.raises(sqlite3.IntegrityError, match="never edited"):
            plain.execute("DELETE FROM applied")
        assert plain.execute("SELECT count(seen_by), count(*) FROM applied").fetchone() == (0, 51)
    assert names(path.parent) == ["rowwater.db", "rowwater.db.before-0004"]
    with Store.open(path, now=NOW, setup=later) as store:
        assert store.notices == ()
    # the copy is a whole database of the earlier version
    with Store.open(path.with_name("rowwater.db.before-0004"), now=NOW) as copy:
        assert copy.notices == ()
        assert copy.applied(DAY - timedelta(days=60), DAY) == before
    assert "meters" not in tables_of(path.with_name("rowwater.db.before-0004"))
    # and the earlier program leaves the upgraded one alone
    with pytest.raises(CouldNot, match="newer version"):
        Store.open(path, now=NOW)


def test_a_row_still_in_the_log_is_upgraded_too(path: Path, later: Setup) -> None:
    with Store.open(path, now=NOW) as store:
        store.add_applied(water())
        with Store.open(path, now=NOW, setup=later) as upgraded:
            assert upgraded.applied(DAY, DAY) == [water()]
    with Store.open(path.with_name("rowwater.db.before-0004"), now=NOW) as copy:
        assert copy.applied(DAY, DAY) == [water()]


def test_an_upgrade_that_fails_changes_nothing(path: Path, later: Setup) -> None:
    keep_a_season(path)
    script = later.scripts / "versions" / "0004_later.py"
    script.write_text(LATER + '    raise OSError(28, "No space left on device")\n')
    before = tables_of(path)
    with pytest.raises(CouldNot, match="no room left"):
        Store.open(path, now=NOW, setup=later)
    assert tables_of(path) == before
    with Store.open(path, now=NOW) as store:
        assert len(store.applied(DAY - timedelta(days=60), DAY)) == 50
    script.write_text(LATER)
    with Store.open(path, now=NOW, setup=later) as store:
        assert len(store.applied(DAY - timedelta(days=60), DAY)) == 50
    # the copy of the failed attempt is kept beside that of the second
    copies = [name for name in names(path.parent) if ".before-" in name]
    assert copies == ["rowwater.db.before-0004", "rowwater.db.before-0004-20260612T040000"]


def test_a_first_start_goes_through_every_revision(path: Path, later: Setup) -> None:
    with Store.open(path, now=NOW, setup=later) as store:
        assert store.notices == ()
    assert "meters" in tables_of(path)
    assert names(path.parent) == ["rowwater.db"]


def test_the_newest_revision_is_the_one_the_program_names() -> None:
    assert ScriptDirectory(str(SHIPPED.scripts)).get_heads() == [HEAD]


def test_the_tables_of_the_queries_are_those_of_the_revisions(path: Path) -> None:
    """By alembic's own comparison of columns, types, nullability and indexes."""
    Store.open(path, now=NOW).close()
    engine = create_engine(f"sqlite:///{path}")
    try:
        with engine.connect() as connection:
            ours = {"compare_type": True, "include_name": _known_to_queries}
            assert compare_metadata(MigrationContext.configure(connection, opts=ours), metadata) == []
    finally:
        engine.dispose()


def _known_to_queries(name: str | None, kind: str, _: object) -> bool:
    return kind != "table" or name in metadata.tables


def test_an_opening_looks_for_every_table(path: Path) -> None:
    Store.open(path, now=NOW).close()
    assert tables_of(path) == {*TABLES, "alembic_version"}


EARLIER = """
INSERT INTO plans (day, made_at, inputs, page, working)
VALUES (?, '2026-06-11T07:00:00.000000+00:00', ?, '{"runs": [], "n": 1}', '{"shared": ["\u00e9"]}')
"""


def test_plans_kept_as_text_are_packed_and_read(path: Path) -> None:
    """A database of revision 0002: made by its own scripts, filled with plain SQL."""
    path.parent.mkdir()
    with migrate.writing(path, 1.0) as connection:
        migrate.upgrade(connection, SHIPPED.scripts, "0002")
        days = [(DAY - timedelta(days=back)).isoformat() for back in (1, 0, 0)]
        for number, day in enumerate(days):
            connection.exec_driver_sql(EARLIER, (day, str(number)))
    with Store.open(path, now=NOW) as store:
        assert "from revision 0002" in store.notices[0]
        plans = store.plans(DAY - timedelta(days=1), DAY)
        assert [(plan.day, plan.inputs) for plan in plans] == [(DAY - timedelta(days=1), "0"), (DAY, "2")]
        assert plans[0].page == {"runs": [], "n": 1}
        assert store.working(plans[1]) == {"shared": ["\u00e9"]}
    assert names(path.parent) == ["rowwater.db", "rowwater.db.before-0003"]
    with closing(sqlite3.connect(path.with_name("rowwater.db.before-0003"))) as copy:
        assert copy.execute("SELECT page FROM plans").fetchall() == [('{"runs": [], "n": 1}',)] * 3
    with closing(sqlite3.connect(path)) as plain:
        for edit in ("DELETE FROM plans", "UPDATE plans SET inputs = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="never edited"):
                plain.execute(edit)
