"""Kernels are loaded before they are needed."""

import threading

from workbench.bench import warm
from workbench.operations.base import REGISTRY, registered
from workbench.prepared import UNPREPARED


def test_every_operation_is_used_once_and_one_that_refuses_stops_nothing(monkeypatch):
    used = set()
    for kind in registered():
        measure = kind.measure

        def seen(self, frame, *, measure=measure):
            used.add(self.id)
            return measure(self, frame)

        monkeypatch.setattr(kind, "measure", seen)
    warm.use_every_operation()
    usable = {n for n, kind in REGISTRY.items() if not any(f.is_required() for f in kind.model_fields.values())}
    assert used == usable


def test_a_process_that_wants_nothing_prepared_is_not_warmed_up(monkeypatch):
    used = []
    monkeypatch.setattr(warm, "use_every_operation", lambda: used.append(True))
    monkeypatch.setattr(warm, "prepare_behind", lambda *_: None)
    for wanted, times in (("1", 0), ("", 1)):
        monkeypatch.setenv(UNPREPARED, wanted)
        warm.warm_up.__wrapped__().join()
        assert len(used) == times


def test_a_program_that_ends_waits_for_warming_up_though_a_daemon_has_begun_it(monkeypatch):
    monkeypatch.setenv(UNPREPARED, "1")  # nothing is to be done on the thread
    made = []
    starter = threading.Thread(target=lambda: made.append(warm.warm_up.__wrapped__()), daemon=True)
    starter.start()
    starter.join()
    assert not made[0].daemon


def test_warming_up_happens_once():
    assert warm.warm_up() is warm.warm_up()
    warm.warm_up().join()
