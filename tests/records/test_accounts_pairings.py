"""Accounts, logins, pairings, settings. On both databases."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from argon2 import Type, extract_parameters
from filled_records import Records
from sqlalchemy import select

from midstance.errors import ConflictError, NotAllowedError, NotFoundError, OptionError
from midstance.records import accounts, journal, pairings, settings
from midstance.records.dumping import rows, snapshot, tables
from midstance.records.tables import AccountRow, LoginRow, PairingRow, now

PASSWORD = "four brown shoes run"


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test begins with no wrong passwords."""
    monkeypatch.setattr(accounts, "slowdown", accounts.Slowdown())


def everything(records: Records) -> str:
    """All rows of all tables as text."""
    with snapshot(records.database) as connection:
        return "\n".join(str(row) for table in tables() for row in rows(connection, table))


def test_signing_in_and_out(records: Records) -> None:
    with records.database.writing() as db:
        assert not accounts.has_accounts(db)
        accounts.add_account(db, "Eva", PASSWORD, by="Coach")
        assert accounts.has_accounts(db)
        key = accounts.sign_in(db, "Eva", PASSWORD)
        second = accounts.sign_in(db, " Eva ", PASSWORD)
    assert key != second
    with records.database.reading() as db:
        who = accounts.who_is(db, key)
        assert who is not None
        assert who.name == "Eva"
        for wrong in ("", "x", key[:-1], key + "x", "\0", "\ud800", "é" * 300):
            assert accounts.who_is(db, wrong) is None
    with records.database.writing() as db:
        accounts.sign_out(db, key)
        accounts.sign_out(db, "never there")
        assert accounts.who_is(db, key) is None
        assert accounts.who_is(db, second) is not None


def test_neither_password_nor_key_is_kept(records: Records) -> None:
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)
        key = accounts.sign_in(db, "Eva", PASSWORD)
        kept = db.scalars(select(AccountRow.password_hash)).one()
    text = everything(records)
    assert PASSWORD not in text
    assert key not in text
    # RFC 9106, section 4, second recommended option: argon2id, t = 3, p = 4, 64 MiB.
    found = extract_parameters(kept)
    assert (found.type, found.time_cost, found.parallelism, found.memory_cost) == (Type.ID, 3, 4, 65536)


@pytest.mark.parametrize(
    ("name", "password"),
    [("Eva", "wrong password"), ("Nobody", PASSWORD), ("", ""), ("\0", "\0"), ("\ud800", "\ud800"),
     ("x" * 10**6, "y" * 10**6), ("Eva", "\ud800" * 12)],
)  # fmt: skip
def test_the_same_words_whatever_is_wrong(records: Records, name: str, password: str) -> None:
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)
    with pytest.raises(NotAllowedError) as caught, records.database.writing() as db:
        accounts.sign_in(db, name, password)
    assert caught.value.what == "name or password are wrong"


def test_an_unknown_name_takes_as_much_work(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each try costs one hash with the same parameters, so that time doesn't tell who has an account."""
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)
    worked: list[Any] = []
    real = accounts._hasher.verify

    class Counting:
        def __getattr__(self, name: str) -> Any:
            return getattr(real.__self__, name)

        def verify(self, kept: str, password: bytes) -> bool:
            worked.append(extract_parameters(kept))
            return bool(real(kept, password))

    monkeypatch.setattr(accounts, "_hasher", Counting())
    for name in ("Eva", "Nobody"):
        with pytest.raises(NotAllowedError), records.database.writing() as db:
            accounts.sign_in(db, name, "wrong password")
    assert len(worked) == 2
    assert worked[0] == worked[1]


def test_wrong_passwords_slow_down(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    time = [1000.0]
    monkeypatch.setattr(accounts, "slowdown", accounts.Slowdown(lambda: time[0]))
    monkeypatch.setattr(accounts, "_fits", lambda kept, password: password == PASSWORD)
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)

    def attempt(password: str, name: str = "Eva") -> str:
        try:
            with records.database.writing() as db:
                return accounts.sign_in(db, name, password)
        except NotAllowedError as error:
            return error.what

    for _ in range(accounts.FREE_TRIES):
        assert attempt("wrong") == "name or password are wrong"
    waits = []
    for _ in range(8):
        assert attempt(PASSWORD).startswith("too many wrong passwords")  # even the right one
        wait = accounts.slowdown.wait_s(accounts._key("eva"))
        waits.append(wait)
        time[0] += wait
        assert attempt("wrong", "EVA" if len(waits) % 2 else "Eva") == "name or password are wrong"
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60]
    assert attempt(PASSWORD, "Ben").startswith("name or password")  # others don't wait
    time[0] += 60
    assert len(attempt(PASSWORD)) > 30
    assert accounts.slowdown.wait_s(accounts._key("Eva")) == 0


def test_names_tried_by_the_thousand_fill_no_memory() -> None:
    slow = accounts.Slowdown()
    for i in range(5000):
        slow.wrong(str(i))
    assert len(slow._wrong) == 2000


def test_a_login_runs_out(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)
        key = accounts.sign_in(db, "Eva", PASSWORD)
    later = now() + dt.timedelta(days=accounts.LOGIN_DAYS, seconds=1)
    monkeypatch.setattr(accounts, "now", lambda: later)
    with records.database.writing() as db:
        assert accounts.who_is(db, key) is None
        accounts.sign_in(db, "Eva", PASSWORD)
        assert len(db.scalars(select(LoginRow)).all()) == 1  # those that ran out are cleared away


def test_a_new_password_ends_all_logins(records: Records) -> None:
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", PASSWORD)
        key = accounts.sign_in(db, "Eva", PASSWORD)
        accounts.change_password(db, "Eva", "another long password")
        assert accounts.who_is(db, key) is None
    with pytest.raises(NotAllowedError), records.database.writing() as db:
        accounts.sign_in(db, "Eva", PASSWORD)
    with records.database.writing() as db:
        key = accounts.sign_in(db, "Eva", "another long password")
        accounts.remove_account(db, "Eva")
        assert accounts.who_is(db, key) is None
        for change in (accounts.remove_account, lambda d, n: accounts.change_password(d, n, PASSWORD)):
            with pytest.raises(NotFoundError):
                change(db, "Eva")


@pytest.mark.parametrize(
    "password",
    ["", "short", "x" * 9, "x" * 201, "aaaaaaaaaaaa", "Eva Maria May", "with\0zeros inside", "half \ud800 letters", None, 7],
)
def test_passwords_that_are_refused(records: Records, password: Any) -> None:
    with pytest.raises(OptionError) as caught, records.database.writing() as db:
        accounts.add_account(db, "Eva Maria May", password)
    assert caught.value.where == "password"
    assert "Eva" not in caught.value.what


def test_names_are_taken_once(records: Records) -> None:
    with records.database.writing() as db:
        accounts.add_account(db, "Zoë", PASSWORD)
        with pytest.raises(ConflictError, match="already"):
            accounts.add_account(db, "Zoe\u0308", PASSWORD)  # the same name, composed
        accounts.add_account(db, "Ben", PASSWORD)
        assert [a.name for a in accounts.list_accounts(db)] == ["Ben", "Zoë"]
    with pytest.raises(OptionError), records.database.writing() as db:
        accounts.add_account(db, "\u202eavE", PASSWORD)


def test_a_phone_is_let_in_once(records: Records) -> None:
    session = records.session(records.runner())
    with records.database.writing() as db:
        pairing, code = pairings.open_pairing(db, session.id, by="Coach")
        assert len(code) == 8
        assert not set(code) & set("ILO01")
        key = pairings.use_code(db, f" {code[:4].lower()}-{code[4:]} ")
        found = pairings.pairing_of(db, key)
        assert found is not None
        assert (found.id, found.session_id) == (pairing.id, session.id)
    with pytest.raises(NotAllowedError, match="isn't good"), records.database.writing() as db:
        pairings.use_code(db, code)
    text = everything(records)
    assert code not in text
    assert key not in text
    with records.database.writing() as db:
        pairings.end_pairing(db, pairing.id, by="Coach")
        pairings.end_pairing(db, pairing.id, by="Coach")
        assert pairings.pairing_of(db, key) is None
        assert pairings.pairings_of(db, session.id) == []


@pytest.mark.parametrize("code", ["", "ABCDEFGH", "x" * 10**5, "\0", "\ud800", None, 12345678, "%%%%%%%%"])
def test_codes_that_are_not_good(records: Records, code: Any) -> None:
    with pytest.raises(NotAllowedError), records.database.writing() as db:
        pairings.use_code(db, code)
    with records.database.reading() as db:
        assert pairings.pairing_of(db, str(code)) is None


def test_codes_and_keys_run_out(records: Records, monkeypatch: pytest.MonkeyPatch) -> None:
    session = records.session(records.runner())
    with records.database.writing() as db:
        _, old = pairings.open_pairing(db, session.id, by="Coach", minutes=5)
        _, code = pairings.open_pairing(db, session.id, by="Coach", minutes=5)
    with pytest.raises(NotAllowedError), records.database.writing() as db:
        pairings.use_code(db, old)  # the later code took its place
    start = now()
    monkeypatch.setattr(pairings, "now", lambda: start + dt.timedelta(minutes=6))
    with pytest.raises(NotAllowedError), records.database.writing() as db:
        pairings.use_code(db, code)
    with records.database.writing() as db:
        _, code = pairings.open_pairing(db, session.id, by="Coach", minutes=5)
        key = pairings.use_code(db, code)
    monkeypatch.setattr(pairings, "now", lambda: start + dt.timedelta(minutes=7 + pairings.KEY_MINUTES))
    with records.database.writing() as db:
        assert pairings.pairing_of(db, key) is None
    monkeypatch.setattr(pairings, "now", lambda: start + dt.timedelta(days=3))
    with records.database.writing() as db:
        pairings.open_pairing(db, session.id, by="Coach")
        assert len(db.scalars(select(PairingRow)).all()) == 1  # old ones are cleared away
        for minutes in (0, 121, True):
            with pytest.raises(OptionError):
                pairings.open_pairing(db, session.id, by="Coach", minutes=minutes)
        with pytest.raises(NotFoundError):
            pairings.open_pairing(db, "00112233445566aa", by="Coach")


def test_settings(records: Records) -> None:
    with records.database.writing() as db:
        assert settings.get_setting(db, "coach", "Coach") == "Coach"
        settings.set_setting(db, "coach", " Eva May ", by="Coach")
        settings.set_setting(db, "units", {"speed": "min/km", "on": [True, 1.5, None]})
        assert settings.get_setting(db, "coach") == "Eva May"
        settings.set_setting(db, "coach", "Ben")
        assert settings.get_setting(db, "coach") == "Ben"
    with records.database.writing() as db:
        assert settings.get_setting(db, "units") == {"speed": "min/km", "on": [True, 1.5, None]}
        settings.set_setting(db, "units", None)
        assert settings.get_setting(db, "units", 7) == 7
        assert [e.what for e in journal.journal_of(db)] == ["setting changed"]
        for key, value in (
            ("coach", "a\nb"), ("coach", 7), ("x", float("nan")), ("x", "y" * 300_000), ("x", {1, 2}), ("", 1),
            ("k" * 41, 1),
        ):  # fmt: skip
            with pytest.raises(OptionError):
                settings.set_setting(db, key, value)


def test_tables_hold_what_the_columns_allow(records: Records) -> None:
    """SQLite doesn't look at lengths: what it was given must fit into the columns of a server too."""
    with records.database.writing() as db:
        accounts.add_account(db, "x" * 80, "é" * 100 + "abc" * 30)
        assert len(db.scalars(select(AccountRow.password_hash)).one()) <= 200
