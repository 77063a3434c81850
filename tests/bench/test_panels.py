"""The panels at the side: each loads one module that ends in what anywidget calls, and answers every message."""

import shutil
import subprocess
import threading

import pytest

from workbench import WorkbenchError
from workbench.bench.panel import STATIC
from workbench.bench.panels import PANELS
from workbench.bench.panels.export.panel import picture_formats
from workbench.bench.panels.steps.panel import Steps
from workbench.io import SUFFIXES


@pytest.mark.parametrize("panel", PANELS)
def test_a_panel_is_one_plain_module_without_imports_or_addresses(panel):
    code = panel._esm
    assert code.count(" as default\n") == 1
    assert "import " not in code.replace("important ", "")
    for text in (code, panel._css):
        assert "http:" not in text.replace("http://www.w3.org/2000/svg", "")
        assert "https:" not in text
        assert "@import" not in text
    assert ".wt-button" in panel._css


@pytest.mark.skipif(shutil.which("node") is None, reason="needs a JavaScript engine")
@pytest.mark.parametrize("panel", PANELS)
def test_a_panels_module_is_valid(panel, tmp_path):
    file = tmp_path / "panel.mjs"
    file.write_text(panel._esm, encoding="utf-8")
    done = subprocess.run(["node", "--check", str(file)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("panel", PANELS)
def test_a_panel_answers_what_the_page_asks_for(panel, context):
    asked = []

    def handler(name, wanted, reply):
        asked.append((name, wanted))

        def work():
            if name == "fail":
                raise WorkbenchError("not like this; try that")
            return {"place": 3}

        reply(work)

    made = panel(context(handler))
    sent = []
    made.send = lambda message, buffers=None: sent.append(message)
    made._handle_custom_msg({"id": 1, "do": "add", "with": {"operation": "crop"}}, [])
    made._handle_custom_msg({"id": 2, "do": "fail", "with": None}, [])
    made._handle_custom_msg({"id": 3, "do": "upload_piece", "with": {"token": "t"}}, [memoryview(b"bytes")])
    made._handle_custom_msg("nonsense", [])
    assert asked == [("add", {"operation": "crop"}), ("fail", {}), ("upload_piece", {"token": "t", "data": b"bytes"})]
    assert sent[0] == {"reply": 1, "error": None, "value": {"place": 3}}
    assert sent[1] == {"reply": 2, "error": "not like this; try that", "value": None}
    made.close()


def test_entries_put_from_several_threads_are_all_there(context):
    made = Steps(context())
    threads = [
        threading.Thread(target=lambda n=n: [made.put(**{f"entry{n}": i}) for i in range(200)]) for n in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [made.state[f"entry{n}"] for n in range(4)] == [199] * 4
    made.close()


def test_every_format_of_the_library_is_offered():
    assert {s for f in picture_formats() for s in f["suffixes"]} == set(SUFFIXES)


def test_every_panel_has_a_page_and_every_page_a_panel():
    modules = {p.module for p in PANELS}
    pages = {f.parent.name for f in STATIC.parent.glob("panels/*/page.ts")}
    assert modules == pages == {f.stem for f in STATIC.glob("*.js")}
    assert {f.stem for f in STATIC.glob("*.css")} == modules | {"shared"}
