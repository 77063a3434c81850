"""Teaching: what each step does, shown on the person's own stack."""

from workbench.teach.demo import Demo, make_demo
from workbench.teach.lesson import Lesson, Look
from workbench.teach.notebook import lesson_notebook
from workbench.teach.samples import sample_file
from workbench.teach.sheet import step_sheet
from workbench.teach.writing import write_lesson

__all__ = ["Demo", "Lesson", "Look", "lesson_notebook", "make_demo", "sample_file", "step_sheet", "write_lesson"]
