"""What a scored night can do for those who type: tables, plots, annotations, an archive.

The work is done in rooms further down (`export`, `report`, `archive`), which import the night. So that a
night offers it all the same, each method fetches its function by name when it is called; nothing of scoring
rests on it. This is the only module besides the package's face that does so.
"""

from __future__ import annotations

from html import escape
from importlib import import_module
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sleepbrux.core.errors import UsageError

Table = Literal["episodes", "bursts", "channel_bursts", "measures", "events"]
LISTED = (
    "episode_count",
    "episodes_per_hour",
    "bursts_per_hour",
    "valid_hours",
)


def _room(name: str) -> Any:
    return import_module(f"sleepbrux.{name}")


class NightMethods:
    """Methods of a `Night`, apart from the values that it holds."""

    def __repr__(self) -> str:
        """One line: whose rules, how many episodes in how many hours, how many warnings."""
        night: Any = self  # a `Night`, whose module imports this one
        episodes, hours = len(night.selection.episodes), night.selection.valid.hours
        warned = sum(note.severity == "warning" for note in night.notes)
        return (
            f"<Night {night.swept.name}: {episodes} episode{'' if episodes == 1 else 's'} in {hours:.2f} valid "
            f"hours by {night.criterion.id}, {len(night.swept.frames)} channel"
            f"{'' if len(night.swept.frames) == 1 else 's'}, {warned} warning{'' if warned == 1 else 's'}>"
        )

    def _repr_html_(self) -> str:
        """Main measures and warnings, for notebooks."""
        night: Any = self  # a `Night`, whose module imports this one
        rows = "".join(
            f"<tr><td>{name}</td><td>{'not computable' if m.value is None else f'{m.value:.4g}'}</td>"
            f"<td>{escape(m.unit)}</td><td>{escape(m.basis)}</td></tr>"
            for name in LISTED
            if (m := night.measures.get(name)) is not None
        )
        told = "".join(f"<li>{escape(n.text)}</li>" for n in night.notes if n.severity == "warning")
        return f"<p>{escape(repr(self)[1:-1])}</p><table>{rows}</table><ul>{told}</ul>"

    def to_frame(self, table: Table = "episodes") -> Any:
        """One of the night's tables, unrounded.

        Parameters
        ----------
        table
            ``"episodes"``, ``"bursts"`` (sides merged), ``"channel_bursts"``, ``"measures"`` (indexed by name)
            or ``"events"``.

        Returns
        -------
        DataFrame
            Columns and types as in the data dictionary; ``attrs["columns"]`` says what each means.

        Raises
        ------
        UsageError
            Another table.

        Examples
        --------
        >>> import sleepbrux as sb
        >>> night = sb.score("demo_data/excerpt.edf", mvc_uv=190)
        >>> float(night.to_frame("measures").loc["episode_count", "value"]) == len(night.to_frame("episodes"))
        True
        """
        return _room("export.frames").frame(self, table)

    def envelope(self, label: str) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
        """The envelope that the night was scored on.

        Parameters
        ----------
        label
            A scored channel.

        Returns
        -------
        times_s
            float64, shape (n_frames,): middle of each frame, in seconds from the first sample.
        level_uv
            float32, shape (n_frames,): level in µV; NaN where the time cannot be scored.

        Raises
        ------
        UsageError
            A channel that was not scored.
        """
        night: Any = self  # a `Night`, whose module imports this one
        labels = [f.channel.label for f in night.swept.frames]
        if label not in labels:
            raise UsageError(f"label {label!r} was not scored; scored are {', '.join(labels)}")
        made = night.swept.envelope(labels.index(label), night.amplitude, night.criterion.envelope.window_s)
        times_s: NDArray[np.float64] = (np.arange(len(made.level), dtype=np.float64) + 0.5) * float(
            made.grid.slot_s
        )
        return times_s, made.level

    def plot(self, ax: Any = None) -> Any:
        """Draw the whole night: highest envelope, threshold and counted episodes.

        Parameters
        ----------
        ax
            Axes of matplotlib to draw into; default: new ones.

        Returns
        -------
        Axes

        Raises
        ------
        UsageError
            matplotlib is not installed.
        """
        return _room("report.plots").plot_night(self, ax)

    def plot_episode(self, number: int, ax: Any = None) -> Any:
        """Draw the envelope around one episode, with its bursts and the threshold.

        Parameters
        ----------
        number
            Number of the episode, as in every table.
        ax
            Axes of matplotlib to draw into; default: new ones.

        Returns
        -------
        Axes

        Raises
        ------
        UsageError
            There is no such episode, or matplotlib is not installed.
        """
        return _room("report.plots").plot_episode(self, number, ax)

    def annotate(self, raw: Any, kinds: str = "episodes") -> Any:
        """A copy of an mne ``Raw`` with the night's events beside the annotations that it had.

        Parameters
        ----------
        raw
            The recording that was scored; it is not changed.
        kinds
            ``"episodes"``, ``"bursts"``, ``"lost time"`` or ``"all"``.

        Returns
        -------
        Raw

        Raises
        ------
        UsageError
            Another kind, or a recording of another length.
        """
        return _room("export.mne_annotations").annotate(self, raw, kinds)

    def save(self, path: str | Path) -> None:
        """Write the night as an archive, which `load_night` reads; short for `save_night`.

        Parameters
        ----------
        path
            The file, as ``"NAME.night.h5"``.

        Raises
        ------
        ArchiveError
            The file cannot be written, or a reviewed night is given.
        """
        _room("archive.file").save_night(self, path)
