"""Teaching: what each step does, shown on the person's own stack."""

from workbench.teach.demo import Demo, make_demo
from workbench.teach.samples import sample_file
from workbench.teach.sheet import step_sheet

__all__ = ["Demo", "make_demo", "sample_file", "step_sheet"]
