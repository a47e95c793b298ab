"""The demo scenario: one invented person, a reference clench, and nights under three conditions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, fields
from datetime import date, datetime, time
from importlib.resources import files
from pathlib import Path
from typing import Any

import msgspec

from sleepbrux.core.errors import StudyError
from sleepbrux.core.files import read_text, toml_table
from sleepbrux.core.parallel import made_ahead
from sleepbrux.synth.layout import NATURAL, Recipe, plan_night, plan_reference
from sleepbrux.synth.night import SIDES, Background, ElectrodeOff, NightPlan, Side
from sleepbrux.synth.render import write_night
from sleepbrux.synth.signal import child_rng
from sleepbrux.synth.truth import Truth, truth_of, write_truth

Pair = tuple[float, float]
Entry = dict[str, str | int | date]


@dataclass(frozen=True)
class Person:
    """Who sleeps: MVC and rest in µV RMS (left, right), and events an hour without an appliance."""

    mvc_uv: Pair
    rest_uv: Pair
    episodes_per_hour: float
    isolated_per_hour: float
    twitches_per_hour: float


@dataclass(frozen=True)
class Condition:
    """What is worn: true ratio of the episode rate, best clench as a fraction of natural teeth."""

    name: str
    effect: float
    clench: float


@dataclass(frozen=True)
class LooseElectrode:
    """See `night.ElectrodeOff`."""

    side: Side
    start_s: float
    rail_from_s: float
    stop_s: float


@dataclass(frozen=True)
class GeneratedNight:
    """One night of the scenario; `gap_s` is (start, stop) in whole seconds."""

    id: str
    date: date
    condition: str
    block: int | None = None
    electrode_off: LooseElectrode | None = None
    gap_s: tuple[int, int] | None = None


@dataclass(frozen=True)
class StudyReference:
    """The clench recording."""

    id: str
    date: date


@dataclass(frozen=True)
class Scenario:
    """A whole demo; the fields are the keys of ``scenario.toml``, where each is explained."""

    pseudonym: str
    primary_outcome: str
    criterion: str
    order: str
    seed: int
    rate_hz: int
    hours: float
    bedtime: time
    night_cv: float
    gain_limits: Pair
    night_reference: str
    person: Person
    reference: tuple[StudyReference, ...]
    condition: tuple[Condition, ...]
    night: tuple[GeneratedNight, ...]

    @property
    def nights(self) -> tuple[str, ...]:
        """Ids of the nights, in order."""
        return tuple(night.id for night in self.night)

    @property
    def recordings(self) -> tuple[str, ...]:
        """Ids of the reference recordings, then of the nights."""
        return tuple(reference.id for reference in self.reference) + self.nights


def scenario_path() -> Path:
    """``scenario.toml`` inside the installed package, or beside it in a checkout."""
    package = Path(str(files("sleepbrux")))
    found = [root / "demo_data" / "scenario.toml" for root in (package, package.parent)]
    for path in found:
        if path.is_file():
            return path
    raise StudyError(f"no demo scenario found at {found[0]} or {found[1]}: install the package anew")


def load_scenario(path: Path | None = None) -> Scenario:
    """Read a scenario.

    Parameters
    ----------
    path
        The TOML file; None for the demo that comes with the package.
    """
    path = path or scenario_path()
    table = toml_table(read_text(path, StudyError, "scenario (TOML)"), path.name, StudyError)
    try:
        scenario = msgspec.convert(table, Scenario)
    except msgspec.ValidationError as error:
        raise StudyError(f"{path.name} is no scenario: {error}") from error
    _refuse_unknown(table, path.name)
    conditions = {condition.name for condition in scenario.condition}
    for night in scenario.night:
        if night.condition not in conditions:
            raise StudyError(
                f"{path.name}: night {night.id} has condition {night.condition!r}; "
                f"allowed are {', '.join(sorted(conditions))}"
            )
    return scenario


def _refuse_unknown(table: Mapping[str, Any], name: str) -> None:
    kinds: dict[str, type] = {"person": Person, "reference": StudyReference}
    kinds |= {"condition": Condition, "night": GeneratedNight}
    parts: list[tuple[type, Mapping[str, Any]]] = [(Scenario, table)]
    for key, kind in kinds.items():
        parts += [(kind, part) for part in (table[key] if key != "person" else [table[key]])]
    for kind, part in parts:
        allowed = [field.name for field in fields(kind)]
        for key in part.keys() - set(allowed):
            raise StudyError(f"{name}: unknown key {key!r}; allowed are {', '.join(allowed)}")


def _gain(scenario: Scenario, index: int) -> Pair:
    """Gain of the electrodes as they were placed for one recording (left, right)."""
    low, high = scenario.gain_limits
    left, right = low * (high / low) ** child_rng(scenario.seed, index, 1).random(len(SIDES))
    return round(float(left), 3), round(float(right), 3)


def true_rate(scenario: Scenario, night_id: str) -> float:
    """Episodes an hour that one night is planned with: the condition's rate, more or less."""
    night, index = _night(scenario, night_id)
    effect = next(c.effect for c in scenario.condition if c.name == night.condition)
    shape = scenario.night_cv**-2
    luck = child_rng(scenario.seed, index, 2).gamma(shape, 1.0 / shape)
    return float(scenario.person.episodes_per_hour * effect * luck)


def _night(scenario: Scenario, night_id: str) -> tuple[GeneratedNight, int]:
    for index, night in enumerate(scenario.night, start=len(scenario.reference)):
        if night.id == night_id:
            return night, index
    raise StudyError(f"no night {night_id!r}; there are {', '.join(scenario.nights)}")


def _electrode_off(loose: LooseElectrode | None) -> tuple[ElectrodeOff, ...]:
    if loose is None:
        return ()
    return (ElectrodeOff(loose.side, loose.start_s, loose.stop_s, loose.rail_from_s),)


def _seed(scenario: Scenario, index: int) -> int:
    return int(child_rng(scenario.seed, index, 0).integers(2**31))


def night_plan(scenario: Scenario, night_id: str) -> NightPlan:
    """What happens in one night of the scenario."""
    night, index = _night(scenario, night_id)
    person = scenario.person
    recipe = Recipe(
        hours=scenario.hours,
        episodes_per_hour=true_rate(scenario, night_id),
        isolated_per_hour=person.isolated_per_hour,
        twitches_per_hour=person.twitches_per_hour,
        mvc_uv=person.mvc_uv,
        gain=_gain(scenario, index),
        background=Background(rest_uv=person.rest_uv),
        electrode_off=_electrode_off(night.electrode_off),
        gaps=() if night.gap_s is None else (night.gap_s,),
    )
    return plan_night(recipe, seed=_seed(scenario, index))


def reference_plan(scenario: Scenario, reference_id: str) -> NightPlan:
    """The clench tests: on natural teeth, with each appliance in, on natural teeth again."""
    index = [reference.id for reference in scenario.reference].index(reference_id)
    tests = [(NATURAL, 1.0)]
    tests += [(f"Clench with {c.name}", c.clench) for c in scenario.condition if c.name != "none"]
    tests += [(NATURAL, 1.0)]
    return plan_reference(
        tests,
        seed=_seed(scenario, index),
        mvc_uv=scenario.person.mvc_uv,
        gain=_gain(scenario, index),
        background=Background(rest_uv=scenario.person.rest_uv),
    )


def write_recording(scenario: Scenario, recording_id: str, path: Path) -> Truth:
    """Render one recording of the scenario, and its truth beside it.

    Parameters
    ----------
    scenario
        From `load_scenario`.
    recording_id
        One of ``scenario.recordings``.
    path
        The EDF+ file; the truth is written to ``NAME.truth.json`` in the same folder.
    """
    references = {reference.id: reference.date for reference in scenario.reference}
    if recording_id in references:
        plan, day, about = reference_plan(scenario, recording_id), references[recording_id], {}
        start = datetime.combine(day, time(17, 0))
    else:
        night, _ = _night(scenario, recording_id)
        plan, about = night_plan(scenario, recording_id), {"condition": night.condition}
        start = datetime.combine(night.date, scenario.bedtime)
    write_night(plan, path, rate=scenario.rate_hz, start=start)
    truth = truth_of(plan, name=path.stem, rate_hz=scenario.rate_hz, **about)
    write_truth(truth, path)
    return truth


def study_file(scenario: Scenario) -> str:
    """Text of ``study.toml``: what a dentist would have written down.

    The one place that knows the field names of a study file.
    """
    head: Entry = {
        "pseudonym": scenario.pseudonym,
        "primary_outcome": scenario.primary_outcome,
        "criterion": scenario.criterion,
        "order": scenario.order,
    }
    parts = ["# Invented data. Written by the demo; see demo_data/README.md.", _table(head)]
    for ref in scenario.reference:
        entry: Entry = {
            "id": ref.id,
            "recording": f"{ref.id}.edf",
            "teeth": "natural",
            "date": ref.date,
        }
        parts.append("\n[[reference]]\n" + _table(entry))
    for night in scenario.night:
        entry = {"id": night.id, "recording": f"{night.id}.edf", "date": night.date}
        entry |= {"condition": night.condition, "reference": scenario.night_reference}
        if night.block is not None:
            entry["block"] = night.block
        parts.append("\n[[night]]\n" + _table(entry))
    return "\n".join(parts) + "\n"


def _table(entries: Entry) -> str:
    lines = [
        f"{key} = {value}" if isinstance(value, (int, date)) else f'{key} = "{value}"'
        for key, value in entries.items()
    ]
    return "\n".join(lines)


def make_study(
    scenario: Scenario,
    out_dir: Path,
    *,
    keep: int = 2,
    on_night: Callable[[str, Path], None] | None = None,
) -> Path:
    """Write the whole demo, two recordings at a time.

    Parameters
    ----------
    scenario
        From `load_scenario`.
    out_dir
        Folder; made if it is not there.
    keep
        How many of the nights' recordings stay; the others are deleted once ``on_night`` has
        returned, because all of them take 2 GB. Truth files and references stay.
    on_night
        Called with the id and the path of each night while its recording is there.

    Returns
    -------
    study
        Path of ``study.toml``.
    """
    out_dir.mkdir(parents=True, exist_ok=True)
    study = out_dir / "study.toml"
    study.write_text(study_file(scenario), encoding="utf-8")
    for reference in scenario.reference:
        write_recording(scenario, reference.id, out_dir / f"{reference.id}.edf")

    def written(night_id: str) -> Path:
        path = out_dir / f"{night_id}.edf"
        write_recording(scenario, night_id, path)
        return path

    paths = made_ahead(written, scenario.nights)
    with closing(paths):
        for count, (night_id, path) in enumerate(zip(scenario.nights, paths, strict=True), start=1):
            if on_night is not None:
                on_night(night_id, path)
            if count > keep:
                path.unlink()
    return study


EXCERPT = Recipe(
    hours=300 / 3600,
    episodes_per_hour=70.0,
    kinds=(0.5, 0.25, 0.25),
    isolated_per_hour=35.0,
    twitches_per_hour=35.0,
    awake_s=30.0,
    settle_s=5.0,
    morning_clench=False,
)


def write_excerpt(path: Path, *, seed: int = 5) -> Truth:
    """Write the five minutes that come with the package: marks, clenches, a few episodes."""
    plan = plan_night(EXCERPT, seed=seed)
    write_night(plan, path, rate=1000)
    truth = truth_of(plan, name=path.stem, rate_hz=1000)
    write_truth(truth, path)
    return truth
