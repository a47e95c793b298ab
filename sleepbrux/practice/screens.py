"""The screens as HTML: made here with everything escaped, put into the page by its script."""

from __future__ import annotations

import calendar
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

from markupsafe import Markup

from sleepbrux.analysis.plan_arguments import ARGUMENTS, SPREADS
from sleepbrux.archive.file_sets import EXPORTED, set_doubts
from sleepbrux.core.errors import SleepbruxError
from sleepbrux.core.json_text import json_text
from sleepbrux.core.texts import visible
from sleepbrux.criteria import criterion_ids, load_criterion
from sleepbrux.practice import actions, arriving, compared, folders, trials
from sleepbrux.practice.nights import NightRow
from sleepbrux.practice.page import templates
from sleepbrux.practice.state import STUDY_NAME, Practice, Served
from sleepbrux.practice.steps import Step, letter_outdated, next_step
from sleepbrux.report.axes import condition_sign
from sleepbrux.study.editing import conditions_of
from sleepbrux.study.file import FILL_IN, Study

NAMES = {
    "nights": "Nights",
    "arrival": "Recordings",
    "clenches": "Clenches",
    "score": "Scoring",
    "compare": "Comparison",
    "letter": "Letter",
    "files": "Files",
}
NOT_LISTED = "other …"
SIGN = Markup('<svg class="sign" viewBox="0 0 16 16" aria-hidden="true">{}</svg>')
SHARED = "Files for other programs, which name nobody"
CLENCHED = (".reference.html", ".clench.html", ".clench.json")
PLANNED = ("plan.csv", trials.PLAN, trials.SCHEDULE, "schedule.toml")
PLAN_FIRST = ("rate", "hours", "conditions", "schedule", "start")
LETTER_FIRST = ("name", "to", "sender", "question")


@dataclass(frozen=True)
class Screen:
    """One screen, ready for the page."""

    html: str
    title: str
    at: str


def screen(practice: Practice, at: str) -> Screen:
    """The screen that is asked for; without a study the one on which it is chosen."""
    name, _, number = at.partition("/")
    if practice.file is None:
        return _people(practice)
    try:
        study = practice.study
    except SleepbruxError as error:
        return _made(
            "fault.html.j2", "Study file", "fault", practice, error=str(error), study=None, step=None
        )
    made = SCREENS.get(name, _nights)
    k = int(number) if number.isdecimal() and len(number) < 7 else 0
    return made(practice, study, k)


def _made(template: str, title: str, at: str, practice: Practice, **values: Any) -> Screen:
    current = practice.worker.current
    html = (
        templates()
        .get_template(template)
        .render(
            at=at,
            names=NAMES,
            title=title,
            undo=practice.undo[-1].words if practice.undo else "",
            job=current,
            last=practice.worker.last,
            **values,
        )
    )
    return Screen(html, title, at)


def _of_study(
    template: str, at: str, practice: Practice, study: Study, rows: list[NightRow], **values: Any
) -> Screen:
    sources = practice.clench_sources(study)
    step = next_step(study, rows, sources, practice.study_file.parent)
    shows_results = at in ("compare", "letter", "files")
    return _made(
        template,
        NAMES.get(at.partition("/")[0], "Night"),
        at,
        practice,
        study=study,
        rows=rows,
        sources=sources,
        step=step,
        outdated=[row for row in rows if row.outdated] if shows_results else [],
        **values,
    )


def _people(practice: Practice) -> Screen:
    found = folders.folders_in(practice.folder)
    here = (practice.folder / STUDY_NAME).is_file()
    return _made(
        "people.html.j2",
        "Studies",
        "people",
        practice,
        study=None,
        step=Step("choose a study, or make a new one", "people"),
        place=visible(str(practice.folder)),
        found=found,
        here=here,
        recordings=0 if here else folders.recordings_in(practice.folder),
    )


def _signs(study: Study, results: Path) -> dict[str, Markup]:
    """The sign of each condition, as the comparison's page draws it."""
    names = compared.shown_conditions(study, results)
    return {name: SIGN.format(condition_sign(k, 8, 8)) for k, name in enumerate(names)}


def months(rows: Sequence[NightRow]) -> list[tuple[str, list[list[tuple[date, list[NightRow], bool]]]]]:
    """A calendar of the months that have a night: weeks of days, each with its nights."""
    days: dict[date, list[NightRow]] = {}
    for row in rows:
        if row.date is not None:
            days.setdefault(row.date, []).append(row)
    found = []
    for (year, month), _ in groupby(sorted(days), key=lambda day: (day.year, day.month)):
        weeks = calendar.Calendar().monthdatescalendar(year, month)
        used = [week for week in weeks if any(day in days and day.month == month for day in week)]
        name = f"{calendar.month_name[month]} {year}"
        found.append((name, [[(d, days.get(d, []), d.month == month) for d in week] for week in used]))
    return found


def _nights(practice: Practice, study: Study, _: int) -> Screen:
    rows, home = practice.rows(study), practice.study_file.parent
    besides = arriving.besides(practice, study)
    actions.finish_reviews(practice, rows)
    verdicts = {night.id: practice.verdict(study, night) for night in study.recorded}
    entries = {
        row.id: practice.ticket(Served(row.archive.with_name(_report_name(row))))
        for row in rows
        if row.scored
    }
    return _of_study(
        "nights.html.j2",
        "nights",
        practice,
        study,
        rows,
        verdicts=verdicts,
        reports=entries,
        conditions=conditions_of(study),
        signs=_signs(study, practice.results),
        months=months(rows),
        fill_in=FILL_IN,
        fresh=[name for name in arriving.waiting_files(study, home) if name not in dict(besides)],
        besides=[(name, arriving.BESIDE[kind]) for name, kind in besides],
        other=NOT_LISTED,
    )


def _report_name(row: NightRow) -> str:
    stem = row.archive.name.removesuffix(".night.h5")
    reviewed = row.archive.with_name(f"{stem}.reviewed.report.html")
    return reviewed.name if row.decisions and row.written and reviewed.is_file() else f"{stem}.report.html"


def _night(practice: Practice, study: Study, k: int) -> Screen:
    if not 0 <= k < len(study.night):
        return _nights(practice, study, 0)
    night = study.night[k]
    free = [] if night.recording else arriving.waiting_files(study, practice.study_file.parent)
    besides = arriving.besides(practice, study)
    return _of_study(
        "night.html.j2",
        f"night/{k}",
        practice,
        study,
        practice.rows(study),
        night=night,
        number=k,
        sample_size=practice.sample_size,
        references=[*(r.id for r in study.reference), "own"],
        free=free,
        besides=[(k, w, [name for name, kind in besides if kind == k]) for k, w in arriving.BESIDE.items()],
    )


def _arrival(practice: Practice, study: Study, _: int) -> Screen:
    arriving.arrived(practice)
    verdicts = [(night, practice.verdict(study, night)) for night in study.recorded]
    unread = [
        v for _, v in verdicts if v is not None and v["verdict"] is not None and v["valid_hours"] is None
    ]
    names = arriving.waiting_files(study, practice.study_file.parent)
    waiting = [(name, arriving.lacking(practice, study, name)) for name in names]
    return _of_study(
        "arrival.html.j2",
        "arrival",
        practice,
        study,
        practice.rows(study),
        verdicts=verdicts,
        findings=practice.known.findings[1],
        waiting=waiting,
        unread=bool(unread) or any(why for _, why in waiting),
    )


def _clenches(practice: Practice, study: Study, k: int) -> Screen:
    sources = practice.clench_sources(study)
    source = sources[k] if k < len(sources) else None
    look = actions.clench_look(practice, source.recording) if source else None
    last = practice.worker.last
    if source and look is None and not practice.worker.busy("clenches", "accept"):
        failed = last is not None and last.kind == "clenches" and last.state != "done"
        if not failed:
            actions.find_clenches(practice, {"n": str(k)})
    page = practice.results / f"{source.recording}.reference.html" if source else None
    rows = practice.rows(study)
    tests = sorted(practice.results.glob("*.clench.html"))
    return _of_study(
        "clenches.html.j2",
        f"clenches/{k}",
        practice,
        study,
        rows,
        test_failed=practice.known.clench_failed,
        test_notes=practice.known.clench_notes,
        test_answers=[text for p in tests for text in trials.clench_answers(p.with_suffix(".json"))],
        tests=[
            (
                visible(p.name),
                practice.ticket(Served(p)),
                _downloads(practice, p.parent, [p.with_suffix(".json").name]),
            )
            for p in tests
        ],
        source=source,
        look=look,
        data=Markup(_in_script(look)) if look else "",
        page=practice.ticket(Served(page)) if page and page.is_file() else "",
    )


def _in_script(value: object) -> str:
    """JSON that cannot end the element that holds it."""
    text = json_text(value)
    return "".join(f"\\u{ord(c):04x}" if c in "<>&\u2028\u2029" else c for c in text)


def _score(practice: Practice, study: Study, _: int) -> Screen:
    rows = practice.rows(study)
    due = [row for row in rows if row.there and (not row.scored or row.outdated)]
    waiting = [s for s in practice.clench_sources(study) if not s.accepted]
    chairs = {r.recording for r in study.reference}
    return _of_study(
        "score.html.j2",
        "score",
        practice,
        study,
        rows,
        due=due,
        criteria={name: load_criterion(name).title for name in criterion_ids()},
        unconfirmed=[s for s in waiting if s.recording in chairs],
        said=practice.known.last,
    )


def _compare(practice: Practice, study: Study, _: int) -> Screen:
    rows = practice.rows(study)
    conditions = list(dict.fromkeys(row.condition for row in rows if row.scored))
    state, found = practice.known.compared
    fresh = state == practice.archive_stamp(rows)
    last = practice.worker.last
    failed = last if last is not None and last.kind == "compare" and last.state == "failed" else None
    due = len(conditions) > 1 and not fresh and failed is None
    if due and not practice.worker.busy("compare", "score"):
        actions.compare(practice, {})
    page = practice.results / "study.report.html"
    return _of_study(
        "compare.html.j2",
        "compare",
        practice,
        study,
        rows,
        conditions=conditions,
        found=found if fresh else None,
        failed=failed.error if failed else "",
        page=practice.ticket(Served(page)) if page.is_file() else "",
        planned=trials.planned_in(practice.results),
        plan_failed=practice.known.plan_failed,
        spreads=SPREADS,
        arguments=ARGUMENTS,
        first=PLAN_FIRST,
        more=[name for name in ARGUMENTS if name not in (*PLAN_FIRST, "spread")],
        own=trials.OWN_NIGHTS if any(row.scored for row in rows) else "",
        worn=_to_compare(study),
        plans=_downloads(practice, practice.results, PLANNED),
    )


def _to_compare(study: Study) -> list[str]:
    """Conditions that a plan begins with, the baseline first."""
    used = [name for name in conditions_of(study) if name != FILL_IN]
    first = study.baseline or next((name for name in used if name == "none"), "none")
    return (
        [first, *(name for name in used if name != first)]
        if len({first, *used}) > 1
        else [first, "appliance"]
    )


def _downloads(practice: Practice, folder: Path, names: Sequence[str]) -> list[tuple[str, str]]:
    """Files of a folder that are there, each with its address."""
    paths = [folder / name for name in names]
    return [(visible(p.name), practice.ticket(Served(p, name=p.name))) for p in paths if p.is_file()]


def _letter(practice: Practice, study: Study, _: int) -> Screen:
    from sleepbrux.report.letter.fields import ABOUT

    state, found = practice.known.letter
    rows = practice.rows(study)
    scored = any(row.scored for row in rows)
    fresh = state is not None and state == actions.letter_stamp(practice)
    last = practice.worker.last
    failed = last if last is not None and last.kind == "letter" and last.state == "failed" else None
    if scored and not fresh and failed is None and not practice.worker.busy("letter", "score"):
        actions.preview(practice, {})
    home = practice.study_file.parent
    pdf, page = home / "letter.pdf", home / "letter.html"
    written = pdf.is_file() and page.is_file()
    fields = practice.letter_fields()
    return _of_study(
        "letter.html.j2",
        "letter",
        practice,
        study,
        rows,
        scored=scored,
        fields=[(k, about, fields[k]) for k, about in ABOUT.items()],
        first=LETTER_FIRST,
        preview=practice.ticket(Served(None, found["html"])) if found else "",
        notes=found.get("notes", []),
        failed=failed.error if failed else "",
        pdf=practice.ticket(Served(pdf, name="letter.pdf")) if written else "",
        html=practice.ticket(Served(page, name="letter.html")) if written else "",
        written=written and found.get("html") == page.read_text("utf-8"),
        doubt=set_doubts(pdf),
    )


@dataclass(frozen=True)
class Kind:
    """Files of one kind: each with its size and address, and all of them as one."""

    name: str
    files: list[tuple[str, str, str]]
    size: str
    together: str

    @classmethod
    def of(cls, practice: Practice, kind: str, paths: Sequence[Path], title: str) -> Kind:
        """Files with an address each; ``title`` is the name of the archive of files without a kind."""
        sizes = [path.stat().st_size for path in paths]
        files = [
            (visible(path.name), _size(size), practice.ticket(Served(path, name=path.name)))
            for path, size in zip(paths, sizes, strict=True)
        ]
        name = f"{kind or title.lower()}.zip"
        together = practice.ticket(Served(None, name=name, together=tuple(paths))) if len(paths) > 1 else ""
        return cls(kind, files, _size(sum(sizes)), together)


def _kinds(paths: Sequence[Path], *, by_ending: bool) -> list[tuple[str, list[Path]]]:
    """Files by the ends of their names, such as ``episodes.csv``; or all as one kind."""
    kinds: dict[str, list[Path]] = {}
    for path in paths:
        if path.is_file():
            end = ".".join(path.name.split(".")[1:][-2:]) if by_ending else ""
            kinds.setdefault(end, []).append(path)
    return list(kinds.items())


def _files(practice: Practice, study: Study, _: int) -> Screen:
    home, results = practice.study_file.parent, practice.results
    rows = practice.rows(study)
    letters, sheets = [home / "letter.pdf", home / "letter.html"], sorted(home.glob("*-sheet.pdf"))
    shared = sorted((results / "files").glob("*"))
    newest = max((row.changed_s for row in rows), default=0.0)
    compare_why = compared.outdated(study, rows, results)
    groups = (
        ("Letter", letters, letter_outdated(study, rows, home)),
        ("Sheets", sheets, ""),
        ("Comparison", sorted(results.glob("study.*")), compare_why),
        ("Reports of the nights", sorted(set(results.glob("*.report.html")) - {results / compared.PAGE}), ""),
        ("Clenches", [p for end in CLENCHED for p in sorted(results.glob(f"*{end}"))], ""),
        ("Plan", [results / name for name in PLANNED], ""),
        (
            SHARED,
            shared,
            "nights were scored or decided on since they were written"
            if any(path.stat().st_mtime < newest for path in shared)
            else set_doubts(results / "files" / EXPORTED),
        ),
    )

    listed = [
        (
            title,
            [Kind.of(practice, kind, own, title) for kind, own in _kinds(paths, by_ending=title == SHARED)],
            why,
        )
        for title, paths, why in groups
    ]
    return _of_study(
        "files.html.j2",
        "files",
        practice,
        study,
        rows,
        groups=[group for group in listed if group[1]],
        kinds=actions.KINDS,
        scored=any(row.scored for row in rows),
    )


def _size(n: int) -> str:
    return f"{math.ceil(n / 1000)} kB" if n < 1_000_000 else f"{n / 1e6:.1f} MB"


SCREENS = {
    "nights": _nights,
    "night": _night,
    "arrival": _arrival,
    "clenches": _clenches,
    "score": _score,
    "compare": _compare,
    "letter": _letter,
    "files": _files,
}
