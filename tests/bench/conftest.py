"""What a panel gets to work with, without a bench around it."""

import pytest

from workbench.bench.context import Context
from workbench.bench.model import Session
from workbench.bench.tools import Tools
from workbench.bench.views import Views


@pytest.fixture
def context():
    """Makes a context whose page's wishes go to a handler (default: nowhere)."""
    made = []

    def one(handler=lambda *_: None):
        def tell(_event):
            pass

        session = Session(tell=tell)
        tools = Tools(session)
        made.append(Views(session, tools, tell))
        return Context(session, tools, made[-1], tell, handler, lambda *_, **__: None)

    yield one
    for views in made:
        views.close()
