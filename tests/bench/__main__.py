"""``python -m tests.bench``: where the time goes, beside the physical limit and general libraries.

Every task runs in a process of its own (`tasks`), in interleaved rounds; the table shows medians, the
processor time beside the wall time, and the peak memory of each process. Letters:

(a) bare pass over the bytes, (b) mne and scipy, (c) scipy alone, (d) EDF to scored night in-process,
(e) the whole ``sleepbrux score`` process, (f) rescoring an archived night, (g) 200 rule sets, (h) opening
the report page in Chromium, (i) ``--help``, (k) a process that imports numba and calls one cached kernel,
(l) reading and (s) writing the archive, (z) 40 zooms of the report page, (r) what the first run after
installation adds to (e).

``--grids`` measures (d) over channels, rates, hours and episodes, ``--formats`` over 24 bits, mixed rates and a table;
``--page`` starts the page of ``start``
over sixty nights; ``--batch`` scores 60 full nights with one and with two workers. ``--out`` gets the tables,
all figures as JSON, and pictures. Where a ratio of the main table is worse by a tenth than in the last run of
``history.jsonl``, it is named; ``--keep`` adds the run to that history.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.bench import history
from tests.bench.formats import formats_text, run_formats
from tests.bench.grids import grid_table, run_grids
from tests.bench.many import batch_text, run_batches
from tests.bench.measure import Run, interleaved, median, once
from tests.bench.nights import realistic
from tests.bench.page import page_text, run_pages
from tests.bench.tasks import ZOOMS

NAMES = {
    "a": "bare pass",
    "b": "mne and scipy",
    "c": "scipy alone",
    "d": "in-process",
    "e": "score process",
    "f": "rescore",
    "g": "200 rule sets",
    "h": "report page",
    "i": "--help",
    "k": "numba alone",
    "l": "load archive",
    "s": "store archive",
    "z": "40 zooms",
}


def goals(found: Mapping[str, Sequence[Run]], first_extra_s: float | None) -> list[str]:
    """Each goal with what was measured."""
    m = {name: median(runs) for name, runs in found.items() if runs}
    wanted = [("d / a, at most 6", m["d"] / m["a"], m["d"] <= 6 * m["a"])]
    if "b" in m:
        ratio = m["b"] / m["d"]
        wanted.append(("b / d, at least 35, aiming at 50", ratio, ratio >= 35))
    wanted += [
        ("e, at most 2.5 s", m["e"], m["e"] <= 2.5),
        ("e - k, at most 1.2 s", m["e"] - m["k"], m["e"] - m["k"] <= 1.2),
        ("e, at most 300 MB", median(found["e"], "peak_mb"), median(found["e"], "peak_mb") <= 300),
        ("i, at most 0.3 s", m["i"], m["i"] <= 0.3),
        ("f, at most 0.05 s", m["f"], m["f"] <= 0.05),
        ("g, at most 5 s, aiming at 2 s", m["g"], m["g"] <= 5),
    ]
    if "h" in m:
        wanted.append(("h, page usable, at most 0.3 s", m["h"], m["h"] <= 0.3))
    if "z" in m:
        wanted.append(("z, a zoom, at most 0.03 s", m["z"] / ZOOMS, m["z"] / ZOOMS <= 0.03))
    if first_extra_s is not None:
        wanted.append(("first run - warm run, at most 10 s", first_extra_s, first_extra_s <= 10))
    return [f"{what:<40}{value:>9.2f}  {'reached' if ok else 'not reached'}" for what, value, ok in wanted]


def main_table(found: Mapping[str, Sequence[Run]]) -> str:
    """Medians of the tasks."""
    base = median(found["a"])
    lines = [f"{'':<22}{'wall s':>9}{'lowest':>9}{'cpu s':>9}{'x bare pass':>13}{'peak MB':>9}{'runs':>6}"]
    lines += [
        f"({name}) {NAMES[name]:<18}{median(runs):>9.3f}{min(r.wall_s for r in runs):>9.3f}"
        f"{median(runs, 'cpu_s'):>9.3f}{median(runs) / base:>13.1f}{median(runs, 'peak_mb'):>9.0f}"
        f"{len(runs):>6}"
        for name, runs in found.items()
        if runs
    ]
    return "\n".join(lines)


def first_run(path: Path, out: Path) -> float:
    """Seconds that (e) takes with an empty cache of compiled code, less a warm run."""
    with tempfile.TemporaryDirectory() as cache:
        os.environ["NUMBA_CACHE_DIR"] = cache
        try:
            cold, warm = (once("e", path, out).wall_s for _ in range(2))
        finally:
            del os.environ["NUMBA_CACHE_DIR"]
    return cold - warm


def _plain_ticks(*axes: Any) -> None:
    """1, 2 and 5 of each decade of a logarithmic axis, as numbers."""
    from matplotlib.ticker import LogLocator, NullLocator

    for axis in axes:
        axis.set_major_locator(LogLocator(subs=(1, 2, 5)))
        axis.set_minor_locator(NullLocator())
        axis.set_major_formatter("{x:g}")


def picture(found: Mapping[str, Sequence[Run]], path: Path) -> None:
    """Medians as bars on a logarithmic axis, each with its range."""
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot as plt

    names = [n for n in found if found[n]]
    middle = [median(found[n]) for n in names]
    spread = [
        [m - min(r.wall_s for r in found[n]) for n, m in zip(names, middle, strict=True)],
        [max(r.wall_s for r in found[n]) - m for n, m in zip(names, middle, strict=True)],
    ]
    figure, axes = plt.subplots(figsize=(7, 4), layout="constrained")
    axes.barh([f"({n}) {NAMES[n]}" for n in names], middle, xerr=spread, color="0.6", log=True)
    _plain_ticks(axes.xaxis)
    axes.axvline(middle[names.index("a")], color="0", linewidth=0.8)
    axes.set_xlabel("seconds, median and range; the line is the bare pass over the bytes")
    axes.invert_yaxis()
    figure.savefig(path, dpi=150)


def grid_picture(points: Sequence[object], path: Path) -> None:
    """Time against samples, memory against hours and episodes."""
    import matplotlib as mpl

    mpl.use("agg")
    from matplotlib import pyplot as plt

    rows = [asdict(p) for p in points]  # type: ignore[call-overload]
    figure, axes = plt.subplots(1, 3, figsize=(11, 3.5), layout="constrained")
    samples = [p["channels"] * p["rate_hz"] * p["hours"] * 3600 / 1e6 for p in rows]
    axes[0].loglog(samples, [p["cpu_s"] for p in rows], "k.")
    slope = sorted(p["cpu_s"] / s for p, s in zip(rows, samples, strict=True))[len(rows) // 2]
    ends = [min(samples), max(samples)]
    axes[0].loglog(ends, [slope * s for s in ends], "k-", linewidth=0.8)
    axes[0].set(xlabel="million samples", ylabel="processor s (line: proportional)")
    _plain_ticks(axes[0].xaxis, axes[0].yaxis)
    for axis, key in ((axes[1], "hours"), (axes[2], "episodes")):
        part = [p for p in rows if p["grid"] == key]
        axis.plot([p[key] for p in part], [p["peak_mb"] for p in part], "k.-")
        axis.set(xlabel=key, ylabel="peak memory, MB", ylim=(0, 1.1 * max(p["peak_mb"] for p in part)))
    figure.savefig(path, dpi=150)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--recording", type=Path, help="EDF to use; else 8 h x 2 ch x 2 kHz are made")
    parser.add_argument("--hours", type=float, default=8, help="length of the nights that are made")
    parser.add_argument("--runs", type=int, default=7)
    parser.add_argument("--only", default="acdefghiklsz", help="letters of the tasks")
    parser.add_argument("--libraries", action="store_true", help="(b) as well, twice: several GB")
    parser.add_argument("--first-run", action="store_true", help="(r): compile anew, once")
    parser.add_argument("--grids", action="store_true", help="the grids instead of the main table")
    parser.add_argument("--formats", action="store_true", help="other formats instead of the main table")
    parser.add_argument("--batch", action="store_true", help="60 full nights instead of the main table")
    parser.add_argument("--page", action="store_true", help="the page of `start` instead of the main table")
    parser.add_argument("--keep", action="store_true", help="add the main table to the history")
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--out", type=Path, default=Path("bench_out"))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    begin = os.getloadavg()
    name, figures, text = _chosen(options)
    end = os.getloadavg()
    about = (
        f"{time.strftime('%Y-%m-%d')}, {os.cpu_count()} cores, {platform.machine()}, Python "
        f"{platform.python_version()}; load of the machine {begin[0]:.1f} before, {end[0]:.1f} after"
    )
    if name == "main" and "a" in options.only:
        now = history.kept(about, {n: [Run(**r) for r in runs] for n, runs in figures.items() if n in NAMES})
        text = "\n".join([text, *history.worse(now, history.last())])
        if options.keep:
            history.keep(now)
    print(f"\n{about}\n{text}")
    (options.out / f"{name}.txt").write_text(f"{about}\n{text}\n", "utf-8")
    (options.out / f"{name}.json").write_text(json.dumps({"about": about, **figures}, indent=1), "utf-8")


def _chosen(options: argparse.Namespace) -> tuple[str, dict[str, object], str]:
    if options.batch:
        found = run_batches(options.nights, 3, options.hours)
        return "batch", {"runs": [asdict(r) for r in found]}, batch_text(found, options.nights)
    if options.page:
        pages = run_pages(min(options.runs, 5))
        return "page", {"runs": [asdict(r) for r in pages]}, page_text(pages)
    if options.grids:
        points = run_grids(min(options.runs, 3))
        grid_picture(points, options.out / "grids.png")
        return "grids", {"points": [asdict(p) for p in points]}, grid_table(points)
    if options.formats:
        formats = run_formats(min(options.runs, 3))
        return "formats", {"formats": [asdict(f) for f in formats]}, formats_text(formats)
    return _main_run(options)


def _main_run(options: argparse.Namespace) -> tuple[str, dict[str, object], str]:
    with tempfile.TemporaryDirectory() as folder:
        path = options.recording or realistic(Path(folder) / "bench.edf", hours=options.hours)
        out = Path(folder)
        names = [n for n in NAMES if n in options.only or (n == "b" and options.libraries)]
        once("e", path, out)  # compiles where nothing is kept yet, and leaves archive and report
        found = interleaved(names, path, out, options.runs, rare="b")
        extra = first_run(path, out) if options.first_run else None
    picture(found, options.out / "main.png")
    figures: dict[str, object] = {n: [asdict(r) for r in runs] for n, runs in found.items()}
    return (
        "main",
        {**figures, "first_run_extra_s": extra},
        "\n".join([main_table(found), "", *(goals(found, extra) if set("adefgik") <= set(names) else [])]),
    )


if __name__ == "__main__":
    main()
