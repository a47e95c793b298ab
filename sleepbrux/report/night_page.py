"""The page about one night: a single file that needs no network and no server."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from sleepbrux.archive.identity import identity_of, study_words
from sleepbrux.core.errors import Note
from sleepbrux.core.printed import hours_text
from sleepbrux.core.version import __version__
from sleepbrux.export.chain import chain_words
from sleepbrux.export.summary import report_id, steps
from sleepbrux.report import frame, tables, wording
from sleepbrux.report.axes import kind_bar, kind_sign, legend
from sleepbrux.report.figures import curve_svg, distributions, hours_figure, kinds_of, overview
from sleepbrux.report.method import LOST_TIME, method
from sleepbrux.report.numbers import began, clock, count_of, plain, seconds_of_day, text
from sleepbrux.report.payload import payload, strips, to_json
from sleepbrux.report.surroundings import around_section
from sleepbrux.scoring.measures import label_of
from sleepbrux.scoring.night import Night
from sleepbrux.scoring.robustness import Curve, Robustness, RuleReading, ThresholdCurve
from sleepbrux.scoring.usability import after_night

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
    return [f"{clock(a, begin)}–{clock(b, begin)}" for a, b in night.window.spans_s]


def _name(night: Night) -> str:
    """Whose night it is, for the title."""
    words = study_words(night)
    if "condition" in words:
        words["condition"] = wording.condition_words(words["condition"])
    return ", ".join(words.values()) or night.swept.name


def _spread(rows: Sequence[RuleReading]) -> str:
    """Over which range the rate lies by other rule sets, in a sentence."""
    rates = [m.value for r in rows[1:] if (m := r.measures.get("episodes_per_hour")) and m.value is not None]
    if not rates:
        return ""
    low, high = text(min(rates), "1/h"), text(max(rates), "1/h")
    by = f"{low}–{high}" if low != high else low
    return f"By {count_of(len(rates), 'other reading')} of this night the rate is {by} per hour."


MOST_WARNINGS = 3


def _notes(night: Night) -> tuple[list[Note], list[Note]]:
    """Warnings to show, one of a code and three at most; and all other notes, to be folded."""
    by_code = {note.code: note for note in reversed(night.notes) if note.severity == "warning"}
    first = [n for n in night.notes if by_code.get(n.code) is n and n.code not in wording.LIMITS]
    shown = first[:MOST_WARNINGS]
    rest = [note for note in night.notes if note not in shown]
    return shown, sorted(rest, key=lambda note: note.severity != "warning")


def _legend(night: Night) -> Markup:
    """The signs of strip and close-up."""
    follows = night.criterion.threshold.times_background is not None
    median = " (median over the night; it follows the background)" if follows else ""
    drawn = {
        f"threshold on the envelope{median}": '<path class="limit" d="M0 8H16"/>',
        "cannot be scored": '<path class="hatch" d="M0 8L8 0M0 16L16 0M8 16L16 8"/>',
        "outside the window": '<rect class="outside" x="0" y="1" width="16" height="14"/>',
    }
    if any(frames.notched for frames in night.swept.frames):
        drawn["mains hum taken out"] = '<rect class="hum" x="0" y="7" width="16" height="3"/>'
    return legend(
        [
            *((f"{kind} episode", kind_sign(kind, 8, 8)) for kind in kinds_of(night)),
            *((f"{k} from near", kind_bar(k, 8, 8)) for k in kinds_of(night) if k in ("phasic", "mixed")),
            ("does not count", kind_sign(kinds_of(night)[0], 8, 8, pale=True)),
            *((words, Markup(svg)) for words, svg in drawn.items()),
        ],
        "Signs of the strip",
    )


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
    among: str = "",
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
    among
        Where this night lies among the person's others under the same condition, from
        `sleepbrux.report.other_nights`.

    Returns
    -------
    One page that loads nothing from anywhere: style, script and data are inside.
    """
    id_, scale = report_id(night), strips(night)
    rows = robustness.rows if robustness is not None else others
    episode_rows = tables.episodes(night)
    data = payload(night, scale, [row.summary for row in episode_rows], mark_texts=mark_texts)
    morning = after_night(night)
    warnings, notes = _notes(night)
    return frame.render(
        "night.html.j2",
        ("draw.js", "night.js"),
        data=Markup(to_json(data)),
        banner=wording.page_banner(night),
        reviewed=night.review is not None,
        report_id=id_,
        supersedes=night.supersedes,
        name=_name(night),
        began=began(night.swept.start, night.swept.start_clock),
        length=hours_text(night.swept.duration_s / 3600),
        verdict=wording.verdict_words(morning),
        verdict_kind=(morning.verdict or "repeat").split()[0],
        findings=morning.findings,
        rate=wording.rate_words(night),
        count=f"{wording.count_phrase(night)}.",
        among=among,
        no_proof=wording.NO_PROOF,
        next_step=(step := wording.next_words(night)),
        next_how=wording.review_words("the .night.h5 file next to this page")
        if step.startswith(wording.REVIEW_NEXT)
        else "",
        limits=wording.limits_words(night),
        more_limits=wording.more_limits(night),
        lost_time=LOST_TIME,
        based_on=wording.based_on(night),
        moved=wording.moved_by_lost_time(night),
        overview=overview(night, scale),
        legend=_legend(night),
        step=plain(round(scale[0].step_s, 4)),
        amplitude="RMS" if night.amplitude == "rms" else "mean rectified value",
        hours=hours_figure(night),
        distributions=distributions(night),
        window=wording.window_words(night.window.basis, origin=True),
        window_spans=_spans(night),
        window_words=wording.window_words(night.selection.basis),
        valid=hours_text(night.measures["valid_hours"].value),
        marks=tables.marks(night, texts=mark_texts),
        mark_texts=mark_texts,
        groups=tables.measure_groups(night),
        measures=tables.measures(night),
        replaced=wording.replaced_text(night),
        chains={name: chain_words(night, name) for name in night.measures},
        episodes=episode_rows,
        not_counted=sum(not row.counted for row in episode_rows),
        excluded=tables.excluded(night),
        lost_any=60 * (night.measures["excluded_hours"].value or 0.0) >= 1,
        channels=tables.channels(night),
        sides=wording.sides_text(night),
        warnings=warnings,
        notes=notes,
        criterion=night.criterion,
        cut_offs=_cut_offs(night),
        method=method(night),
        settings=tables.settings(night),
        others=tables.other_rules(rows),
        spread=_spread(rows),
        robust=_robust(robustness, threshold),
        provenance=_provenance(night, id_),
        left_out=any(not row.counted and "left out by the rules" in row.flags for row in episode_rows),
        surroundings=around_section(night),
        cautions=wording.cautions(night),
    )
