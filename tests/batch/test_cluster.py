"""The same nights on a real Dask cluster: a scheduler and two worker processes, one killed."""

import json
import os
import subprocess
import sys
import time

import pytest

from sleepbrux.batch import run_batch
from sleepbrux.batch.cluster import run_cluster
from sleepbrux.core.errors import UsageError

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")


def wait_for(what, process, *, seconds=120):
    """Wait until ``what()`` is true, while a process runs."""
    end = time.monotonic() + seconds
    while not what():
        assert process.poll() is None, "ended too early"
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.1)


@pytest.fixture
def cluster(tmp_path):
    """A scheduler's address and two workers' processes; they end by themselves if the tests are killed."""
    started = []

    def start(*arguments):
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        )
        started.append(process)
        return process

    known = tmp_path / "scheduler.json"
    try:
        scheduler = start(
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--idle-timeout",
            "600",
            "--scheduler-file",
            str(known),
        )
        wait_for(known.is_file, scheduler)
        workers = [
            start(
                "worker",
                "--scheduler-file",
                str(known),
                "--nthreads",
                "1",
                "--no-nanny",
                "--host",
                "127.0.0.1",
                "--no-dashboard",
                "--name",
                str(k),
                "--lifetime",
                "600",
                "--death-timeout",
                "60",
            )
            for k in range(2)
        ]
        yield json.loads(known.read_text("utf-8"))["address"], workers
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


def test_a_killed_worker_of_the_cluster_costs_nothing_and_bytes_are_those_of_the_pool(
    study, write_night, cluster, tmp_path, contents
):
    address, workers = cluster
    file, loose = study(nights=3), tmp_path / "loose"
    for k in range(12):
        write_night(loose / f"x{k:02d}.edf", 10 + k)
    (loose / "x05.edf").write_bytes(b"no recording")
    out = tmp_path / "out"
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "sleepbrux",
            "batch",
            str(file),
            str(loose),
            "--out",
            str(out),
            "--scheduler",
            address,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    wait_for(lambda: len(list(out.rglob("*.summary.json"))) >= 3, process)
    workers[0].kill()  # in the middle of a night
    shown, said = process.communicate(timeout=200)
    assert process.returncode == 1, said
    assert "1 of 15 nights were not scored" in said
    assert "x05" in said
    assert shown.count("episodes per valid hour") == 14
    run_batch([file, loose], tmp_path / "pool", workers=1)
    assert contents(out) == contents(tmp_path / "pool")


@pytest.mark.parametrize("address", ["foo", "tcp://foo", "", "tcp://foo:port", "a b:1"])
def test_what_is_no_address_is_refused_before_anything_is_tried(address, tmp_path):
    with pytest.raises(UsageError, match="is no address; write its host and port"):
        next(run_cluster([], tmp_path, address))


def test_a_scheduler_that_is_not_there_is_wrong_usage(study, tmp_path):
    code = (
        "from sleepbrux.batch import cluster\ncluster.CONNECT_S = 1\n"
        "from sleepbrux.cli import main\n"
        f"main(['batch', {str(study())!r}, '--out', {str(tmp_path / 'out')!r},"
        "'--scheduler', 'tcp://127.0.0.1:9'])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8", check=False
    )
    assert done.returncode == 2, done.stderr
    assert "no scheduler answers" in done.stderr
