"""Which document a run gets: a test sheet, or the report of an isolation."""

from __future__ import annotations

from rig.records.model import RunRecord
from rig.records.store import Store
from rig.sheets.document import Document
from rig.sheets.letterhead import Letterhead


def document_of(
    store: Store, record: RunRecord, letterhead: Letterhead, paper: str = ""
) -> Document:
    """Return a run's document; raises RecordsError if the records cannot be read."""
    if record.isolation is not None:
        from rig.sheets.isolation_report import report_of

        return report_of(store, record, letterhead, paper)
    from rig.sheets.run_sheet import sheet_of

    return sheet_of(store, record, letterhead, paper)
