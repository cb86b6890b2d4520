"""One torch thread a test process: small operations split over threads wait for each other on a busy machine."""

from collections.abc import Iterator

import pytest
import torch


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Restore the number of threads afterwards."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(threads)
