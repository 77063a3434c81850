"""Teaching: what each step does, shown on the person's own stack."""

from workbench.teach.demo import Demo, make_demo
from workbench.teach.sheet import step_sheet

__all__ = ["Demo", "make_demo", "step_sheet"]
