from __future__ import annotations

import numpy as np

from cleanchain.audio.capture import Capture
from cleanchain.audio.recall import Recall


def test_the_same_samples_and_settings_are_worked_on_once() -> None:
    calls: list[int] = []
    recall: Recall[int] = Recall(most=2)

    def work() -> int:
        calls.append(1)
        return len(calls)

    one, same = Capture(np.ones(10), 8000), Capture(np.ones(10), 8000)
    assert recall.of(one, "a", work) == recall.of(same, "a", work) == 1
    assert recall.of(one, "b", work) == 2
    assert recall.of(Capture(np.zeros(10), 8000), "a", work) == 3
    assert recall.of(Capture(np.ones(10), 16_000), "a", work) == 4
    assert recall.of(one, "a", work) == 5  # long forgotten
