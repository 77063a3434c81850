"""Pages checked by axe-core (Deque Systems), which tests the Web Content Accessibility Guidelines (W3C)."""

from axe_playwright_python.sync_playwright import Axe

#: What axe-core calls findings that keep people out.
GRAVE = {"serious", "critical"}


def grave_findings(page, part=None):
    """Serious and critical findings on a page, or in the elements of a selector, each with what it is about."""
    axe = Axe("0") if page.evaluate("'axe' in window") else Axe()  # loading it takes as long as most checks
    response = axe.run(page, part, {"resultTypes": ["violations"]}).response
    assert response["passes"], "axe-core has checked nothing"
    return [
        f"{finding['id']}: {node['target']} {node['failureSummary']}"
        for finding in response["violations"]
        if finding["impact"] in GRAVE
        for node in finding["nodes"]
    ]
