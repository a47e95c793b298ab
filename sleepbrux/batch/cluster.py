"""The same tasks on a Dask cluster that is there already."""

from __future__ import annotations

import itertools
import os
import re
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from sleepbrux.batch.ledger import LedgerRow, tidy
from sleepbrux.batch.tasks import Task
from sleepbrux.core.errors import UsageError
from sleepbrux.core.version import __version__

CONNECT_S = 15
ADDRESS = re.compile(r"(?:\w+://)?[^\s/]+:\d+")


def run_cluster(tasks: Sequence[Task], out: Path, address: str) -> Iterator[tuple[Task, LedgerRow]]:
    """Score the tasks on the cluster of a scheduler; yields each as it is done.

    Inputs and ``out`` must lie where every worker sees them by the same path. Dask gives the night
    of a lost worker to another one, and gives up after the third.

    Raises
    ------
    UsageError
        Dask is not installed, the address is none, or no scheduler or no worker answers.
    """
    if not ADDRESS.fullmatch(address):
        raise UsageError(
            f"`scheduler` {address!r} is no address; write its host and port, such as tcp://host:8786"
        )
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "`scheduler` needs dask.distributed, which is not installed; add it with: "
            "pip install 'sleepbrux[cluster]'"
        ) from error
    from sleepbrux.batch.work import failed

    dask: Any = distributed  # its calls carry no types
    try:
        client = dask.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(f"`scheduler` {address!r}: no scheduler answers ({error})") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError as error:
            raise UsageError(f"`scheduler` {address!r} has no worker; start some first") from error
        waiting = iter(tasks)
        given: dict[str, Task] = {}
        run = secrets.token_hex(4)

        def submit(task: Task) -> Any:
            future = client.submit(_on_worker, task, out, __version__, key=f"{task.key}-{run}")
            given[future.key] = task
            return future

        ahead = 2 * max(sum(client.nthreads().values()), 1)
        first = [submit(task) for task in itertools.islice(waiting, ahead)]
        running = dask.as_completed(first, loop=client.loop)
        for future in running:
            task = given.pop(future.key)
            if future.status == "finished":
                row = future.result()
            else:
                row = failed(task, out, f"{task.recording.name}: {_reason(future.exception())}")
            future.release()
            yield task, row
            for more in itertools.islice(waiting, 1):
                running.add(submit(more))
    tidy(out, list(tasks))  # what lost workers were writing


def _on_worker(task: Task, out: Path, version: str) -> LedgerRow:
    from sleepbrux.batch.work import score_task
    from sleepbrux.core.parallel import VARIABLE

    os.environ[VARIABLE] = "1"  # a worker has as many nights as threads
    return score_task(task, out, version)


def _reason(error: BaseException) -> str:
    if type(error).__name__ == "KilledWorker":
        return "several workers of the cluster died while they had this night; memory may have run out"
    return f"the cluster reports {type(error).__name__}: {error}"
