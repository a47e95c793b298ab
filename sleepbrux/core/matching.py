"""Two lists of events, matched one to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pairs = NDArray[np.floating]


@dataclass(frozen=True, eq=False)
class Matching:
    """Result of matching a reference with an estimate.

    Attributes
    ----------
    pairs
        int64, shape (n_matched, 2): positions in reference and estimate, in order of the reference.
    n_reference, n_estimate
        Events in each list.
    """

    pairs: NDArray[np.int64]
    n_reference: int
    n_estimate: int

    @property
    def found(self) -> int:
        """Reference events that have a partner."""
        return len(self.pairs)

    @property
    def missed(self) -> int:
        """Reference events without a partner."""
        return self.n_reference - len(self.pairs)

    @property
    def false(self) -> int:
        """Estimated events without a partner."""
        return self.n_estimate - len(self.pairs)


def _overlap(reference: Pairs, estimate: Pairs, least_share: float) -> NDArray[np.bool_]:
    """Which events share time, and at least ``least_share`` of the time that either takes."""
    begin = np.maximum(reference[:, None, 0], estimate[None, :, 0])
    end = np.minimum(reference[:, None, 1], estimate[None, :, 1])
    shared = end - begin
    whole = np.maximum(reference[:, None, 1], estimate[None, :, 1]) - np.minimum(
        reference[:, None, 0], estimate[None, :, 0]
    )
    result: NDArray[np.bool_] = (shared > 0) & (shared >= least_share * whole)
    return result


def match_events(reference: Pairs, estimate: Pairs, *, least_share: float = 0.0) -> Matching:
    """Match as many events as can be, each with one partner at most.

    ::

        reference   [----]   [----]      [--]
        estimate      [----------]   [--]         one match, one missed twice over, one false

    Parameters
    ----------
    reference, estimate
        Shape (n, 2): start and stop of each event, in any one unit.
    least_share
        Least intersection over union of a match; 0: any overlap.
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import maximum_bipartite_matching

    a, b = (np.asarray(v, dtype=np.float64).reshape(-1, 2) for v in (reference, estimate))
    if not len(a) or not len(b):
        return Matching(np.empty((0, 2), dtype=np.int64), len(a), len(b))
    partner = maximum_bipartite_matching(csr_matrix(_overlap(a, b, least_share)), perm_type="column")
    index = np.flatnonzero(partner >= 0)
    return Matching(np.stack((index, partner[index]), axis=1).astype(np.int64), len(a), len(b))
