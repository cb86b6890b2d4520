"""Reading settles on the quicker number of threads and looks at the other again now and then."""

import torch

from triage.vision.pace import _TRY_AGAIN, Pace


def test_both_are_tried_and_the_quicker_is_kept():
    pace = Pace()
    assert pace.threads(4) == 2
    pace.note(2, 1.0)
    assert pace.threads(4) == 4
    pace.note(4, 5.0)
    used = [pace.threads(4) for _ in range(2 * _TRY_AGAIN)]
    assert used.count(4) == 2 and used[0] == 2
    pace.note(4, 0.5)
    assert pace.threads(4) == 4


def test_the_number_of_threads_is_put_back():
    before = torch.get_num_threads()
    with Pace().kept(3):
        torch.ones(2).sum()
    assert torch.get_num_threads() == before
    assert Pace().threads(1) == 1
