"""The bar of a run."""

import io

import pytest
from tqdm import tqdm

from workbench.engine import progress


@pytest.fixture
def ended(monkeypatch):
    """Where each bar stood when it was closed."""
    places = []

    class Bar(tqdm):
        def __init__(self, **options):
            super().__init__(file=io.StringIO(), **options)

        def close(self):
            if not self.disable and self not in kept:
                kept.append(self)
                places.append(self.n)
            super().close()

    kept = []
    monkeypatch.setattr(progress.tqdm, "tqdm", Bar)
    return places


def test_a_run_that_ends_well_fills_its_bar(ended):
    with progress.progress_bar("run", delay=0) as tell:
        for share in (0.1, 0.7, 1 - 1e-9):
            tell(share, "stretch")
    assert ended == [100.0]


def test_a_run_that_fails_leaves_its_bar_where_it_was(ended):
    def fail():
        with progress.progress_bar("run", delay=0) as tell:
            tell(0.4, "stretch")
            raise OSError("disk")

    with pytest.raises(OSError, match="disk"):
        fail()
    assert ended == [40.0]
