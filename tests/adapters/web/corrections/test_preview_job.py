"""One preview at a time, in a process of its own, kept until the figures change."""

import threading
from dataclasses import replace

from meterd.adapters.web.corrections.preview_job import FAILED_S, PreviewJob
from meterd.core.errors import StoreError
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import Correction, CorrectionPreview


def test_one_at_a_time_and_kept_until_the_figures_change() -> None:
    """A request that comes meanwhile waits and is next; a failure is reported, and tried again after a while."""
    now, go = [0.0], threading.Event()

    class Slow:
        """Works as long as the test wants; a correction by 3 cannot be made."""

        def preview(self, correction: Correction) -> CorrectionPreview:
            """The effect: nothing."""
            assert go.wait(20)
            if correction.factor == "3":
                raise StoreError("no")
            return CorrectionPreview((), ())

    works, seer = PreviewJob(lambda: now[0]), Slow()
    mine = Correction(0, "q01", IMPORT, 1, 2, "2", "because", "ada", 0)
    theirs, bad = replace(mine, factor="5/2"), replace(mine, factor="3")
    assert works.ask(seer, mine).state == "working"
    now[0] = 4.0
    assert works.ask(seer, replace(mine, reason="other words")).since_s == 4.0
    assert works.ask(seer, theirs).state == "busy"
    assert not works.take(mine)
    go.set()
    assert works.ask(seer, mine, 20).state == "done"
    assert not works.take(theirs)
    assert works.ask(seer, theirs, 20).state == "done"
    assert works.ask(seer, bad, 20).words == "no"
    assert not works.take(bad)
    assert [works.take(theirs), works.take(theirs)] == [True, False], "a second click enters nothing"
    now[0] += FAILED_S + 1
    go.clear()
    assert works.ask(seer, bad).state == "working"
    works.forget()
    assert not works.take(mine)
    go.set()
