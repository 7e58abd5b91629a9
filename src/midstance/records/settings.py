"""Settings of the workbench, such as the name that stands for "who" while nobody signs in."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import delete
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from midstance.records import fields as f
from midstance.records import journal
from midstance.records.tables import SettingRow

_KEY = f.text(40, least=1)
#: Settings with a meaning of their own, and what they may be; others take any small JSON.
_CHECKS: dict[str, f.Check] = {"coach": f.person}


def get_setting(db: Session, key: str, default: Any = None) -> Any:
    """Return a setting, ``default`` where it was never set."""
    row = db.get(SettingRow, key)
    return default if row is None else row.value


def set_setting(db: Session, key: str, value: Any, *, by: str = "") -> None:
    """Keep a setting; None takes it away.

    Raises
    ------
    OptionError
        The value can't be kept.
    """
    check = _CHECKS.get(key, _small_json)
    f.checked({"key": key}, {"key": _KEY})
    clean = f.checked({key: value}, {key: check})[key] if value is not None else None
    if clean is None:
        db.execute(delete(SettingRow).where(SettingRow.key == key))
    else:
        insert = postgresql.insert if db.get_bind().dialect.name == "postgresql" else sqlite.insert
        new = insert(SettingRow).values(key=key, value=clean)
        db.execute(new.on_conflict_do_update(index_elements=["key"], set_={"value": new.excluded.value}))
    held = db.identity_map.get(db.identity_key(SettingRow, key))
    if held is not None:
        db.expire(held)
    if by:
        journal.note(db, "setting changed", by=by, detail={"key": key})


def _small_json(value: Any) -> Any:
    try:
        size = len(json.dumps(value, allow_nan=False))
    except (TypeError, ValueError, RecursionError):
        raise f.Fault("it isn't JSON", "text, numbers, true, false, lists and objects of them") from None
    if size > f.MAX_JSON_BYTES:
        raise f.Fault("it is too large", f"up to {f.MAX_JSON_BYTES // 1000} kB")
    return f.plain(value)
