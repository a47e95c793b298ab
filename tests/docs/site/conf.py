"""Sphinx: the documentation of the package as a site (``python -m tests.docs.site``)."""

import sys
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT))
warnings.filterwarnings("ignore")  # of other packages, when autodoc imports ours

from sleepbrux.core.version import __version__  # noqa: E402

project = "sleepbrux"
author = "the sleepbrux maintainers"
version = release = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "numpydoc"]
# api.md is the same library for those who read the package without a site
exclude_patterns = ["api.md"]
myst_heading_anchors = 3
# the pages are read as text too, so their headings and tables are as they are
suppress_warnings = ["myst.header"]
default_role = "code"
autodoc_typehints = "none"
numpydoc_show_class_members = False
numpydoc_xref_param_type = False
html_theme = "pydata_sphinx_theme"
html_title = "sleepbrux"
html_theme_options = {
    "navbar_align": "left",
    "header_links_before_dropdown": 3,
    "show_toc_level": 2,
    "use_edit_page_button": False,
    "secondary_sidebar_items": ["page-toc"],
    "footer_start": ["copyright"],
    "footer_end": [],
}
html_sidebars = {"*": [], "start/*": []}  # they have no section to go through
html_show_sourcelink = False
html_copy_source = False
copyright = "the sleepbrux maintainers, BSD-3-Clause. Not a medical device; makes no diagnosis"  # noqa: A001
