"""
The one SQLite file that holds the record.

Readings come in by windows (`Store.append_window`, the daemon) or chunks
(`Store.import_rows`), rest in compressed blocks with minute summaries, and go out as a
`TripRecord` (`Store.record`) whose channels load when they are asked for. Boot and
uptime are kept as they were; what dates a boot is stored beside (`Store.add_anchor`).

::

    with open_store(path, "daemon", create=True) as store:
        boot = store.begin_boot("van", identity=kernel_boot_id)
        store.append_window(Window(boot=boot.id, rows=(Rows(...),), state=b"..."))
        store.seal(boot.id, up_to=uptime)
    with open_store(path, "write", create=True) as store:
        count = store.import_rows("van", Columns(time_utc=..., values={...}))
    with open_store(path) as store:
        trip = store.trips()[-1]
        record = store.record(trip.start_utc, trip.end_utc, rig.corrections, offset)
"""

from campledger.store.file import StoreFullError
from campledger.store.salvage import Salvaged, restore, salvage
from campledger.store.store import Store, open_store
from campledger.store.types import (
    BootInfo,
    Columns,
    Entry,
    FrozenPlan,
    ImportCount,
    Kept,
    Rows,
    Total,
    Trip,
    Window,
)

__all__ = [
    "BootInfo",
    "Columns",
    "Entry",
    "FrozenPlan",
    "ImportCount",
    "Kept",
    "Rows",
    "Salvaged",
    "Store",
    "StoreFullError",
    "Total",
    "Trip",
    "Window",
    "open_store",
    "restore",
    "salvage",
]
