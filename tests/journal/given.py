"""Any fact at all, for laws."""

from __future__ import annotations

from tests.test_records import facts as any_fact

__all__ = ["any_fact"]
