"""Films: one of a view is used, changes need their version, files nobody refers to are known. On both databases."""

from __future__ import annotations

import io
from typing import Any

import pytest
from filled_records import Records

from midstance.errors import ConflictError, NotFoundError, OptionError, RecordsError
from midstance.records import films, journal, sessions
from midstance.records.erasing import GRACE_S, tidy
from midstance.records.tables import JobRow


def kept(records: Records) -> list[str]:
    return list(records.store.all())


def test_a_later_film_of_a_view_is_used_instead(records: Records) -> None:
    session = records.session(records.runner())
    first, rear = records.film(session, b"one"), records.film(session, b"rear", view="rear")
    second = records.film(session, b"two")
    with records.database.reading() as db:
        found = [(f.id, f.used, f.view) for f in films.films_of(db, session.id)]
    assert found == [(first.id, False, "side"), (rear.id, True, "rear"), (second.id, True, "side")]
    with records.database.writing() as db:
        films.change_film(db, first.id, {"used": True}, version=2, by="Eva")
    with records.database.reading() as db:
        assert [(f.used, f.version) for f in films.films_of(db, session.id)] == [(True, 3), (True, 1), (False, 2)]
    with records.database.writing() as db:  # a rear film that was a side film all along
        films.change_film(db, rear.id, {"view": "side"}, version=1, by="Eva")
    with records.database.reading() as db:
        assert [f.used for f in films.films_of(db, session.id)] == [False, True, False]


def test_what_a_person_says_of_a_film(records: Records) -> None:
    film = records.film(records.session(records.runner()))
    said: dict[str, Any] = {
        "capture_fps": 240, "start_s": 1.5, "end_s": 9, "runner_x": 0.5, "readout_s": 0.016,
        "known_lengths": [{"first_px": [1, 2], "second_px": [100, 2], "length_m": 1.6}], "marks": {"roll_deg": 1.5},
    }  # fmt: skip
    with records.database.writing() as db:
        changed = films.change_film(db, film.id, said, version=1, by="Eva")
        assert (changed.version, changed.capture_fps, changed.end_s) == (2, 240.0, 9.0)
    with records.database.reading() as db:
        again = films.get_film(db, film.id)
    assert again.marks == {"roll_deg": 1.5}
    assert again.known_lengths == [{"first_px": [1.0, 2.0], "second_px": [100.0, 2.0], "length_m": 1.6}]
    for wrong, where in (
        ({"end_s": 1.0}, "start_s, end_s"), ({"start_s": 9.0}, "start_s, end_s"), ({"start_s": -1}, "start_s"),
        ({"view": "top"}, "view"), ({"capture_fps": 0}, "capture_fps"), ({"sha256": "0" * 64}, "'sha256'"),
        ({"runner_x": 2, "readout_s": 1}, "runner_x, readout_s"), ({"marks": {"roll_deg": 99}}, "marks"),
    ):  # fmt: skip
        with pytest.raises(OptionError) as caught, records.database.writing() as db:
            films.change_film(db, film.id, wrong, version=2, by="Eva")
        assert caught.value.where == where
    with pytest.raises(ConflictError) as conflict, records.database.writing() as db:
        films.change_film(db, film.id, {"runner_x": 0.1}, version=1, by="Ben")
    assert conflict.value.current["runner_x"] == 0.5


def test_a_conflict_puts_no_other_film_aside(records: Records) -> None:
    session = records.session(records.runner())
    first, second = records.film(session, b"one"), records.film(session, b"two")
    with pytest.raises(ConflictError), records.database.writing() as db:
        films.change_film(db, first.id, {"used": True}, version=1, by="Eva")
    with records.database.reading() as db:
        assert films.get_film(db, second.id).used


def test_what_the_container_says_is_no_change_by_a_person(records: Records) -> None:
    film = records.film(records.session(records.runner()))
    with records.database.writing() as db:
        films.set_info(db, film.id, {"frames": 300, "duration_s": float("nan"), "codec": "h264\0"})
    with records.database.writing() as db:
        row = films.change_film(db, film.id, {"runner_x": 0.5}, version=1, by="Eva")
        assert row.info == {"frames": 300, "duration_s": None, "codec": "h264\ufffd"}


def test_a_film_that_cannot_be_added_leaves_no_file(records: Records) -> None:
    session = records.session(records.runner())
    for arguments in ({"view": "top", "name": "x"}, {"view": "side", "name": "a\0"}):
        with pytest.raises(OptionError):
            films.bring_film(records.database, records.store, session.id, io.BytesIO(b"film"), by="Coach", **arguments)
    with records.database.writing() as db:
        sessions.remove_session(db, session.id, by="Coach")
    with pytest.raises(NotFoundError):
        records.film(session)
    assert kept(records) == []
    assert list(records.home.incoming.iterdir()) == []


def test_a_session_that_goes_while_its_film_comes(records: Records) -> None:
    """The film isn't added, and its file doesn't stay; one that another session has stays."""
    runner = records.runner()
    session, other = records.session(runner), records.session(runner)
    shared = records.film(other, b"shared")

    def blocks(content: bytes) -> Any:
        yield content
        with records.database.writing() as db:
            sessions.remove_session(db, session.id, by="Eva")

    with pytest.raises(NotFoundError):
        films.bring_film(records.database, records.store, session.id, blocks(b"mine"), view="side", name="x", by="Coach")
    assert kept(records) == [shared.sha256]
    session = records.session(runner)
    with pytest.raises(NotFoundError):
        films.bring_film(records.database, records.store, session.id, blocks(b"shared"), view="side", name="x", by="Coach")
    assert kept(records) == [shared.sha256]


def test_a_film_whose_file_has_gone_is_not_added(records: Records) -> None:
    session = records.session(records.runner())
    stored = records.store.take([b"film"])
    records.store.remove(stored.sha256)
    with pytest.raises(NotFoundError, match="not in the media store"), records.database.writing() as db:
        films.add_film(
            db, session.id, sha256=stored.sha256, bytes=4, view="side", name="x", by="Coach", store=records.store
        )


def test_a_full_disk_is_told(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    session = records.session(records.runner())
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordsError, match="No space left on device"):
        records.film(session)
    monkeypatch.undo()
    assert kept(records) == []


def test_removing_a_film(records: Records) -> None:
    session = records.session(records.runner())
    film, rear = records.film(session, b"side"), records.film(session, b"rear", view="rear")
    with records.database.writing() as db:
        db.add(JobRow(number=1, kind="read", state="running", film_id=film.id))
    with pytest.raises(ConflictError, match="at work on this film"), records.database.writing() as db:
        films.remove_film(db, film.id, by="Eva")
    with records.database.writing() as db:
        films.remove_film(db, rear.id, by="Eva")  # nobody is at work on that one
        assert films.media_unused(db) == [rear.sha256]
        entry = journal.journal_of(db, subject_id=rear.id).items[0]
        assert (entry.what, entry.detail) == ("film removed", {"view": "rear", "name": "IMG_1.MOV"})
    assert rear.sha256 in kept(records)
    assert tidy(records.home, records.database)["films"] == 1
    assert kept(records) == [film.sha256]


def test_clearing_away_what_belongs_to_nothing(records: Records) -> None:
    import os
    import time

    session = records.session(records.runner())
    film = records.film(session)
    report = records.assessment(session)
    home = records.home
    mine = (home.proxy(film.sha256), home.reading(film.id), home.result(report.id))
    others = (home.proxy("ab" * 32), home.reading("ab" * 8), home.result("cd" * 8))
    for folder in (*mine, *others):
        folder.mkdir(parents=True)
        (folder / "file").write_text("x")
    coming, old = records.store.take([b"coming"]), records.store.take([b"old"])
    long_ago = time.time() - GRACE_S - 10
    os.utime(records.store.path(old.sha256), (long_ago, long_ago))
    (home.root / "results" / ".making-worker").mkdir()
    os.utime(home.root / "results" / ".making-worker", (long_ago, long_ago))
    assert tidy(home, records.database) == {"films": 1, "proxies": 1, "readings": 1, "results": 1}
    assert all(folder.is_dir() for folder in mine)
    assert not any(folder.exists() for folder in others)
    assert sorted(kept(records)) == sorted([film.sha256, coming.sha256])
    assert (home.root / "results" / ".making-worker").is_dir()  # of a job under way
    assert tidy(home, records.database) == {"films": 0, "proxies": 0, "readings": 0, "results": 0}
