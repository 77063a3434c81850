"""Settings of the documentation site; pages that follow from the code are made by `extensions/made_pages.py`."""

import sys
from importlib.metadata import version as version_of
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "extensions"))

project = "Post-stack workbench"
copyright = "the authors of the post-stack workbench; BSD 3-clause"  # noqa: A001 - Sphinx's name
release = version_of("post-stack-workbench")

extensions = ["myst_nb", "numpydoc", "sphinx.ext.autodoc", "sphinx.ext.autosummary", "made_pages"]
exclude_patterns = ["_build", "extensions", "templates"]
templates_path = ["templates"]

myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3
nb_execution_mode = "off"

# Single backticks in docstrings mark names; not each of them has a page here.
default_role = "code"
autodoc_typehints = "none"
autodoc_member_order = "bysource"
autosummary_generate = True
numpydoc_show_class_members = False
numpydoc_xref_param_type = False

html_theme = "pydata_sphinx_theme"
html_title = project
html_show_sourcelink = False
html_sidebars = {"index": []}
html_theme_options = {"show_toc_level": 2, "navigation_with_keys": False, "secondary_sidebar_items": ["page-toc"]}
