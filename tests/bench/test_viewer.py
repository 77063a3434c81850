"""The picture panel keeps the last frames for pages that come later, and answers every request."""

import pytest

from workbench.bench.panels.viewer.panel import Viewer
from workbench.errors import WorkbenchError


def fit(side, generation, draft=False):
    return {"kind": "fit", "side": side, "generation": generation, "draft": draft}


@pytest.fixture
def asked():
    return []


@pytest.fixture
def viewer(asked, monkeypatch, context):
    def handler(name, wanted, reply):
        asked.append((name, wanted))

        def work():
            if name == "fail":
                raise WorkbenchError("it does not work; try another")
            if name == "break":
                raise KeyError("gone")
            return 7

        reply(work)

    made = Viewer(context(handler))
    made.sent = []
    monkeypatch.setattr(made, "send", lambda message, buffers=None: made.sent.append((message, buffers)), raising=False)
    return made


def page_says(viewer, name, **wanted):
    viewer._handle_custom_msg({"id": 3, "do": name, "with": wanted}, [])


def test_frames_go_to_the_page_with_their_bytes(viewer):
    viewer.send_frame(fit("now", 1), [b"jpeg"])
    assert viewer.sent == [(fit("now", 1), [b"jpeg"])]


def test_a_page_that_comes_later_gets_the_last_frame_of_each_side_again(viewer):
    viewer.send_frame(fit("now", 1, draft=True), [b"old"])
    viewer.send_frame(fit("now", 2), [b"now"])
    viewer.send_frame(fit("before", 2), [b"before"])
    viewer.send_frame({"kind": "loupe", "side": "now", "generation": 2}, [b"part"])
    viewer.sent.clear()
    assert viewer.hello() == 2
    again = [(m["side"], b) for m, b in viewer.sent if m.get("again")]
    assert again == [("now", [b"now"]), ("before", [b"before"])]


def test_a_side_that_is_no_longer_shown_is_not_sent_again(viewer):
    viewer.send_frame(fit("now", 1), [b"a"])
    viewer.send_frame(fit("before", 1), [b"b"])
    viewer.send_frame(fit("now", 2), [b"c"])
    viewer.sent.clear()
    assert viewer.hello() == 1
    assert viewer.sent[0][1] == [b"c"]


def test_other_requests_reach_the_handler_and_are_answered(viewer, asked):
    page_says(viewer, "probe", y=1, x=2)
    assert asked == [("probe", {"y": 1, "x": 2})]
    assert viewer.sent == [({"reply": 3, "error": None, "value": 7}, None)]


def test_a_mistake_is_answered_with_its_sentence_and_a_fault_with_its_kind(viewer):
    page_says(viewer, "fail")
    page_says(viewer, "break")
    assert viewer.sent[0][0]["error"] == "it does not work; try another"
    assert "KeyError" in viewer.sent[1][0]["error"]


def test_the_module_is_one_text_with_one_export_and_asks_for_nothing_outside():
    text = Viewer._esm
    assert text.count(" as default\n") == 1
    assert "import(" not in text
    assert "\nimport " not in text
    assert "https:" not in text
    # The name of SVG's namespace, which nothing loads, is the only address.
    assert "http:" not in text.replace("http://www.w3.org/2000/svg", "")
