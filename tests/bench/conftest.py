"""A bench without a browser, and what a panel gets to work with, without a bench around it."""

import pytest

import workbench as wb
from workbench.bench.context import Context
from workbench.bench.model import Session
from workbench.bench.panel import Panel
from workbench.bench.tools import Tools
from workbench.bench.views import Views


@pytest.fixture
def sent(monkeypatch):
    """All messages to pages: (panel's module, content, buffers)."""
    messages = []
    monkeypatch.setattr(Panel, "send", lambda self, m, buffers=None: messages.append((self.module, m, buffers or [])))
    return messages


@pytest.fixture
def open_bench(sent):
    made = []

    def one(*args, **kwargs):
        made.append(wb.Bench(*args, **kwargs))
        return made[-1]

    yield one
    for bench in made:
        bench.close()


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
