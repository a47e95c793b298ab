"""The page about one night: a single file that needs no network and no server."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

import numpy as np
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup
from numpy.typing import NDArray

from sleepbrux.archive.identity import identity_of, study_words
from sleepbrux.core.purpose import PURPOSE
from sleepbrux.core.version import __version__
from sleepbrux.export.chain import chain_words
from sleepbrux.export.summary import report_id, steps
from sleepbrux.report import tables, wording
from sleepbrux.report.around import around_section
from sleepbrux.report.figures import curve_svg, glyph, histogram_svg, kinds_of, overview
from sleepbrux.report.numbers import began, clock, plain, seconds_of_day, text, with_unit
from sleepbrux.report.payload import payload, strips, to_json
from sleepbrux.scoring.measures import DURATION_BORDERS_S, PEAK_BORDERS_PCT, histogram, label_of
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.robustness import Curve, Robustness, RuleReading, ThresholdCurve

COMPARISONS = {
    ">": "above",
    ">=": "at or above",
    "<": "below",
    "unknown": "(comparison unknown)",
}
CURVE_NAMES = {
    "threshold.level_pct_mvc": "threshold, % MVC",
    "threshold.times_background": "threshold, times the background",
    "episode.gap_s": "pause between episodes, s",
    "burst.minimum_s": "least length of a burst, s",
}
PEAK_BORDERS_UV = (0.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


class Page(NamedTuple):
    """The fixed parts of every page, read once."""

    template: Template
    script: str
    style: str


def _read(name: str) -> str:
    return (resources.files("sleepbrux.report") / "templates" / name).read_text("utf-8")


@cache
def _page() -> Page:
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return Page(
        environment.from_string(_read("night.html.j2")),
        _read("draw.js") + _read("night.js"),
        _read("night.css"),
    )


def source_hash(text: str) -> str:
    """A script or style as a content security policy names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _policy(script: str, style: str) -> str:
    return (
        f"default-src 'none'; script-src '{source_hash(script)}'; "
        f"style-src '{source_hash(style)}'; img-src data:; base-uri 'none'; form-action 'none'"
    )


def _one_histogram(values: NDArray[np.float64], borders: tuple[float, ...], axis: str) -> dict[str, Any]:
    classes = histogram(values, borders)
    known = int((~np.isnan(values)).sum())
    in_words = ", ".join(f"{name.replace('>=', 'from')}: {n}" for name, n in classes if n)
    return {
        "axis": axis,
        "n": known,
        "words": in_words,
        "svg": histogram_svg(
            [n for _, n in classes], borders, title=f"Histogram of {axis}. {in_words}", axis=axis
        ),
    }


def _distributions(night: Night) -> list[dict[str, Any]]:
    """Histograms of the bursts inside counted episodes."""
    merged, of = night.merged, night.episodes.of_burst
    index = night.selection.bursts[of[night.selection.bursts] >= 0]
    seconds = ((merged.stops - merged.starts)[index] * float(merged.grid.slot_s)).astype(np.float64)
    # the mean of channels is scored in % MVC, or in a unit of no name
    in_uv = merged.labels == tuple(f.channel.label for f in night.swept.frames)
    pct, uv = merged.peak_pct_mvc[index], merged.peak_uv[index]
    peaks_pct = tuple(float(b) for b in PEAK_BORDERS_PCT)
    figures = []
    if not np.isnan(pct).all():
        figures.append(_one_histogram(pct, peaks_pct, "burst peak, % MVC"))
    if in_uv and len(index):
        figures.append(_one_histogram(uv, PEAK_BORDERS_UV, f"burst peak, {tables.unit_of(night)}"))
    if len(index):
        figures.append(_one_histogram(seconds, DURATION_BORDERS_S, "burst duration, s"))
    return figures


def _cut_offs(night: Night) -> list[str]:
    lines = []
    for cut in night.criterion.cut_offs:
        name = label_of(cut.measure)
        sign = COMPARISONS[cut.comparison]
        lines.append(
            f"{name} {sign} {plain(cut.value)}: made for {cut.made_for.rstrip('.')}; not applied to "
            f"this recording. Source ({cut.status}): {cut.source}"
        )
    return lines


def _provenance(night: Night, id_: str) -> list[tuple[str, str]]:
    swept, rules = night.swept, night.criterion
    return [
        ("report id, over every value of the summary", id_),
        *([("supersedes report", night.supersedes)] if night.supersedes else []),
        *((text, value) for text, value in _identity(night) if value),
        ("input format", swept.format),
        ("criterion", rules.id + (f" (derived from {rules.parent})" if rules.parent else "")),
        ("criterion, SHA-256 over values, sources and departures", rules.digest()),
        ("sleepbrux", __version__),
        *((f"step {s['step']}, SHA-256 over it and all before", s["digest"]) for s in steps(night)),
    ]


def _identity(night: Night) -> list[tuple[str, str]]:
    """Whose night it is, for whoever holds the page against another file; empty where not known."""
    known = identity_of(night)
    return [
        ("person", known.person),
        ("night", known.night),
        ("study entry of the night, SHA-256", known.study_sha256),
        ("study id", known.study_id),
        ("input, SHA-256", known.input_sha256),
    ]


def _spans(night: Night) -> list[str]:
    begin = seconds_of_day(night.swept.start_clock)
    return [f"{clock(a, begin)}-{clock(b, begin)}" for a, b in night.window.spans_s]


def _robust(robustness: Robustness | None, threshold: ThresholdCurve | None) -> dict[str, Any] | None:
    """Sentence and curves of the night under many rules, or over thresholds alone."""
    if robustness is None:
        return (
            None
            if threshold is None
            else {
                "sentence": threshold.sentence,
                "band": "",
                "curves": [_drawn(threshold.curve)],
            }
        )
    band = robustness.clench_band
    return {
        "sentence": robustness.sentence,
        "band": ""
        if band is None
        else (
            "With each single clench of the reference in turn as the MVC the rate lies between "
            f"{text(band[0], '1/h')} and {text(band[1], '1/h')} per valid hour."
        ),
        "curves": [_drawn(c) for c in robustness.curves],
    }


def _drawn(curve: Curve) -> dict[str, Any]:
    axis = CURVE_NAMES[curve.key]
    return {"axis": axis, "svg": curve_svg(curve.values, curve.rates, curve.chosen, axis=axis)}


def render_night(
    night: Night,
    *,
    others: Sequence[RuleReading] = (),
    threshold: ThresholdCurve | None = None,
    robustness: Robustness | None = None,
    mark_texts: bool = False,
) -> str:
    """A scored night as one HTML page, the same bytes for the same night.

    Parameters
    ----------
    night
        From `score_night`, or read back from its archive.
    others
        The night under other criteria, shown side by side.
    threshold
        Its rate over thresholds.
    robustness
        The night under many rules; its rows and curves replace ``others`` and ``threshold``.
    mark_texts
        Show the texts of marks as written. They may name a person, so by default a mark is shown
        by its kind only (lights off, clench, other).

    Returns
    -------
    One page that loads nothing from anywhere: style, script and data are inside.
    """
    page = _page()
    id_ = report_id(night)
    scale = strips(night)
    rows = robustness.rows if robustness is not None else others
    episode_rows = tables.episodes(night)
    data = payload(night, scale, [row.summary for row in episode_rows], mark_texts=mark_texts)
    heads, hours = tables.hourly(night)
    kinds = kinds_of(night)
    return page.template.render(
        policy=_policy(page.script, page.style),
        style=Markup(page.style),
        script=Markup(page.script),
        data=Markup(to_json(data)),
        banner=wording.banner(night),
        reviewed=night.review is not None,
        report_id=id_,
        supersedes=night.supersedes,
        name=", ".join(study_words(night).values()) or night.swept.name,
        began=began(night.swept.start, night.swept.start_clock),
        length=with_unit(night.swept.duration_s / 3600, "h"),
        reading=wording.reading(night),
        moved=wording.moved_by_lost_time(night),
        overview=overview(night, scale),
        legend=[(kind, glyph(kind, 8, 8)) for kind in kinds],
        step=plain(round(scale[0].step_s, 4)),
        amplitude="RMS" if night.amplitude == "rms" else "mean rectified value",
        follows=night.criterion.threshold.times_background is not None,
        hour_heads=heads,
        hour_rows=hours,
        window=night.window.basis,
        window_spans=_spans(night),
        marks=tables.marks(night, texts=mark_texts),
        mark_texts=mark_texts,
        measures=tables.measures(night),
        replaced=wording.replaced_text(night),
        chains={name: chain_words(night, name) for name in night.measures},
        episodes=episode_rows,
        not_counted=sum(not row.counted for row in episode_rows),
        distributions=_distributions(night),
        excluded=tables.excluded(night),
        channels=tables.channels(night),
        reference=wording.reference_text(night),
        sides=wording.sides_text(night),
        notes=sorted(night.notes, key=lambda note: note.severity != "warning"),
        criterion=night.criterion,
        cut_offs=_cut_offs(night),
        method=wording.method(night),
        settings=tables.settings(night),
        others=tables.other_rules(rows),
        robust=_robust(robustness, threshold),
        provenance=_provenance(night, id_),
        left_out=any(not row.counted and "left out by the rules" in row.flags for row in episode_rows),
        surroundings=around_section(night),
        cautions=wording.cautions(night),
        purpose=PURPOSE,
    )
