import pytest


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory):
    """Star patterns of this session only; a person's stay as they are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield
