"""Study files of the version before, which kept entries in a log beside the file.

``format_1.study`` was written by the last commit of that version (55f173a), and ``.json`` is what
that commit read from it. ``format_1_killed.study`` and ``.log`` are the two files that a killed
program left, with two further entries in the log alone.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from store_cases import common_folder, nothing_writable

from doe.store import StudyFileError, StudyFileWarning, open_study

HERE = Path(__file__).parent / "references"
PLAIN = ["paste.study"]


def says(path: Path, read_only: bool) -> dict:
    with open_study(path, read_only=read_only) as file:
        study, history = file.read(), file.history()
    return {
        "title": study.brief.title,
        "table": json.loads(study.table().to_json(orient="split", double_precision=15)),
        "values": [[r.run, r.attempt, r.status, {k: v.hex() for k, v in r.measurements.items()},
                    r.qualifiers, r.settings, r.time, r.operator, r.remark, r.reason]
                   for r in study.records],
        "history": [[run, name, None if value != value else float(value).hex(), mark, reason]
                    for run, name, value, mark, reason in history[
                        ["run", "response", "value", "qualifier", "reason"]].values.tolist()],
        "trail": study.trail[["who", "what", "before", "after", "reason", "kind"]].values.tolist()}


def put(folder: Path, name: str, *, with_log: bool = False) -> Path:
    path = folder / "paste.study"
    shutil.copyfile(HERE / f"{name}.study", path)
    if with_log:
        shutil.copyfile(HERE / f"{name}.log", f"{path}-wal")
    return path


def beside(path: Path) -> list[str]:
    return sorted(p.name for p in path.parent.iterdir())


def journal_mode(path: Path) -> str:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("PRAGMA journal_mode").fetchone()[0]


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.parametrize(("name", "with_log"), [("format_1", False), ("format_1_killed", True)])
def test_it_says_what_it_said(tmp_path, name, with_log, read_only):
    path = put(tmp_path, name, with_log=with_log)
    assert says(path, read_only) == json.loads((HERE / f"{name}.json").read_text("utf-8"))
    assert beside(path) == PLAIN
    # Whoever copies the one file has all of it.
    alone = shutil.copyfile(path, tmp_path / "copy.study")
    assert says(alone, True) == json.loads((HERE / f"{name}.json").read_text("utf-8"))


def test_it_is_brought_over_when_opened_for_writing(tmp_path):
    path = put(tmp_path, "format_1")
    assert journal_mode(path) == "wal"
    with open_study(path) as file:
        assert beside(path) == PLAIN
        file.record(6, {"voids": 1})
        assert beside(path) == PLAIN
    assert journal_mode(path) == "delete"
    assert says(path, True)["values"][-1][0] == 6


def test_it_is_left_alone_while_the_older_version_has_it_open(tmp_path):
    path = put(tmp_path, "format_1")
    with closing(sqlite3.connect(path)) as older:
        older.execute("SELECT * FROM trail").fetchone()
        with pytest.raises(StudyFileError, match="open in another program too"):
            open_study(path, timeout=0)
        assert says(path, True)["values"]


@pytest.mark.parametrize(("name", "with_log"), [("format_1", False), ("format_1_killed", True)])
def test_it_is_read_where_nothing_may_be_written(name, with_log):
    with common_folder() as folder:
        path = put(folder, name, with_log=with_log)
        before = beside(path)
        with nothing_writable(folder):
            assert says(path, True) == json.loads((HERE / f"{name}.json").read_text("utf-8"))
            assert beside(path) == before


def test_a_restored_copy_is_not_undone_by_the_log_of_what_was_there(tmp_path):
    path = put(tmp_path, "format_1_killed", with_log=True)
    log = Path(f"{path}-wal")
    os.utime(log, (1e9, 1e9))  # the copy came later
    with pytest.raises(StudyFileError, match="it may be an older copy") as caught:
        open_study(path)
    assert f"move '{log.name}' to another folder" in caught.value.remedy
    with pytest.warns(StudyFileWarning, match="further entries"):
        found = says(path, True)
    assert found["values"] == json.loads((HERE / "format_1.json").read_text("utf-8"))["values"]
    assert beside(path) == ["paste.study", "paste.study-wal"]
    log.rename(tmp_path / "elsewhere")
    assert says(path, False) == found


def test_the_log_of_another_study_is_not_played_into_it(tmp_path):
    path = put(tmp_path, "format_1")
    with open_study(path) as file:  # brought over: it needs no log
        file.record(6, {"voids": 1})
    shutil.copyfile(HERE / "format_1_killed.log", f"{path}-wal")
    before = path.read_bytes()
    with pytest.warns(StudyFileWarning, match="it is left out"):
        assert says(path, True)["values"][-1][0] == 6
    with pytest.warns(StudyFileWarning, match="it was not applied and is kept as"):
        assert says(path, False)["values"][-1][0] == 6
    assert path.read_bytes() == before
    assert beside(path) == ["paste.study", "paste.study-wal.1.not-applied"]
