"""Many nights: planned, scored side by side, resumed where they stopped, one table at the end.

Reading order: `tasks` (which nights), `ledger` (what is done and still true), `work` (one night),
`pool` (spawned processes), `cluster` (an existing Dask cluster), `run` (all of it).
"""

from sleepbrux.batch.ledger import LedgerRow
from sleepbrux.batch.run import Batch, Watch, run_batch

__all__ = ["Batch", "LedgerRow", "Watch", "run_batch"]
