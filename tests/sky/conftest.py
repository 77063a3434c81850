import pytest


@pytest.fixture(scope="module", autouse=True)
def own_cache(star_patterns):
    """A person's cache stays as it is, and other tests have the one that they had."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(star_patterns))
        yield
