"""How many threads to read with: as many as are quicker right now.

On a quiet machine all cores are; on a busy one the network's threads wait for one another at every layer, and with both of two
cores asked for and another program running a photo took over ten times as long as on one thread. So both are tried, the
quicker one is kept, and the other is tried again now and then.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import torch

_TRY_AGAIN = 12  # uses of one setting before the other is tried again


class Pace:
    """Remembers how long a unit of work took with half of the threads and with all of them."""

    def __init__(self) -> None:
        self._seconds: dict[int, float] = {}
        self._uses = 0

    def threads(self, most: int) -> int:
        """The setting to use next, of half of `most` and `most`."""
        half = max(1, most // 2)
        for setting in (half, most):
            if setting not in self._seconds:
                return setting
        better, worse = sorted((half, most), key=self._seconds.__getitem__)
        self._uses += 1
        return worse if self._uses % _TRY_AGAIN == 0 else better

    def note(self, threads: int, seconds: float) -> None:
        """What the last unit of work took."""
        self._seconds[threads] = seconds

    @contextmanager
    def kept(self, units: int) -> Iterator[None]:
        """Run the block with the setting to use next, and note what each of its units took."""
        before = torch.get_num_threads()
        chosen = self.threads(before)
        torch.set_num_threads(chosen)
        started = time.perf_counter()
        try:
            yield
            self.note(chosen, (time.perf_counter() - started) / max(1, units))
        finally:
            torch.set_num_threads(before)
