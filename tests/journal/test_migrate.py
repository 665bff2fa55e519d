"""Old records reach today's form by every step in between, in order."""

from __future__ import annotations

import pytest

from bridge.journal import migrate
from bridge.journal.codec import SCHEMA
from bridge.journal.migrate import migrated


def test_steps_are_taken_in_order_and_the_record_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        migrate, "STEPS", {1: lambda r: r | {"way": [*r["way"], 1]}, 2: lambda r: r | {"way": [*r["way"], 2]}}
    )
    record = {"way": []}
    assert migrated(record, 1, 3) == {"way": [1, 2]}
    assert migrated(record, 2, 3) == {"way": [2]}
    assert migrated(record, 3, 3) == {"way": []} == record


def test_every_form_from_the_first_to_todays_has_its_step() -> None:
    assert set(migrate.STEPS) == set(range(1, SCHEMA))


def test_a_form_without_a_way_is_refused() -> None:
    with pytest.raises(ValueError, match=f"no way is known from form {SCHEMA}"):
        migrated({}, SCHEMA, SCHEMA + 1)
