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
from scheduler.store.opening import SHIPPED, Setup
from scheduler.store.store import Store
from scheduler.store.tables import HEAD, metadata

LATER = """
from alembic import op

revision = "0003"
down_revision = "0002"
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
    (scripts / "versions" / "0003_later.py").write_text(LATER)
    return Setup(scripts, "0003")


def test_an_older_database_is_copied_then_upgraded(path: Path, later: Setup) -> None:
    keep_a_season(path)
    with Store.open(path, now=NOW) as store:
        before = store.applied(DAY - timedelta(days=60), DAY)
    with Store.open(path, now=NOW, setup=later) as store:
        assert not store.replaced
        assert len(store.notices) == 1
        assert "rowwater.db.before-0003" in store.notices[0]
        assert store.applied(DAY - timedelta(days=60), DAY) == before
        assert store.first_day == DAY - timedelta(days=50)
        store.add_applied(water("beans"))
    assert "meters" in tables_of(path)
    with closing(sqlite3.connect(path)) as plain:
        with pytest.raises(sqlite3.IntegrityError, match="never edited"):
            plain.execute("DELETE FROM applied")
        assert plain.execute("SELECT count(seen_by), count(*) FROM applied").fetchone() == (0, 51)
    assert names(path.parent) == ["rowwater.db", "rowwater.db.before-0003"]
    with Store.open(path, now=NOW, setup=later) as store:
        assert store.notices == ()
    # the copy is a whole database of the earlier version
    with Store.open(path.with_name("rowwater.db.before-0003"), now=NOW) as copy:
        assert copy.notices == ()
        assert copy.applied(DAY - timedelta(days=60), DAY) == before
    assert "meters" not in tables_of(path.with_name("rowwater.db.before-0003"))
    # and the earlier program leaves the upgraded one alone
    with pytest.raises(CouldNot, match="newer version"):
        Store.open(path, now=NOW)


def test_a_row_still_in_the_log_is_upgraded_too(path: Path, later: Setup) -> None:
    with Store.open(path, now=NOW) as store:
        store.add_applied(water())
        with Store.open(path, now=NOW, setup=later) as upgraded:
            assert upgraded.applied(DAY, DAY) == [water()]
    with Store.open(path.with_name("rowwater.db.before-0003"), now=NOW) as copy:
        assert copy.applied(DAY, DAY) == [water()]


def test_an_upgrade_that_fails_changes_nothing(path: Path, later: Setup) -> None:
    keep_a_season(path)
    script = later.scripts / "versions" / "0003_later.py"
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
    assert copies == ["rowwater.db.before-0003", "rowwater.db.before-0003-20260612T040000"]


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
            context = MigrationContext.configure(connection, opts={"compare_type": True})
            assert compare_metadata(context, metadata) == []
    finally:
        engine.dispose()
