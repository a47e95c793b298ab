"""The benchmark names what got worse against its last run."""

from tests.bench.history import keep, kept, last, worse
from tests.bench.measure import Run


def run(wall_s, cpu_s=1.0, peak_mb=100.0):
    return [Run(wall_s, cpu_s, peak_mb, load=0.1)] * 3


def found(d_s, *, e_mb=280.0):
    return {"a": run(0.04, 0.04), "d": run(d_s, 0.4), "e": run(1.2, 1.4, e_mb), "b": []}


def test_a_ratio_that_is_worse_by_a_tenth_is_named_with_both_figures():
    before = kept("2026-11-27", found(0.24))
    assert worse(kept("now", found(0.26)), before) == []
    (said,) = worse(kept("now", found(0.28)), before)
    assert "(d) 7 times the bare pass, 6 in the run before (2026-11-27)" in said
    (said,) = worse(kept("now", found(0.24, e_mb=320)), before)
    assert "(e) 320 MB" in said
    assert worse(before, None) == []


def test_runs_are_kept_and_the_last_one_is_the_one_compared_with(tmp_path):
    path = tmp_path / "history.jsonl"
    assert last(path) is None
    for d_s in (0.24, 0.30):
        keep(kept(f"d {d_s}", found(d_s)), path)
    assert last(path) == kept("d 0.3", found(0.30))
    assert len(path.read_text("utf-8").splitlines()) == 2


def test_the_history_that_lies_here_can_be_compared_with():
    before = last()
    assert before is not None
    assert {"d", "e", "f", "g"} <= before["wall"].keys() == before["cpu"].keys()
