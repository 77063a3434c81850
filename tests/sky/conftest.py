import pytest


@pytest.fixture(scope="session")
def star_patterns(tmp_path_factory):
    """Where the patterns of stars that these tests make are kept, once for all files."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module", autouse=True)
def own_cache(star_patterns):
    """A person's cache stays as it is, and other tests have the one that they had."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(star_patterns))
        yield
